"""A serial line with Modbus frames on it: silences, deadlines, whole frames. All boards on it share one.

A frame ends where its length says, and then the line must be silent for t3.5 before it counts (MODBUS over
Serial Line V1.02, 2.5.1.1): so a byte too many spoils the answer before it, and the next question may be
sent at once. No wait is a sleep; each is a receive with a deadline, which ends early on bytes that nobody
asked for. After any failure the line is not `clean`, and is drained before it is used again.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from drivers.line import Line
from drivers.outstanding import Outstanding
from drivers.rtu_frame import LARGEST, REFUSAL, answer_size
from harness.bench.bus_trace import Trace
from harness.clock import Clock

_WORTH_NS = 3_000_000  # how long the rest of a spoilt answer is waited for, to be shown
_PACE = 0.97  # a device's rate may be 1 % off, and 2 % are tolerated (MODBUS over Serial Line V1.02, 3.2)


@dataclass(frozen=True, slots=True)
class Pace:
    """Times of a line, ns. `silence`: after a frame, 0 where silences mean nothing. `quiet`: until drained.

    `adopted`: the same for a line taken over, where there is less time. `soonest`: no answer comes sooner
    after its question's first bit; None: what the characters of both take on the wire, `character` each.
    """

    silence: int
    quiet: int
    adopted: int
    character: int = 0
    soonest: int | None = None


@dataclass(frozen=True, slots=True)
class Wanted:
    """A good answer from its unit on: how it begins, and its length; 0 where it grows as it comes."""

    head: bytes
    size: int

    def size_after(self, data: bytes) -> int:
        """How many bytes there must be, as far as `data` tells; 0 when no answer begins so."""
        if not data.startswith(self.head[: len(data)]):
            refusal = bytes([self.head[0], self.head[1] | 0x80])
            return REFUSAL if data.startswith(refusal[: len(data)]) else 0
        return self.size or answer_size(data) or len(data) + 1


@dataclass(frozen=True, slots=True)
class Heard:
    """What came after a question: clock before sending and at the last byte, ns; all bytes until silence."""

    sent_ns: int
    received_ns: int
    data: bytes


class IncompleteError(TimeoutError):
    """The deadline came before the whole answer."""

    def __init__(self, received: int) -> None:
        super().__init__("the answer is not complete")
        self.received = received


class RtuWire:
    """The line that `open_line` opens, and opens again after a loss. Knows units, not boards."""

    def __init__(self, open_line: Callable[[], Line], clock: Clock, pace: Pace) -> None:
        self.pace = pace
        self.clean = False
        self.taken_over = False
        self.connections = 0
        self._open_line = open_line
        self._now = clock.now_ns
        self._line: Line | None = None
        self._quiet = pace.quiet
        self._before_us = 1  # questions that somebody else may have asked each unit before we came
        self._owed: dict[int, Outstanding] = {}

    def open(self) -> None:
        """Open the line unless it is open. Raises OSError, BoardAbsent."""
        if self._line is None:
            self._take(self._open_line())

    def adopt(self, descriptor: int, adopt_line: Callable[[int], Line]) -> None:
        """Go on with a descriptor that another process had open; a second one of the same line is closed.

        Two questions of that process may be unanswered: the last one, and the one before it that failed.
        """
        if self._line is not None:
            if descriptor != self._line.descriptor:
                os.close(descriptor)
            return
        self._take(adopt_line(descriptor))
        self.taken_over = True
        self._quiet, self._before_us = self.pace.adopted, 2

    def _take(self, line: Line) -> None:
        self._line = line
        self.clean = False
        self.connections += 1

    def close(self) -> None:
        """Let go of the line. May be called twice."""
        line, self._line, self.clean = self._line, None, False
        if line is not None:
            with suppress(OSError):
                line.close()

    @property
    def descriptor(self) -> int | None:
        """Of the open line."""
        return None if self._line is None else self._line.descriptor

    @property
    def remarks(self) -> tuple[str, ...]:
        """What the open line says of its times."""
        return getattr(self._line, "remarks", ())

    def owed(self, unit: int, *, checked: bool = True) -> Outstanding:
        """What that unit may still answer. Each unit for itself: only one device's answers are in order.

        Not `checked`: nothing can tell its answers apart, so what others may have asked it is left out.
        """
        if unit not in self._owed:
            self._owed[unit] = Outstanding(self._before_us if checked else 0, self._now())
        return self._owed[unit]

    def drain(self, deadline_ns: int, trace: Trace | None = None) -> None:
        """Read and drop until the line is quiet. Raises ValueError when it is not so by the deadline."""
        self.open()
        while self._receive(self._now() + self._quiet, trace):
            if self._now() >= deadline_ns:
                raise ValueError("the line does not fall silent")
        self.clean, self._quiet = True, self.pace.quiet

    def exchange(self, frame: bytes, wanted: Wanted, deadline_ns: int, trace: Trace | None) -> Heard:
        """Send a frame; what comes, until it is whole or spoilt and the line is silent.

        Raises IncompleteError, OSError for a lost line, ValueError for what can be no answer. `clean` is left
        to the caller, who knows whether the answer was good.
        """
        line = self._line
        assert line is not None
        self.clean = False  # until the answer is there: an interrupt may come at any point below
        if stray := self._receive(self._now(), trace):
            raise ValueError(f"{stray.hex(' ')} came unasked")
        sent_ns = self._now()
        if trace is not None:
            trace(True, frame, sent_ns)
        line.send(frame, deadline_ns)
        data, received_ns = self._collect(wanted, deadline_ns, trace)
        size = wanted.size_after(data)
        rest = self._until_silent(received_ns, self.pace.silence if size else _WORTH_NS, len(data), trace)
        if size and not rest:
            self._check_pace(received_ns - sent_ns, len(frame) + len(data))
        return Heard(sent_ns, received_ns, data + rest)

    def _collect(self, wanted: Wanted, deadline_ns: int, trace: Trace | None) -> tuple[bytes, int]:
        data, received_ns = b"", deadline_ns
        while len(data) < min(wanted.size_after(data), LARGEST + 1):
            more = self._receive(deadline_ns, trace, LARGEST + 1 - len(data))
            if not more:
                raise IncompleteError(len(data))
            received_ns = self._now()
            data += more
        return data, received_ns

    def _until_silent(self, since_ns: int, silence_ns: int, received: int, trace: Trace | None) -> bytes:
        data = b""
        while (left := LARGEST + 1 - received - len(data)) > 0:
            more = self._receive(since_ns + silence_ns, trace, left)
            if not more:
                break
            data, since_ns = data + more, self._now()
        return data

    def _receive(self, deadline_ns: int, trace: Trace | None, most: int = LARGEST) -> bytes:
        line = self._line
        assert line is not None
        data = line.receive(most, deadline_ns)
        if data and trace is not None:
            trace(False, data, self._now())
        return data

    def _check_pace(self, took_ns: int, characters: int) -> None:
        least_ns = self.pace.soonest
        if least_ns is None:
            pseudo = getattr(self._line, "is_pseudo", True)
            least_ns = 0 if pseudo else round(_PACE * characters * self.pace.character)
        if took_ns < least_ns:
            raise ValueError(
                f"an answer after {took_ns / 1e6:.3f} ms, but the line needs {least_ns / 1e6:.3f} ms, so it"
                " answers something else (for a port that is no wire set `soonest answer: 0 ms`)"
            )
