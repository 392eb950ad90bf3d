"""The only place that touches time: a clock to read, and to wait on. Times are integer nanoseconds."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol

NS = 1_000_000_000
Moment = datetime
"""A wall-clock time with its zone, for records."""


def rfc3339(moment: Moment) -> str:
    """`moment` as RFC 3339 text in UTC, to the millisecond below. Raises ValueError when it has no zone."""
    if moment.tzinfo is None:
        raise ValueError(f"{moment} has no time zone; a record states UTC")
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"


class Clock(Protocol):
    """A monotonic clock. `now_ns` never goes back; `wall` is for records, no time of a run is made from it.

    `slept_ns`: how long the computer has been asleep without `now_ns` counting it; only differences mean
    something. 0 for ever where the system does not say.
    """

    def now_ns(self) -> int: ...

    def sleep_until(self, deadline_ns: int) -> None: ...

    def wall(self) -> datetime: ...

    def slept_ns(self) -> int: ...


class RealClock:
    """The computer's monotonic clock and its wall clock in UTC."""

    now_ns = staticmethod(time.perf_counter_ns)  # itself, not a method around it: two calls at every poll

    def sleep_until(self, deadline_ns: int) -> None:
        remaining = deadline_ns - time.perf_counter_ns()
        if remaining > 0:
            time.sleep(remaining / NS)

    def wall(self) -> datetime:
        return datetime.now(UTC)

    def slept_ns(self) -> int:
        """CLOCK_BOOTTIME counts sleep and CLOCK_MONOTONIC does not (clock_gettime(2) of Linux).

        What keeps this program waiting between the two readings makes the figure wrong by as much.
        """
        if not hasattr(time, "CLOCK_BOOTTIME"):
            return 0
        since_boot_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
        return since_boot_ns - time.clock_gettime_ns(time.CLOCK_MONOTONIC)


class VirtualClock:
    """A clock that moves only when told; waiting is free. Not modelled: jitter and drift."""

    def __init__(self, *, start_ns: int = 0, epoch: datetime = datetime(2000, 1, 1, tzinfo=UTC)) -> None:
        self._now_ns = start_ns
        self._epoch = epoch
        self._slept_ns = 0

    def now_ns(self) -> int:
        return self._now_ns

    def slept_ns(self) -> int:
        return self._slept_ns

    def suspend(self, duration_ns: int) -> None:
        """The computer sleeps: the wall clock goes on, `now_ns` stands."""
        self._slept_ns += duration_ns

    def step_wall(self, by_ns: int) -> None:
        """Somebody sets the wall clock."""
        self._epoch += timedelta(microseconds=by_ns // 1000)

    def advance(self, duration_ns: int) -> None:
        """Move on by `duration_ns` >= 0. Raises ValueError when asked to go back."""
        if duration_ns < 0:
            raise ValueError(f"time cannot go backwards (by {duration_ns} ns)")
        self._now_ns += duration_ns

    def sleep_until(self, deadline_ns: int) -> None:
        self._now_ns = max(self._now_ns, deadline_ns)

    def wall(self) -> datetime:
        return self._epoch + timedelta(microseconds=(self._now_ns + self._slept_ns) // 1000)
