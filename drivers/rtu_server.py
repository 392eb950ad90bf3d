"""The device side of Modbus RTU: from bytes in time to whole requests, and what a bus of devices answers.

Two ways to find where a request ends. `PacedRtu` keeps MODBUS over Serial Line V1.02 ("SL"), 2.5.1.1, to
the letter, on an emulated line whose character times it knows: a silence of t3.5 ends a frame, one over t1.5
inside it spoils it, and so does whatever begins before t3.5 has passed since the device's own answer.
`TolerantRtu` is for lines where silences mean nothing, because a driver, an adapter or a network hands bytes
over in lumps: a serial port, a pseudo terminal without pace, TCP. There the length that follows from the
function ends a request, and a spoilt one is dropped with all that follows until the line has been quiet for
a while. No frame that is not sound is ever answered.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from drivers.modbus_device import Device, answer_pdu
from drivers.paced_line import LineTime, Outgoing, earliest
from drivers.rtu_frame import LARGEST, request_size, sealed, sound
from drivers.serial_timing import SerialTiming
from harness.bench.hands import HAND_UNIT
from harness.clock import Clock
from harness.errors import BenchError

BROADCAST = 0
_WRITES = (5, 6, 15, 16)  # the only requests that may be for everyone (SL 2.1)
QUIET_NS = 50_000_000  # a USB adapter may hold bytes back for 16 ms and more
Respond = Callable[[bytes], bytes]


class Talk(Protocol):
    """The device's side of a line: told what comes, asked at `next_ns` what goes."""

    @property
    def next_ns(self) -> int | None: ...

    def hear(self, data: bytes, now_ns: int) -> None: ...

    def step(self, now_ns: int) -> bytes: ...


class RtuBus:
    """Devices by unit on one line. A unit that is not there and a frame that is not sound meet silence.

    A write to everyone is carried out by every device and answered by none. Board `hand` stands for a person,
    who hears no broadcast. Raises BenchError for a unit that no device on a serial line may have.
    """

    def __init__(self, devices: Mapping[int, Device]) -> None:
        for unit in devices:
            if not 1 <= unit <= HAND_UNIT:  # SL 2.2
                raise BenchError(
                    f"unit {unit}: a device on a serial line has 1 to {HAND_UNIT};"
                    " correct `unit` in the bench file"
                )
        self._devices = dict(devices)

    def answer(self, frame: bytes) -> bytes:
        """The whole answer to a request frame, empty for silence."""
        if not sound(frame):
            return b""
        unit, pdu = frame[0], frame[1:-2]
        if unit == BROADCAST:
            self._tell_all(pdu)
            return b""
        device = self._devices.get(unit)
        return b"" if device is None else sealed(bytes([unit]) + answer_pdu(device, pdu))

    def _tell_all(self, pdu: bytes) -> None:
        if pdu[0] not in _WRITES:
            return
        for unit, device in self._devices.items():
            if unit != HAND_UNIT:
                answer_pdu(device, pdu)


class PacedRtu:
    """The device on an emulated line that keeps character times. One frame is on the line at a time.

    `turnaround_ns` is what the device takes from the end of a request (t3.5 after its last character) to the
    first character of its answer. Not modelled: that an answer and a request at the same moment spoil each
    other on the wire; here only the request is lost.
    """

    def __init__(self, respond: Respond, timing: SerialTiming, turnaround_ns: int = 0) -> None:
        self._respond = respond
        self._timing = timing
        self._turnaround_ns = turnaround_ns
        self._incoming = LineTime(timing.character_ns)
        self._outgoing = Outgoing(timing.character_ns)
        self._frame = bytearray()
        self._spoilt = False
        self._last_ns: int | None = None  # end of the last character on the line, until t3.5 has passed since

    @property
    def next_ns(self) -> int | None:
        """When something happens next: a character is over, or a frame."""
        return earliest(self._outgoing.next_ns, self._frame_end_ns())

    def hear(self, data: bytes, now_ns: int) -> None:
        """The other end handed `data` to its port now."""
        span = self._incoming.put(len(data), now_ns)
        end_ns = self._frame_end_ns()
        if end_ns is not None and span.start_ns >= end_ns:
            self._end_frame(end_ns)
        if self._last_ns is not None and span.start_ns - self._last_ns > self._timing.inside_ns:
            self._spoilt = True
        self._frame += data[: LARGEST + 1 - len(self._frame)]  # one too many is as unsound as a flood
        self._last_ns = span.end_ns if self._last_ns is None else max(span.end_ns, self._last_ns)

    def step(self, now_ns: int) -> bytes:
        """What has appeared on the line by now."""
        end_ns = self._frame_end_ns()
        if end_ns is not None and end_ns <= now_ns:
            self._end_frame(end_ns)
        return self._outgoing.due(now_ns)

    def _frame_end_ns(self) -> int | None:
        return None if self._last_ns is None else self._last_ns + self._timing.between_ns

    def _end_frame(self, end_ns: int) -> None:
        frame, spoilt = bytes(self._frame), self._spoilt
        self._frame.clear()
        self._spoilt, self._last_ns = False, None
        answer = b"" if spoilt else self._respond(frame)
        if answer:
            self._last_ns = self._outgoing.put(answer, end_ns + self._turnaround_ns).end_ns
            self._spoilt = True  # until t3.5 after the answer nothing is the start of a frame


class TolerantRtu:
    """The device on a line whose silences mean nothing. Answers `after_ns` after the last byte of a request.

    It takes itself for the only device on the line: an answer of another one would pass for a spoilt request.
    """

    def __init__(self, respond: Respond, after_ns: int = 0, quiet_ns: int = QUIET_NS) -> None:
        self._respond = respond
        self._after_ns = after_ns
        self._quiet_ns = quiet_ns
        self._data = b""
        self._spoilt = False
        self._last_ns: int | None = None
        self._requests: list[tuple[int, bytes]] = []

    @property
    def next_ns(self) -> int | None:
        """When something happens next: an answer is due, or what has come is given up."""
        due_ns = self._requests[0][0] if self._requests else None
        return earliest(due_ns, None if self._last_ns is None else self._last_ns + self._quiet_ns)

    def hear(self, data: bytes, now_ns: int) -> None:
        """`data` has come in."""
        self._settle(now_ns)
        self._data = b"" if self._spoilt else self._data + data
        self._last_ns = now_ns
        while not self._spoilt and self._cut(now_ns):
            pass
        if not self._data and not self._spoilt:
            self._last_ns = None

    def step(self, now_ns: int) -> bytes:
        """What is to be sent now."""
        self._settle(now_ns)
        answers = b""
        while self._requests and self._requests[0][0] <= now_ns:
            answers += self._respond(self._requests.pop(0)[1])
        return answers

    def _cut(self, now_ns: int) -> bool:
        """Take one whole request off what has come; False when there is none."""
        try:
            size = request_size(self._data)
        except ValueError:  # its end shows by silence only
            self._spoilt = len(self._data) > LARGEST
            return False
        if not 0 < size <= len(self._data):
            return False
        frame, self._data = self._data[:size], self._data[size:]
        self._spoilt = not sound(frame)
        if not self._spoilt:
            self._requests.append((now_ns + self._after_ns, frame))
        return not self._spoilt

    def _settle(self, now_ns: int) -> None:
        """After a quiet while what lies there is a whole request, of a kind without a length, or nothing."""
        if self._last_ns is None or now_ns - self._last_ns < self._quiet_ns:
            return
        if not self._spoilt and sound(self._data):
            self._requests.append((self._last_ns + self._quiet_ns, self._data))
        self._data, self._spoilt, self._last_ns = b"", False, None


class RtuConnection:
    """RTU frames on a TCP connection, as a network adapter for a serial line carries them."""

    def __init__(self, respond: Respond, clock: Clock) -> None:
        self._talk = TolerantRtu(respond)
        self._clock = clock

    def hear(self, data: bytes) -> tuple[bytes, bool]:
        """The answers to what has come; the connection stays good: there is no header to be wrong."""
        now_ns = self._clock.now_ns()
        if data:
            self._talk.hear(data, now_ns)
        return self._talk.step(now_ns), True
