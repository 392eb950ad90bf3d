"""Starting a run: nothing moves before boards read safe; only then the supply; inputs at rest are row 0."""

from __future__ import annotations

from harness.bench.board import Board
from harness.clock import NS
from harness.errors import BenchUnsafe
from harness.panel.parts import Panel
from harness.run.rig import Rig
from harness.sequence.steps import Sequence, SetStep

REST_TITLE = "0. Inputs at rest"
SUPPLY_UP_S = 1.0


def prove_off(rig: Rig) -> None:
    """Every board reads its outputs off, and with the contactor open no voltage input reads on."""
    for name, board in rig.fittings.boards.items():
        safe = (None, board.spec.safe_image)
        image = board.read_back()
        if image not in safe:
            rig.found_on.append(_found(rig, board, image or 0))
            board.make_safe()
            image = board.read_back()
        if image not in safe:
            raise BenchUnsafe(
                f"board {name}: outputs are not safe after being made so (reads {image:#x}); "
                "do not use this board until it is repaired"
            )
    word = _steady_word(rig)
    if rig.bench.contactor is not None:
        _refuse_voltage(rig, word)
        rig.meters.refuse_voltage()
        if rig.sampler.supply_present:
            raise BenchUnsafe(
                f"bench {rig.bench.tag}: the supply reads present before the contactor closed; "
                "the contactor may be welded or bridged: isolate and find it"
            )


def _found(rig: Rig, board: Board, image: int) -> str:
    """Which outputs an earlier run, or somebody else, left other than safe."""
    odd = [k for k in range(board.spec.output_count) if (image ^ board.spec.safe_image) >> k & 1]
    contactor = rig.bench.contactor
    live = contactor is not None and contactor.board == board.name and contactor.channel in odd
    supply = ", the supply contactor among them," if live else ""
    named = ", ".join(map(str, odd))
    return f"board {board.name}: outputs {named}{supply} not safe before the run; made safe first"


def _steady_word(rig: Rig) -> int:
    """The inputs once their filters have had time to show what is there."""
    clock = rig.fittings.clock
    steady_ns = clock.now_ns() + 2 * rig.channels.slack_ns
    shot = rig.sampler.poll()
    while clock.now_ns() < steady_ns:
        shot = rig.sampler.paced()
    return shot.word


def _refuse_voltage(rig: Rig, word: int) -> None:
    live = [
        channel.name
        for channel in rig.bench.inputs
        if not channel.wetting_v and word & rig.channels.bit(channel.name)
    ]
    if live:
        raise BenchUnsafe(
            f"bench {rig.bench.tag}: {', '.join(live)} read on before the supply contactor closed; the panel "
            "has a feed that the bench does not switch, or the contactor is welded: isolate and find it"
        )


def supply_on(rig: Rig) -> None:
    """Devices to rest, then the contactor; where the supply can be read or measured, it must be there."""
    rig.rest()
    rig.close_supply()
    if rig.bench.supply_present is not None:
        _wait_for_supply(rig)
    rig.meters.come_up()


def _wait_for_supply(rig: Rig) -> None:
    give_up_ns = rig.fittings.clock.now_ns() + round(SUPPLY_UP_S * NS)
    rig.sampler.paced()
    while not rig.sampler.supply_present:
        if rig.fittings.clock.now_ns() > give_up_ns:
            raise BenchUnsafe(
                f"bench {rig.bench.tag}: the supply reads absent {SUPPLY_UP_S:g} s after the contactor was "
                "closed; check the panel's supply, its fuse and the contactor"
            )
        rig.sampler.paced()
    rig.sampler.expect_supply()


def rest_step(sequence: Sequence, panel: Panel) -> SetStep:
    """Row 0: everything at rest, judged like any other row."""
    return SetStep(
        title=REST_TITLE,
        positions=panel.rest,
        states=sequence.rest_states,
        settle_s=sequence.settle_s,
        hold_s=sequence.hold_s,
    )
