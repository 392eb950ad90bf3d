"""Watching that a combination of states never shows for longer than allowed. Pure: shots in, readings out.

A polled input shows a combination in samples i to j. Its true length lies between `sent(j) - received(i)` and
`received(j+1) - sent(i-1)`. Longer than allowed for sure is `fail`; perhaps longer is `inconclusive`; with
nothing allowed, one sample that shows it is `fail`.
"""

from __future__ import annotations

from collections.abc import Callable

from harness.clock import NS
from harness.measure.reading import Reading, Verdict
from harness.run.channels import Channels, Pattern
from harness.run.sampling import Shot
from harness.sequence.steps import States, Watch


def words(states: States) -> str:
    """`Y4 on, Y1 off`."""
    return ", ".join(f"{tag} {'on' if on else 'off'}" for tag, on in states.items())


class Vigil:
    """One watch during one step."""

    def __init__(self, watch: Watch, channels: Channels, at_us: Callable[[int], int]) -> None:
        self.watch = watch
        self._pattern: Pattern = channels.pattern(watch.states)
        self._at_us = at_us
        self._before: Shot | None = None
        self._first: Shot | None = None
        self._outer_start_ns = 0
        self._last: Shot | None = None
        self._worst: tuple[int, int, int] | None = None
        self._times = 0

    def see(self, shot: Shot) -> None:
        """Take the next round."""
        if self._pattern.shown_by(shot.word):
            if self._first is None:
                self._first = shot
                self._outer_start_ns = shot.sent_ns if self._before is None else self._before.sent_ns
            self._last = shot
        elif self._first is not None:
            self._close(shot.received_ns)
        self._before = shot

    def _close(self, outer_end_ns: int) -> None:
        assert self._first is not None
        assert self._last is not None
        shortest = max(0, self._last.sent_ns - self._first.received_ns)
        longest = outer_end_ns - self._outer_start_ns
        self._times += 1
        if self._worst is None or shortest >= self._worst[0]:
            self._worst = (shortest, longest, self._first.received_ns)
        self._first = self._last = None

    def reading(self) -> Reading:
        """What the watch found over the whole step."""
        if self._first is not None and self._before is not None:
            self._close(self._before.received_ns)
        allowed_ns = round(self.watch.longest_s * NS)
        expected = f"not {words(self.watch.states)}"
        if allowed_ns:
            expected += f" for more than {self.watch.longest_s * 1e3:g} ms"
        if self._worst is None:
            return self._made(expected, "never shown", Verdict.PASS)
        shortest, longest, at_ns = self._worst
        read = f"shown for {shortest / 1e6:.1f} to {longest / 1e6:.1f} ms at {self._at_us(at_ns) / 1e6:.3f} s"
        verdict = self._judge(shortest, longest, allowed_ns)
        return self._made(expected, read, verdict, shortest, longest, allowed_ns)

    def _judge(self, shortest: int, longest: int, allowed_ns: int) -> Verdict:
        if not allowed_ns or shortest > allowed_ns:
            return Verdict.FAIL
        return Verdict.INCONCLUSIVE if longest > allowed_ns else Verdict.PASS

    def _made(
        self, expected: str, read: str, verdict: Verdict, low: int = 0, high: int = 0, allowed_ns: int = 0
    ) -> Reading:
        shown = self._worst is not None
        return Reading(
            of=" ".join(self.watch.states),
            quantity="watch",
            unit="us",
            expected=expected,
            read=read,
            verdict=verdict,
            low_us=low // 1000 if shown else None,
            high_us=-(-high // 1000) if shown else None,
            late_us=(low - allowed_ns) // 1000 if verdict is Verdict.FAIL else None,
            note=self.watch.why,
        )
