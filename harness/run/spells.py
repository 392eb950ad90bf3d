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


@dataclass(frozen=True, slots=True)
class Open:
    """A spell that has not ended: the sample before it, as far as there was one, and its first and last."""

    before: Shot | None
    first: Shot
    last: Shot


class Spells:
    """Collects spells: the one that surely was longest, the one that perhaps was, and their number.

    `before` is the last sample seen before; `open_spell` one that it belongs to and that still shows.
    """

    def __init__(self, slack_ns: int, before: Shot | None = None, open_spell: Open | None = None) -> None:
        self._slack_ns = slack_ns
        self._before = before
        self.open_spell = open_spell
        self.surely: Spell | None = None
        self.perhaps: Spell | None = None
        self.count = 0

    def see(self, shot: Shot, showing: bool) -> None:
        """Take the next round."""
        spell = self.open_spell
        if showing:
            first, before = (spell.first, spell.before) if spell else (shot, self._before)
            self.open_spell = Open(before, first, shot)
        elif spell is not None:
            self._close(spell, shot)
            self.open_spell = None
        self._before = shot

    def skip_to(self, shot: Shot) -> None:
        """A round that did not show it, taken without more ado."""
        self._before = shot

    def finish(self) -> None:
        """Count a spell that is still showing, for as long as it has been seen."""
        if self.open_spell is not None and self._before is not None:
            self._close(self.open_spell, self._before)

    def _close(self, spell: Open, end: Shot) -> None:
        start_ns = (spell.before or spell.first).sent_ns
        made = Spell(
            max(0, spell.last.sent_ns - spell.first.received_ns - self._slack_ns),
            end.received_ns - start_ns + self._slack_ns,
            spell.first.received_ns,
        )
        self.count += 1
        if self.surely is None or made.shortest_ns > self.surely.shortest_ns:
            self.surely = made
        if self.perhaps is None or made.longest_ns > self.perhaps.longest_ns:
            self.perhaps = made
