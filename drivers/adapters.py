"""How quickly a serial adapter hands bytes on: what the system says of it, and asking it to be quick.

A USB adapter may keep bytes back until its latency timer runs out (often 16 ms), so that a time taken over it
is that coarse. Where the system shows the timer it is set to 1 ms; what came of it is said in words, for the
record. Whoever judges times must know it.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

SYSFS = Path("/sys")
_PLACES = ("class/tty/{name}/device/latency_timer", "bus/usb-serial/devices/{name}/latency_timer")


def timer_file(port: str, sysfs: Path = SYSFS) -> Path | None:
    """The file that holds a port's latency timer in ms; None where there is none."""
    name = Path(os.path.realpath(port)).name
    places = (sysfs / place.format(name=name) for place in _PLACES)
    return next((place for place in places if place.is_file()), None)


def latency_ms(port: str, sysfs: Path = SYSFS) -> int | None:
    """A port's latency timer; None where there is none, or none that can be read."""
    found = timer_file(port, sysfs)
    try:
        return int(found.read_text(encoding="ascii").strip()) if found else None
    except (OSError, ValueError):
        return None


def quicken(low_latency: Callable[[bool], None] | None, port: str, sysfs: Path = SYSFS) -> tuple[str, ...]:
    """Ask driver and adapter to hand bytes on at once; what came of it, in words.

    `low_latency` is the open port's own way to ask the driver, which may refuse it by an exception.
    """
    remarks = (_asked(low_latency), _timer_remark(port, sysfs))
    return tuple(remark for remark in remarks if remark)


def _asked(low_latency: Callable[[bool], None] | None) -> str:
    if low_latency is None:
        return ""
    try:
        low_latency(True)
    except (ValueError, OSError, NotImplementedError):
        return "low-latency mode not offered by the port's driver"
    return "low-latency mode set"


def _timer_remark(port: str, sysfs: Path) -> str:
    found, before = timer_file(port, sysfs), latency_ms(port, sysfs)
    if found is None or before is None:
        return ""
    if before <= 1:
        return f"latency timer {before} ms"
    try:
        found.write_text("1", encoding="ascii")
    except OSError as error:
        cause = "no rights" if isinstance(error, PermissionError) else (error.strerror or "refused").lower()
        return f"latency timer {before} ms, cannot be set: {cause}; {_coarse(before)}"
    after = latency_ms(port, sysfs)
    if after == 1:
        return f"latency timer set from {before} ms to 1 ms"
    return f"latency timer {after} ms, does not take 1 ms; {_coarse(after or before)}"


def _coarse(timer_ms: int) -> str:
    return f"times below {timer_ms} ms are that coarse"
