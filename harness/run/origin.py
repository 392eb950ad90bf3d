"""Clock nanoseconds as the run's microseconds, rounded outward so that bounds from the record hold too."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Origin:
    """The start of a run on its monotonic clock, a whole microsecond."""

    start_ns: int

    def down_us(self, at_ns: int) -> int:
        """For moments of sending, and moments in general."""
        return (at_ns - self.start_ns) // 1000

    def up_us(self, at_ns: int) -> int:
        """For moments of receipt."""
        return -(-(at_ns - self.start_ns) // 1000)
