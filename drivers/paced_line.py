"""Characters on an emulated serial line at the pace of a real one. Pure: every moment is an argument.

A program hands a whole message to its port at once, and the wire takes its time over it: the first character
starts when the line is free, each next one right after the one before. What the program hands over later
starts then, and so leaves a silence. Deadlines are counted from the start of a message, so nothing adds up.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

_EVER = -(1 << 62)  # long before any clock began: a line that has always been silent


class Span(NamedTuple):
    """From the start of a first character to the end of a last one, ns."""

    start_ns: int
    end_ns: int


class LineTime:
    """One direction of a line: when what is handed over is on the wire."""

    def __init__(self, character_ns: int) -> None:
        self.character_ns = character_ns
        self.free_ns = _EVER

    def put(self, count: int, at_ns: int) -> Span:
        """When `count` characters handed over at `at_ns` are on the wire."""
        start_ns = max(at_ns, self.free_ns)
        self.free_ns = start_ns + count * self.character_ns
        return Span(start_ns, self.free_ns)


class Outgoing:
    """What is being sent: each character appears when its last bit is over."""

    def __init__(self, character_ns: int) -> None:
        self._time = LineTime(character_ns)
        self._waiting: deque[tuple[int, int]] = deque()

    def put(self, data: bytes, at_ns: int) -> Span:
        """Send `data` from `at_ns` on, or as soon as the line is free."""
        span = self._time.put(len(data), at_ns)
        for place, byte in enumerate(data, start=1):
            self._waiting.append((span.start_ns + place * self._time.character_ns, byte))
        return span

    @property
    def next_ns(self) -> int | None:
        """When the next character is over; None when nothing is being sent."""
        return self._waiting[0][0] if self._waiting else None

    def due(self, now_ns: int) -> bytes:
        """The characters that are over by now and were not given out before."""
        data = bytearray()
        while self._waiting and self._waiting[0][0] <= now_ns:
            data.append(self._waiting.popleft()[1])
        return bytes(data)


def earliest(*moments: int | None) -> int | None:
    """The first of the moments that there are."""
    return min((ns for ns in moments if ns is not None), default=None)
