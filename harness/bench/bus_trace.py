"""A bus trace: every frame of a board, one line each, for reading beside the protocol's document."""

from __future__ import annotations

from collections.abc import Callable
from typing import TextIO

from harness.errors import RecordError

Trace = Callable[[bool, bytes, int], None]


def trace_to(stream: TextIO, board: str) -> Trace:
    """A trace that writes `clock_ns board > hex` for a frame sent and `<` for bytes received.

    Its lines raise RecordError when they cannot be written.
    """

    def trace(sending: bool, frame: bytes, clock_ns: int) -> None:
        try:
            stream.write(f"{clock_ns} {board} {'>' if sending else '<'} {frame.hex(' ')}\n")
        except OSError as error:
            raise RecordError(f"bus trace of {board}: cannot be written ({error.strerror})") from error

    return trace
