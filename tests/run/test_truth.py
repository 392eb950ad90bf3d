"""The stated bounds of timed edges hold the simulated panel's true times, over seeds and poll periods."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest

from drivers.rig import SimulatedRig
from drivers.simulated import SimulatedBoard
from harness.bench.hands import HAND, hand_channels
from harness.clock import VirtualClock
from harness.demo_files import resolve
from harness.measure.reading import Verdict
from harness.panel.parts import Span
from harness.run.engine import Engine
from harness.run.hands import SimulatedHands, cannot_ask
from harness.run.origin import Origin
from harness.run.rig import Fittings, Rig
from harness.sequence.files import load_sequence
from harness.sequence.steps import TimeStep

LOADED = load_sequence(resolve("demo:th-s0.sequence.yaml"))
REST = LOADED.panel.rest
STEP = TimeStep(
    title="K1 drops out",
    start=REST | {"S1": "pressed"},
    end=REST | {"S1": "pressed", "S0": "pressed"},
    of="K1",
    to=False,
    repeats=6,
    at_least_s=None,
    at_most_s=0.08,
    settle_s=0.3,
    beyond_s=0.5,
)


class Watched(SimulatedRig):
    """A rig that notes when its contacts truly move and when K1 has truly dropped out."""

    def __init__(self, *words: object, **names: object) -> None:
        super().__init__(*words, **names)  # type: ignore[arg-type]
        self.contacts: list[tuple[int, Mapping[str, bool]]] = []
        inner = self.motion.set_outer

        def noted(closed: Mapping[str, bool]) -> None:
            self.contacts.append((self.motion.now_ns, dict(closed)))
            inner(closed)

        self.motion.set_outer = noted  # type: ignore[method-assign]

    def true_times_us(self) -> list[float]:
        """From S0's contact opening to K1 dropped out, each time."""
        presses = [at for at, closed in self.contacts if closed.get("DO0") is False]
        dropped = [m.at_ns for m in self.motion.movements if (m.of, m.what) == ("K1", "dropped out")]
        return [(out - press) / 1e3 for press, out in zip(presses, dropped[: len(presses)], strict=True)]


def timed(seed: int, poll_s: float, *, stated_delay: Span | None = None) -> tuple[Engine, Watched]:
    bench = LOADED.bench
    board = replace(bench.boards[0], poll_s=poll_s)
    bench = replace(bench, boards=(board,))
    clock = VirtualClock()
    watched = Watched(LOADED.panel, bench, clock, seed=seed)
    boards = {name: SimulatedBoard(spec, clock, watched, seed=seed) for name, spec in watched.specs.items()}
    for one in boards.values():
        one.open()
    if stated_delay is not None:
        bench = replace(bench, boards=(replace(board, output_delay_s=stated_delay),))
    hands = SimulatedHands(boards[HAND], hand_channels(bench.hand_set, LOADED.panel.positions))
    fittings = Fittings(boards, clock, lambda _event: None, cannot_ask, hands)
    rig = Rig(LOADED.panel, bench, fittings, Origin(0))
    engine = Engine(rig, replace(LOADED.sequence, steps=(STEP,)), seed=seed, screen=False)
    assert engine.run().verdict is Verdict.PASS
    return engine, watched


@pytest.mark.parametrize("poll_s", [0.0, 0.01, 0.05], ids=["flat out", "10 ms", "50 ms"])
@pytest.mark.parametrize("seed", range(8))
def test_bounds_hold_the_truth(seed: int, poll_s: float) -> None:
    engine, watched = timed(seed, poll_s)
    readings = engine.result.steps[-1].readings
    truth = watched.true_times_us()
    assert len(readings) == len(truth) == STEP.repeats
    for reading, true_us in zip(readings, truth, strict=True):
        assert reading.low_us is not None
        assert reading.high_us is not None
        assert reading.low_us <= true_us <= reading.high_us


def test_bounds_made_from_a_false_statement_miss_it_somewhere() -> None:
    """The bench file claims no output delay at all; the boards still take 2 to 8 ms."""
    missed = 0
    for seed in range(8):
        engine, watched = timed(seed, 0.0, stated_delay=Span(0.0, 0.0))
        for reading, true_us in zip(engine.result.steps[-1].readings, watched.true_times_us(), strict=True):
            assert reading.low_us is not None
            assert reading.high_us is not None
            missed += not reading.low_us <= true_us <= reading.high_us
    assert missed > 0
