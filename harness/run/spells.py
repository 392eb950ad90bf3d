"""How long something showed in polled inputs, as bounds. Pure.

Shown in samples i to j, its true length lies between `sent(j) - received(i)` less the slack and
`received(j+1) - sent(i-1)` plus the slack: input age and filter, by which either end may be reported late.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.run.sampling import Shot


@dataclass(frozen=True, slots=True)
class Spell:
    """Bounds of the length in ns, and when it was first seen (clock ns)."""

    shortest_ns: int
    longest_ns: int
    seen_ns: int


class Spells:
    """Collects spells; keeps the worst and their number."""

    def __init__(self, slack_ns: int) -> None:
        self._slack_ns = slack_ns
        self.worst: Spell | None = None
        self.count = 0
        self._before: Shot | None = None
        self._first: Shot | None = None
        self._last: Shot | None = None
        self._outer_start_ns = 0

    def see(self, shot: Shot, showing: bool) -> None:
        """Take the next round."""
        if showing:
            if self._first is None:
                self._first = shot
                self._outer_start_ns = shot.sent_ns if self._before is None else self._before.sent_ns
            self._last = shot
        elif self._first is not None:
            self._close(shot.received_ns)
        self._before = shot

    def finish(self) -> Spell | None:
        """End a spell that is still showing; the worst of all."""
        if self._first is not None and self._before is not None:
            self._close(self._before.received_ns)
        return self.worst

    def _close(self, outer_end_ns: int) -> None:
        assert self._first is not None
        assert self._last is not None
        spell = Spell(
            max(0, self._last.sent_ns - self._first.received_ns - self._slack_ns),
            outer_end_ns - self._outer_start_ns + self._slack_ns,
            self._first.received_ns,
        )
        self.count += 1
        if self.worst is None or spell.longest_ns > self.worst.longest_ns:
            self.worst = spell
        self._first = self._last = None
