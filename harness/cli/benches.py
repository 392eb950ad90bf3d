"""The bench of a run, made ready: in virtual time, simulated over a wire, or real. Boards open on entry."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TextIO

from harness.bench.board import Board, Identity
from harness.bench.bus_trace import trace_to
from harness.bench.hands import HAND, hand_board_spec, hand_channels
from harness.bench.parts import Bench
from harness.bench.registry import make_board, simulator
from harness.bench.wire import wire_specs
from harness.cli.server import served
from harness.clock import Clock, RealClock, VirtualClock
from harness.errors import BenchUnsafe, UsageError
from harness.panel.parts import Panel
from harness.run.bench_lock import UNLOCKED, BenchLock, held
from harness.run.hands import SimulatedHands

SIMULATED = "simulated"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the command line asks for."""

    panel_path: Path
    bench_path: Path
    virtual: bool
    faults: tuple[str, ...]
    seed: int
    trace: str | None
    sequence: str = ""


@dataclass(frozen=True, slots=True)
class Ready:
    """Boards made, not yet open, the clock they are stamped with, and the lock that keeps others off."""

    bench: Bench
    boards: dict[str, Board]
    clock: Clock
    lock: BenchLock = UNLOCKED


def check_wanted(bench: Bench, wanted: Wanted, panel_serial: str) -> None:
    """Refuse words that do not go together. Raises UsageError."""
    simulated = wholly_simulated(bench)
    if wanted.virtual and not simulated:
        raise UsageError(
            f"--virtual-time never goes with a real board; bench {bench.tag} has driver "
            f"{', '.join(sorted({b.driver for b in bench.boards} - {SIMULATED}))}"
        )
    if wanted.faults and not simulated:
        raise UsageError(
            "--fault seeds a simulated bench only; for a panel served elsewhere, use panelproof serve --fault"
        )
    if panel_serial and (simulated or bench.simulated):
        raise UsageError("--panel-serial is refused on a simulated bench: no panel is tested")


def wholly_simulated(bench: Bench) -> bool:
    """Whether every board of the bench is the simulated kind."""
    return all(board.driver == SIMULATED for board in bench.boards)


@contextmanager
def made_ready(panel: Panel, bench: Bench, wanted: Wanted) -> Iterator[Ready]:
    """The boards of the run. Servers, trace files and locks end with it; who opens the boards closes them."""
    with ExitStack() as stack:
        if wanted.virtual:
            yield _virtual(panel, bench, wanted)
            return
        if wholly_simulated(bench):
            address = stack.enter_context(
                served(wanted.panel_path, wanted.bench_path, wanted.faults, wanted.seed)
            )
            bench, lock = wire_specs(bench, panel, *address), UNLOCKED  # a server that nobody else knows
        else:
            lock = stack.enter_context(held(bench, wanted.sequence, RealClock()))
        clock = RealClock()
        boards = {spec.name: make_board(spec, clock) for spec in bench.boards}
        if wanted.trace:
            stream = stack.enter_context(_open_trace(wanted.trace))
            for name, board in boards.items():
                board.trace = trace_to(stream, name)
        yield Ready(bench, boards, clock, lock)


def _virtual(panel: Panel, bench: Bench, wanted: Wanted) -> Ready:
    clock = VirtualClock()
    boards = simulator()(panel, bench, clock, seed=wanted.seed, faults=wanted.faults)
    return Ready(replace(bench, simulated=True), boards, clock)


def _open_trace(name: str) -> TextIO:
    try:
        return Path(name).open("w", encoding="ascii")
    except OSError as error:
        raise UsageError(f"--trace {name}: cannot be written ({error.strerror})") from error


def identified(ready: Ready, panel: Panel) -> tuple[Ready, dict[str, Identity]]:
    """Open every board and ask what it is; a panel served by this program brings its hands along.

    Raises BoardAbsent and the like; boards opened so far stay open for the caller to close.
    """
    identities: dict[str, Identity] = {}
    for name, board in ready.boards.items():
        board.open()
        identities[name] = board.identify()
    _refuse_false_claim(ready, identities)
    simulated = ready.bench.simulated or any(i.simulated for i in identities.values())
    bench = replace(ready.bench, simulated=simulated)
    boards = dict(ready.boards)
    served_here = [n for n, i in identities.items() if i.simulated]
    if bench.hand_set and HAND not in boards and served_here:
        spec = hand_board_spec(bench, panel, bench.board(served_here[0]))
        boards[HAND] = make_board(spec, ready.clock)
        boards[HAND].open()
        identities[HAND] = boards[HAND].identify()
    return replace(ready, bench=bench, boards=boards), identities


def _refuse_false_claim(ready: Ready, identities: dict[str, Identity]) -> None:
    """`simulated: true` over a board that does not say so itself could move a real panel unguarded."""
    silent = [name for name, identity in identities.items() if not identity.simulated]
    if ready.bench.simulated and silent:
        raise BenchUnsafe(
            f"bench {ready.bench.tag} calls itself simulated, but board {silent[0]} does not say that it is; "
            "take 'simulated: true' out of the bench file if a panel is connected"
        )
    if silent and len(silent) < len(identities):
        raise BenchUnsafe(
            f"bench {ready.bench.tag} mixes boards that say they are simulated with {', '.join(silent)}, "
            "which does not; use one kind in one bench"
        )


def hands_of(ready: Ready, panel: Panel) -> SimulatedHands | None:
    """The simulated hands, where the bench has them."""
    if HAND not in ready.boards:
        return None
    return SimulatedHands(ready.boards[HAND], hand_channels(ready.bench.hand_set, panel.positions))
