"""Watching that a combination of states never shows for longer than allowed: shots in, a reading out.

Longer than allowed for sure is `fail`; perhaps longer is `inconclusive`; with nothing allowed, one sample
that shows the combination is `fail`.
"""

from __future__ import annotations

from collections.abc import Callable

from harness.clock import NS
from harness.measure.reading import Reading, Verdict
from harness.run.channels import Channels
from harness.run.sampling import Shot
from harness.run.spells import Open, Spell, Spells
from harness.sequence.steps import States, Watch


def words(states: States) -> str:
    """`Y4 on, Y1 off`."""
    return ", ".join(f"{tag} {'on' if on else 'off'}" for tag, on in states.items())


class Vigil:
    """One watch during one step.

    `before` is the last sample of the step before, `open_spell` what was showing there under the same watch,
    so that no time is lost between two steps.
    """

    def __init__(
        self,
        watch: Watch,
        channels: Channels,
        at_us: Callable[[int], int],
        before: Shot | None = None,
        open_spell: Open | None = None,
    ) -> None:
        self.watch = watch
        self._pattern = channels.pattern(watch.states)
        self._at_us = at_us
        self._spells = Spells(channels.slack_ns, before, open_spell)

    def see(self, shot: Shot) -> None:
        """Take the next round."""
        self._spells.see(shot, self._pattern.shown_by(shot.word))

    @property
    def open_spell(self) -> Open | None:
        """What is still showing."""
        return self._spells.open_spell

    def reading(self) -> Reading:
        """What the watch found over the whole step."""
        self._spells.finish()
        allowed_ns = round(self.watch.longest_s * NS)
        verdict = _judge(self._spells, allowed_ns)
        spell = self._spells.surely if verdict is Verdict.FAIL else self._spells.perhaps
        return Reading(
            of=" ".join(self.watch.states),
            quantity="watch",
            unit="us",
            expected=self._expected(),
            read=self._read(spell),
            verdict=verdict,
            low_us=None if spell is None else spell.shortest_ns // 1000,
            high_us=None if spell is None else -(-spell.longest_ns // 1000),
            late_us=_over(spell, allowed_ns) if verdict is Verdict.FAIL else None,
            note=self.watch.why,
        )

    def _expected(self) -> str:
        longest_ms = self.watch.longest_s * 1e3
        limit = f" for more than {longest_ms:g} ms" if longest_ms else ""
        return f"never {words(self.watch.states)} together{limit}"

    def _read(self, spell: Spell | None) -> str:
        if spell is None:
            return "never shown"
        return (
            f"so for {spell.shortest_ns / 1e6:.1f} to {spell.longest_ns / 1e6:.1f} ms, "
            f"first seen {self._at_us(spell.seen_ns) / 1e6:.3f} s into the run"
        )


def key_of(watch: Watch) -> tuple[object, ...]:
    """What makes two watches of different steps the same watch."""
    return (tuple(sorted(watch.states.items())), watch.longest_s)


def _judge(spells: Spells, allowed_ns: int) -> Verdict:
    if spells.surely is None or spells.perhaps is None:
        return Verdict.PASS
    if not allowed_ns or spells.surely.shortest_ns > allowed_ns:
        return Verdict.FAIL
    return Verdict.INCONCLUSIVE if spells.perhaps.longest_ns > allowed_ns else Verdict.PASS


def _over(spell: Spell | None, allowed_ns: int) -> int:
    return 0 if spell is None else max(0, spell.shortest_ns - allowed_ns) // 1000
