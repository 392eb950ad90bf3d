"""What the guardian tells of its work: lines of its own journal, and one line a turn on standard error."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, TextIO

from harness.clock import Clock
from harness.errors import RecordError
from harness.record.guardian_log import place_for
from harness.record.journal import Journal
from harness.run.guard_plan import Plan
from harness.run.guard_safe import UNREACHED
from harness.run.guard_watch import Ending

Entry = tuple[str, dict[str, Any], int]


BEGINNING = "panelproof guardian:"
"""Begins every line: it may come behind the prompt of a shell, long after the run has returned."""

UNSAFE = "NOT SAFE as far as is known: switch the panel's supply off by hand"


@dataclass(frozen=True, slots=True)
class Patience:
    """How long is tried, None for ever. Once `armed`, only boards that say they are simulated are left."""

    seconds: float | None
    armed: bool

    @property
    def going_on(self) -> str:
        """How it goes on after a round in vain."""
        words = f"It keeps trying (process {os.getpid()})"
        if self.seconds is None:
            return words
        why = ", because the bench is simulated" if self.armed else ""
        return f"{words}, for {self.seconds:g} s{why}"

    def given_up(self, troubles: Mapping[str, str]) -> str:
        """What is left undone, and why it is not tried for ever."""
        after = f"after {self.seconds or 0:g} s"
        if not self.armed:
            return (
                f"given up on {_each(troubles, ', which ')}, {after}, because the run had switched nothing;"
                f" {UNSAFE}"
            )
        unreached = all(trouble == UNREACHED for trouble in troubles.values())
        if unreached:
            they = "it is" if len(troubles) == 1 else "they are"
            because = f"because {they} simulated and no panel is there"
            return f"given up on {', '.join(troubles)} {after}, {because}; on a real bench it keeps trying"
        return (
            f"given up on {_each(troubles, ', which ')}, {after}, because the bench is simulated;"
            " on a real bench it keeps trying"
        )


def _each(troubles: Mapping[str, str], between: str) -> str:
    return "; ".join(f"{name}{between}{trouble}" for name, trouble in troubles.items())


class Report:
    """Takes what `MakingSafe` tells and keeps it; the record is written once the first round is over."""

    def __init__(
        self, plan: Plan, ending: Ending, err: TextIO | None, clock: Clock, patience: Patience
    ) -> None:
        self._plan = plan
        self._ending = ending
        self._err = err
        self._clock = clock
        self._patience = patience
        self._entries: list[Entry] = [("runner gone", {"how": ending.how}, ending.noticed_ns)]
        self._journal: Journal | None = None
        self._folder, self._name = place_for(plan.folder)
        self._unwritten = ""
        self._told: Mapping[str, str] = {}

    def __call__(self, kind: str, data: dict[str, Any], at_ns: int) -> None:
        """Keep one thing that happened."""
        self._entries.append((kind, data, at_ns))

    def waiting(self, left: Mapping[str, str]) -> None:
        """A round was in vain: say so when it is news."""
        self._write()
        if left != self._told and not self._plan.ephemeral:
            self._told = left
            self._say(f"{self._gone}; {UNSAFE}; {_each(left, ' ')}. {self._patience.going_on}")

    def ended(self, left: Mapping[str, str], unproved: Sequence[str]) -> None:
        """All is safe, or it was given up."""
        now_ns = self._clock.now_ns()
        after_us = (now_ns - self._ending.noticed_ns) // 1000
        text = self._outcome(left, unproved)
        kind = "given up" if left else "made safe"
        data = {"proved": not left and not unproved, "after_us": after_us, "text": text}
        self(kind, data, now_ns)
        self._write()
        when = "" if left else f", {after_us / 1000:.0f} ms after that was noticed"
        self._say(f"{self._gone}; {text}{when}")
        if self._journal is not None:
            with suppress(RecordError):
                self._journal.close()

    def _outcome(self, left: Mapping[str, str], unproved: Sequence[str]) -> str:
        if left and self._plan.ephemeral:
            return "the simulated panel ended with it"
        if left:
            return self._patience.given_up(left)
        if unproved:
            return f"all outputs commanded safe, not proved on {', '.join(unproved)}"
        return "all outputs safe, read back from every board"

    @property
    def _gone(self) -> str:
        return f"{BEGINNING} {self._ending.how}"

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
