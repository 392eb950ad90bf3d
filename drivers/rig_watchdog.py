"""The communication watchdog of a simulated board: armed, fed by requests, and a trip at an exact moment.

Its registers are those that the bench file's settings name for a Modbus board: writing the time-out register
arms it, 0 disarms it. Any request to the board feeds it, unless a register for feeding is named: then only a
write to that does. Where a register for clearing is named the board latches: once tripped it takes commands
without obeying them until it is cleared. Without one the next command simply works again.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from harness.bench.parts import BoardSpec
from harness.bench.wire import watchdog_settings
from harness.clock import NS
from harness.units import TIME, parse

LATE = 3
"""How many times its time-out a watchdog takes that is broken so that it trips late."""


@dataclass(slots=True)
class RigWatchdog:
    """One board's watchdog. `broken` is for tests: it never trips, or trips late."""

    register: int
    count_ns: int
    clear_register: int | None = None
    clear_value: int = 0
    feed_register: int | None = None
    broken: Literal["", "never", "late"] = ""
    tripped: bool = False
    counts: int = 0
    _fed_ns: int = field(default=0)

    @property
    def deadline_ns(self) -> int | None:
        """When it will trip if nothing feeds it; None while it cannot."""
        if not self.counts or self.tripped or self.broken == "never":
            return None
        return self._fed_ns + self.counts * self.count_ns * (LATE if self.broken == "late" else 1)

    @property
    def holds(self) -> bool:
        """Whether it keeps the board from obeying."""
        return self.tripped and self.clear_register is not None

    def heard(self, now_ns: int) -> None:
        """A request came."""
        if self.feed_register is None:
            self._fed_ns = now_ns

    def commanded(self, now_ns: int) -> None:
        """The board obeys a command: a watchdog that does not latch begins anew."""
        if self.tripped:
            self.tripped, self._fed_ns = False, now_ns

    def arm(self, counts: int, now_ns: int) -> None:
        """The time-out register was written."""
        self.counts, self._fed_ns = counts, now_ns

    def clear(self, value: int, now_ns: int) -> None:
        """The register for clearing was written."""
        if value == self.clear_value:
            self.tripped, self._fed_ns = False, now_ns

    def feed(self, now_ns: int) -> None:
        """The register for feeding was written."""
        self._fed_ns = now_ns


def watchdog_of(spec: BoardSpec) -> RigWatchdog | None:
    """The watchdog that a board has by its bench file, disarmed; None where it has none."""
    if spec.watchdog is None:
        return None
    settings = watchdog_settings(spec)
    clear, feed = settings.get("watchdog clear register"), settings.get("watchdog feed register")
    return RigWatchdog(
        register=int(settings["watchdog register"]),
        count_ns=round(parse(str(settings["watchdog count"]), TIME) * NS),
        clear_register=None if clear is None else int(clear),
        clear_value=int(settings.get("watchdog clear value", 0)),
        feed_register=None if feed is None else int(feed),
    )
