"""A bus trace: every frame of a board, one line each, for reading beside the protocol's document."""

from __future__ import annotations

from collections.abc import Callable
from typing import TextIO

Trace = Callable[[bool, bytes, int], None]


def trace_to(stream: TextIO, board: str) -> Trace:
    """A trace that writes `clock_ns board > hex` for a frame sent and `<` for bytes received."""

    def trace(sending: bool, frame: bytes, clock_ns: int) -> None:
        stream.write(f"{clock_ns} {board} {'>' if sending else '<'} {frame.hex(' ')}\n")

    return trace
