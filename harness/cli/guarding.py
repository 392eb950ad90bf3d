"""The guardian of one run: started before boards are opened, dismissed once the bench is known to be safe."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from harness.bench.board import Board
from harness.bench.parts import Bench
from harness.cli.benches import Ready, wholly_simulated
from harness.cli.guardian import guardian_command
from harness.cli.output import program_version
from harness.clock import RealClock
from harness.record.journal import Journal
from harness.run.events import Event, Guarded, MadeSafe
from harness.run.guard import Guard, Way
from harness.run.guard_plan import EPHEMERAL_S, SIMULATED_S, UNARMED_S, Plan, deadline_s, guarded_specs
from harness.run.rig import no_beat
from harness.run.stopping import quietly

HANDED_OVER = (
    "panelproof: the guardian goes on making the bench safe; its lines follow here, also once this program"
    ' has ended, and begin with "panelproof guardian:"'
)


class Guarding:
    """A run's guardian, or none: over a virtual clock nothing lives on when the runner dies.

    `ephemeral`: the panel is served by the runner's own child, which ends with it.
    """

    def __init__(self, way: Way, *, wanted: bool, ephemeral: bool) -> None:
        """Where a server has to start too, the guardian starts beside it; else once the bench is locked."""
        self._guard = Guard(guardian_command(), way, RealClock()) if wanted and ephemeral else None
        self._wanted = wanted
        self._ephemeral = ephemeral
        self._boards: tuple[Board, ...] = ()
        self._deadline_s = 0.0

    @property
    def beat(self) -> Callable[[], None]:
        """What tells it that the run is alive."""
        return no_beat if self._guard is None else self._guard.beat

    def brief(self, ready: Ready, journal: Journal, identity: dict[str, str]) -> None:
        """Tell it the bench, so that it gets ready while the boards are opened. Raises BenchError."""
        if not self._wanted:
            return
        bench = ready.bench
        if self._guard is None:
            kept = ready.lock.descriptors
            self._guard = Guard(guardian_command(), bench.guardian, ready.clock, kept)
        self._deadline_s = deadline_s(bench.boards)
        plan = Plan(
            boards=guarded_specs(bench),
            contactor=bench.contactor,
            deadline_s=self._deadline_s,
            patience_s=EPHEMERAL_S if self._ephemeral else UNARMED_S,
            ephemeral=self._ephemeral,
            runner=os.getpid(),
            folder=str(journal.folder.resolve()),
            start_ns=journal.start_ns,
            program=program_version(),
            identity=identity,
        )
        self._guard.brief(plan)

    def arm(self, opened: Ready) -> None:
        """From here on outputs may move. Raises BenchError when nobody would guard."""
        if self._guard is None:
            return
        patience_s = EPHEMERAL_S if self._ephemeral else SIMULATED_S if opened.bench.simulated else None
        self._boards = tuple(opened.boards.values())
        self._guard.arm(opened.boards, patience_s)

    def told(self, at_us: int) -> list[Event]:
        """What the journal says of it; nothing where nobody guards."""
        if self._guard is None:
            return []
        return [Guarded(at_us=at_us, way=self._guard.way, deadline_ms=round(self._deadline_s * 1000))]

    def saw(self, event: Event) -> None:
        """An event of the run: after making safe, what is left may take long."""
        if self._guard is not None and isinstance(event, MadeSafe):
            self._guard.ending()

    def end(self, *, unsafe: bool) -> None:
        """Dismiss it, or let it take over where the last word to some board was not its safe state.

        Call it when the boards are closed and the record is sealed.
        """
        if self._guard is None:
            return
        guard, self._guard = self._guard, None
        left_on = unsafe or any(board.failing for board in self._boards)
        safe = self._ephemeral or not left_on
        with quietly():
            if not safe:
                _announce()
            guard.end(safe=safe)


def _announce() -> None:
    """Said before the guardian may speak: its lines come later, among what a person types next."""
    if sys.stderr is not None:
        with suppress(OSError, ValueError):
            sys.stderr.write(f"{HANDED_OVER}\n")
            sys.stderr.flush()


@contextmanager
def guarding(bench: Bench, *, virtual: bool) -> Iterator[Guarding]:
    """A guardian that starts up while the caller goes on. Raises BenchError."""
    kept = Guarding(bench.guardian, wanted=not virtual, ephemeral=wholly_simulated(bench))
    try:
        yield kept
    finally:
        kept.end(unsafe=False)
