"""What the guardian tells of its work: lines of its own journal, and one line a turn on standard error."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from typing import Any, TextIO

from harness.clock import Clock
from harness.errors import RecordError
from harness.record.guardian_log import place_for
from harness.record.journal import Journal
from harness.run.guard_plan import Plan
from harness.run.guard_watch import Ending

Entry = tuple[str, dict[str, Any], int]


class Report:
    """Takes what `MakingSafe` tells and keeps it; the record is written once the first round is over."""

    def __init__(self, plan: Plan, ending: Ending, err: TextIO | None, clock: Clock) -> None:
        self._plan = plan
        self._ending = ending
        self._err = err
        self._clock = clock
        self._entries: list[Entry] = [("runner gone", {"how": ending.how}, ending.noticed_ns)]
        self._journal: Journal | None = None
        self._folder, self._name = place_for(plan.folder)
        self._unwritten = ""
        self._told: Sequence[str] = ()

    def __call__(self, kind: str, data: dict[str, Any], at_ns: int) -> None:
        """Keep one thing that happened."""
        self._entries.append((kind, data, at_ns))

    def waiting(self, left: Sequence[str]) -> None:
        """A round was in vain: say so when it is news."""
        self._write()
        if left != self._told and not self._plan.ephemeral:
            self._told = left
            self._say(
                f"{self._gone}; NOT SAFE as far as is known: {', '.join(left)} cannot be reached; "
                f"switch the panel's supply off by hand. It keeps trying (process {os.getpid()})"
            )

    def ended(self, left: Sequence[str], unproved: Sequence[str]) -> None:
        """All is safe, or it was given up."""
        now_ns = self._clock.now_ns()
        after_us = (now_ns - self._ending.noticed_ns) // 1000
        text = (
            "the simulated panel ended with it" if left and self._plan.ephemeral else _outcome(left, unproved)
        )
        kind = "given up" if left else "made safe"
        data = {"proved": not left and not unproved, "after_us": after_us, "text": text}
        self(kind, data, now_ns)
        self._write()
        self._say(f"{self._gone}; {text}, {after_us / 1000:.0f} ms after that was noticed")
        if self._journal is not None:
            with suppress(RecordError):
                self._journal.close()

    @property
    def _gone(self) -> str:
        return f"guardian: the run ended by itself: {self._ending.how}"

    def _write(self) -> None:
        """Put on the disk what is kept. A record that cannot be written is said and then left."""
        entries, self._entries = self._entries, []
        if self._unwritten or not entries:
            return
        try:
            journal = self._journal = self._journal or self._opened()
            for kind, data, at_ns in entries:
                journal.append(kind, data, at_ns)
            journal.sync()
        except (RecordError, ValueError) as error:
            self._unwritten = f"; not recorded: {error}"

    def _opened(self) -> Journal:
        return Journal(
            self._folder,
            start_ns=self._plan.start_ns,
            wall=self._clock.wall(),
            version=self._plan.program,
            identity=self._plan.identity,
            name=self._name,
        )

    def _say(self, text: str) -> None:
        where = self._unwritten or f"; log: {self._folder / self._name}"
        if self._err is None:  # standard error was closed from the start
            return
        with suppress(OSError, ValueError):
            print(text + where, file=self._err, flush=True)


def _outcome(left: Sequence[str], unproved: Sequence[str]) -> str:
    if left:
        return f"given up on {', '.join(left)}, which cannot be reached"
    if unproved:
        return f"all outputs commanded safe, not proved on {', '.join(unproved)}"
    return "all outputs safe, read back from every board"
