"""A serial line in memory and virtual time, with a script in place of the device: each request gets what the
script says, byte for byte and moment for moment."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from drivers.modbus_device import Device, answer_pdu
from drivers.rtu_frame import sealed, sound
from harness.clock import VirtualClock

MS = 1_000_000
Arrivals = Iterable[tuple[float, bytes]]  # ms after the request, and what comes then
Script = Callable[[bytes], Arrivals]


class ScriptedLine:
    """A line of drivers/line.py. `requests` are all frames sent, with the clock at each; `lost` breaks it."""

    is_pseudo = True

    def __init__(self, clock: VirtualClock, script: Script, descriptor: int | None = None) -> None:
        self.clock = clock
        self.script = script
        self.descriptor = descriptor
        self.requests: list[bytes] = []
        self.sent_ns: list[int] = []
        self.lost: OSError | None = None
        self.opened = self.closed = 0
        self._coming: list[tuple[int, bytes]] = []

    def open(self) -> ScriptedLine:
        """What a board is given as `open_line`."""
        if self.lost:
            raise self.lost
        self.opened += 1
        return self

    def bring(self, after_ms: float, data: bytes) -> None:
        """Bytes that come after a while."""
        self._coming.append((self.clock.now_ns() + round(after_ms * MS), data))
        self._coming.sort(key=lambda arrival: arrival[0])

    def send(self, data: bytes, deadline_ns: int) -> None:
        if self.lost:
            raise self.lost
        self.requests.append(data)
        self.sent_ns.append(self.clock.now_ns())
        for after_ms, answer in self.script(data):
            self.bring(after_ms, answer)

    def receive(self, most: int, deadline_ns: int) -> bytes:
        assert most > 0
        if self.lost:
            raise self.lost
        if not self._coming or self._coming[0][0] > deadline_ns:
            self.clock.sleep_until(deadline_ns)
            return b""
        self.clock.sleep_until(self._coming[0][0])
        data = b""
        while self._coming and self._coming[0][0] <= self.clock.now_ns():
            data += self._coming.pop(0)[1]
        if data[most:]:
            self._coming.insert(0, (self.clock.now_ns(), data[most:]))
        return data[:most]

    def close(self) -> None:
        self.closed += 1


def answering(devices: Mapping[int, Device], after_ms: float = 5.0) -> Script:
    """A script in which devices answer as they should; each whole answer comes at once."""

    def script(frame: bytes) -> Arrivals:
        if sound(frame) and frame[0] in devices:
            yield after_ms, sealed(frame[:1] + answer_pdu(devices[frame[0]], frame[1:-2]))

    return script
