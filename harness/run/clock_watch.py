"""Watches the computer's own clocks during a run: sleep ends it, a step of the wall clock is a remark.

While the computer sleeps nothing is sampled and outputs stay as they are, and the monotonic clock of some
systems does not even count that time; so a run with a sleep in it proves nothing and ends as an error. Where
the system does not say that it slept, a gap that is longer than the boards can explain says so; a program
that was stopped and went on shows the same gap. Times of a run are monotonic: a stepped wall clock changes
none of them, and only the dates in the record have to be read with care.
"""

from __future__ import annotations

from collections.abc import Callable

from harness.clock import NS, Clock, Moment
from harness.errors import BenchError

LOOK_EVERY_NS = NS // 10
LEAST_NS = NS // 2
"""Sleeps and steps shorter than this between two looks are not told from how clocks run anyway."""
AT_ONCE_NS, TRIES = NS // 20, 3
BUSY_NS = 5 * NS
"""How long a busy computer may keep this program waiting, beside what boards may take."""


class ComputerSlept(BenchError):
    """The computer slept, or this program was stopped, during the run."""


class ClockWatch:
    """`longest_round_ns`: how long one round over all boards may take. `stepped` is told of each step."""

    def __init__(self, clock: Clock, longest_round_ns: int, stepped: Callable[[int, str], None]) -> None:
        self._clock = clock
        self._longest_ns = longest_round_ns + BUSY_NS
        self._stepped = stepped
        self._last: tuple[int, int, Moment] | None = None
        self.remarks: list[str] = []

    def look(self) -> int:
        """Look at all clocks; returns when to look again. Raises ComputerSlept."""
        read = self._read()
        if read is None:
            return self._clock.now_ns() + LOOK_EVERY_NS
        last, self._last = self._last, read
        now_ns, slept_ns, wall = read
        if last is not None:
            slept_ns -= last[1]
            self._refuse_sleep(slept_ns, now_ns - last[0])
            self._note_step(round((wall - last[2]).total_seconds() * NS) - (now_ns - last[0]) - slept_ns)
        return now_ns + LOOK_EVERY_NS

    def _read(self) -> tuple[int, int, Moment] | None:
        """All clocks at one moment; None when this program was kept waiting between them again and again,
        which would look like a sleep or a step that was not."""
        for _ in range(TRIES):
            before_ns = self._clock.now_ns()
            slept_ns, wall = self._clock.slept_ns(), self._clock.wall()
            if self._clock.now_ns() - before_ns < AT_ONCE_NS:
                return before_ns, slept_ns, wall
        return None

    def reason(self, error: BenchError) -> BenchError:
        """What ended the run: a board that does not answer after a sleep is not the board's fault."""
        try:
            self.look()
        except ComputerSlept as slept:
            slept.__cause__ = error
            return slept
        return error

    def _refuse_sleep(self, slept_ns: int, away_ns: int) -> None:
        if slept_ns >= LEAST_NS:
            raise ComputerSlept(f"the computer slept for {_seconds(slept_ns)} during the run; {_ADVICE}")
        if away_ns > self._longest_ns:
            raise ComputerSlept(
                f"the computer slept for {_seconds(away_ns)} during the run, or this program was stopped "
                f"for so long; {_ADVICE}"
            )

    def _note_step(self, by_ns: int) -> None:
        if abs(by_ns) < LEAST_NS:
            return
        by = f"{'+' if by_ns > 0 else '-'}{_seconds(abs(by_ns))}"
        text = (
            f"the computer's clock was stepped by {by} during the run; measured times are not affected, "
            "dates before and after it do not agree"
        )
        self.remarks.append(text)
        self._stepped(by_ns, text)


_ADVICE = "switch sleep off for this computer and start the run again"


def _seconds(duration_ns: int) -> str:
    return f"{duration_ns / NS:.1f} s" if duration_ns < 10 * NS else f"{duration_ns / NS:.0f} s"
