"""A text-line device on a served line: at once, or with each character in its own time."""

from __future__ import annotations

from collections import deque
from typing import Protocol

from drivers.paced_line import LineTime, Outgoing, earliest


class TextPart(Protocol):
    """The device: told bytes as they come, gives what it says to them; `look` whenever time has passed."""

    def feed(self, data: bytes) -> bytes: ...

    def look(self) -> None: ...


class PlainText:
    """For a line that keeps its own pace, or none."""

    def __init__(self, device: TextPart) -> None:
        self._device = device
        self._said = b""
        self._heard_ns: int | None = None

    @property
    def next_ns(self) -> int | None:
        """At once when there is something to say."""
        return self._heard_ns

    def hear(self, data: bytes, now_ns: int) -> None:
        """`data` has come in."""
        self._said += self._device.feed(data)
        self._heard_ns = now_ns if self._said else None

    def step(self, now_ns: int) -> bytes:  # noqa: ARG002 - whatever there is, is due
        """What is to be sent now."""
        self._device.look()
        said, self._said, self._heard_ns = self._said, b"", None
        return said


class PacedText:
    """The device on an emulated line: it hears each character when that is over, and says so too.

    Both directions go at once. `turnaround_ns` lies between the end of a line and its answer.
    """

    def __init__(self, device: TextPart, character_ns: int, turnaround_ns: int = 0) -> None:
        self._device = device
        self._turnaround_ns = turnaround_ns
        self._incoming = LineTime(character_ns)
        self._outgoing = Outgoing(character_ns)
        self._coming: deque[tuple[int, int]] = deque()

    @property
    def next_ns(self) -> int | None:
        """When the next character is over, in either direction."""
        return earliest(self._coming[0][0] if self._coming else None, self._outgoing.next_ns)

    def hear(self, data: bytes, now_ns: int) -> None:
        """The other end handed `data` to its port now."""
        for byte in data:
            self._coming.append((self._incoming.put(1, now_ns).end_ns, byte))

    def step(self, now_ns: int) -> bytes:
        """What has appeared on the line by now."""
        while self._coming and self._coming[0][0] <= now_ns:
            end_ns, byte = self._coming.popleft()
            said = self._device.feed(bytes([byte]))
            if said:
                self._outgoing.put(said, end_ns + self._turnaround_ns)
        self._device.look()
        return self._outgoing.due(now_ns)
