"""Being stopped from outside: Ctrl-C and SIGTERM end a run through its safe state, and only once."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Terminated(BaseException):
    """SIGTERM, SIGHUP or SIGQUIT arrived. No Exception: nothing but the run's own end catches it."""


@contextmanager
def terminable() -> Iterator[None]:
    """Within, Ctrl-C raises KeyboardInterrupt, and SIGTERM, a closed terminal and SIGQUIT raise Terminated.

    Only the first of them does: the end that it begins must not be ended itself. Ctrl-Z does nothing, because
    a run that is put to sleep would leave outputs on. Use from the main thread only.
    """

    def end(number: int, _frame: FrameType | None) -> None:
        for other in _SIGNALS:
            signal.signal(other, _heed_no_more)
        raise KeyboardInterrupt if number == signal.SIGINT else Terminated

    before = {number: signal.signal(number, end) for number in _SIGNALS}
    before |= {number: signal.signal(number, signal.SIG_IGN) for number in _SLEEPING}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _heed_no_more(_number: int, _frame: FrameType | None) -> None:
    """The run is ending already."""


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
