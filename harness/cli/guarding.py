"""The guardian of one run: started before boards are opened, dismissed once the bench is known to be safe."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

from harness.bench.board import Board
from harness.bench.parts import Bench
from harness.cli.benches import Ready, wholly_simulated
from harness.cli.guardian import guardian_command
from harness.cli.output import program_version
from harness.clock import RealClock
from harness.record.journal import Journal
from harness.run.events import Event, MadeSafe
from harness.run.guard import Guard
from harness.run.guard_plan import EPHEMERAL_S, SIMULATED_S, UNARMED_S, Plan, deadline_s, guarded_specs
from harness.run.rig import no_beat
from harness.run.stopping import quietly


class Guarding:
    """A run's guardian, or none: over a virtual clock nothing lives on when the runner dies.

    `ephemeral`: the panel is served by the runner's own child, which ends with it.
    """

    def __init__(self, guard: Guard | None, *, ephemeral: bool) -> None:
        self._guard = guard
        self._ephemeral = ephemeral
        self._boards: tuple[Board, ...] = ()
        self._unsafe = False
        self.beat = no_beat if guard is None else guard.beat

    def brief(self, bench: Bench, journal: Journal, identity: dict[str, str]) -> None:
        """Tell it the bench, so that it gets ready while the boards are opened."""
        if self._guard is None:
            return
        plan = Plan(
            boards=guarded_specs(bench),
            contactor=bench.contactor,
            deadline_s=deadline_s(bench.boards),
            patience_s=EPHEMERAL_S if self._ephemeral else UNARMED_S,
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
        with quietly():
            guard.end(safe=self._ephemeral or not left_on)


@contextmanager
def guarding(bench: Bench, *, virtual: bool) -> Iterator[Guarding]:
    """A guardian that starts up while the caller goes on. Raises BenchError."""
    guard = None if virtual else Guard(guardian_command(), bench.guardian, RealClock())
    kept = Guarding(guard, ephemeral=wholly_simulated(bench))
    try:
        yield kept
    finally:
        kept.end(unsafe=False)
