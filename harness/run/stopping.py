"""Being stopped from outside: Ctrl-C and SIGTERM end a run through its safe state, and only once."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Terminated(BaseException):
    """SIGTERM, SIGHUP or SIGQUIT arrived. No Exception: nothing but the run's own end catches it."""


def _raise_terminated(_number: int, _frame: FrameType | None) -> None:
    raise Terminated


@contextmanager
def terminable() -> Iterator[None]:
    """Within, SIGTERM, a closed terminal and SIGQUIT raise Terminated in the main thread, and Ctrl-Z does
    nothing, because a run that is put to sleep would leave outputs on. Use from the main thread only."""
    before = {number: signal.signal(number, _raise_terminated) for number in _ENDING}
    before |= {number: signal.signal(number, signal.SIG_IGN) for number in _SLEEPING}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def quietly() -> Iterator[None]:
    """Within, further Ctrl-C and SIGTERM wait until the bench is safe; outside the main thread, nothing."""
    held: list[int] = []
    try:
        before = {number: signal.signal(number, lambda n, _f: held.append(n)) for number in _SIGNALS}
    except ValueError:  # not the main thread: no signal reaches it
        yield
        return
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _known(*names: str) -> tuple[signal.Signals, ...]:
    """Those of the named signals that this system has."""
    return tuple(getattr(signal, name) for name in names if hasattr(signal, name))


_ENDING = _known("SIGTERM", "SIGHUP", "SIGQUIT")
_SLEEPING = _known("SIGTSTP")
_SIGNALS = (signal.SIGINT, *_ENDING)
