"""Being stopped from outside: Ctrl-C and SIGTERM end a run through its safe state, and only once."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Terminated(BaseException):
    """SIGTERM arrived. Not an Exception, so that nothing but the run's own end catches it."""


def _raise_terminated(_number: int, _frame: FrameType | None) -> None:
    raise Terminated


@contextmanager
def terminable() -> Iterator[None]:
    """Within, SIGTERM raises Terminated in the main thread. Use from the main thread only."""
    before = signal.signal(signal.SIGTERM, _raise_terminated)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


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


_SIGNALS = (signal.SIGINT, signal.SIGTERM)
