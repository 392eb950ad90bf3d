"""A line of bytes to a board, as the exchanges use it: send all, receive what comes, by a deadline.

A line belongs to one exchange in one thread. Deadlines are moments of the clock that the line was made with,
in ns. Implementations: a serial port, a TCP connection, and the in-memory pipe of the tests, whose clock is a
virtual one; so nothing that sits on a line ever sleeps or asks for the time by itself.
"""

from __future__ import annotations

from typing import Protocol


class Line(Protocol):
    """An open line. Every method raises OSError when the line is lost, TimeoutError only where it says so."""

    def send(self, data: bytes, deadline_ns: int) -> None:
        """Hand all of `data` on. Raises TimeoutError when the line does not take it by the deadline."""

    def receive(self, most: int, deadline_ns: int) -> bytes:
        """What has come: at least one byte, at most `most`, as soon as there is any.

        Empty when the deadline passes without a byte; a deadline in the past asks for what is there already.
        A line that its other end closed raises ConnectionResetError.
        """

    def close(self) -> None:
        """Let go of it. May be called twice."""

    @property
    def descriptor(self) -> int | None:
        """The file descriptor, for another process to take over; None where there is none."""
