"""One Modbus TCP question and its answer at a time, on a connection of our own.

Why not a ready client: those that were measured take an answer for good by transaction identifier and unit
alone, so a late or foreign answer can pass for a reading. Here an answer counts only if transaction,
protocol, length, unit, function, byte count and write echo all fit and nothing follows it.

A connection is trusted only while every question on it got its answer. After a time-out, a wrong answer,
bytes too many, or an interrupt in mid-exchange it is closed, and the next question opens a new one: what
the board still sends to the old connection cannot reach the new one. That is the drain; waiting for silence
would only guess how late a late answer may be. A question is never sent twice: whether a lost write was
carried out is for the caller to find out.

A connection taken over from a process that died may owe an answer to that process, one at most, because it
too asked one question at a time and closed after a failure. It is drained, and while our first two questions
wait, answers with another transaction are passed over. Two, because the first one's number may be the very
one that the dead process used; the second then differs, and a board answers in order.

The usual poll takes a short path: a request prepared beforehand, one send, one receive, one comparison of
header and length. Anything else goes to `_finish`, which collects the rest and says what is wrong.

The time-out of a receive is the socket's own (SO_RCVTIMEO) where there is one, because Python's
`settimeout` adds a `poll` call before every receive; tests/benchmarks/poll_rate.py has the figures.
"""

from __future__ import annotations

import logging
import socket
import struct
import sys
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

from pymodbus.exceptions import ModbusException

from drivers.exchange_words import cause, counted, refused, too_late
from drivers.mbap_frame import HEADER, LARGEST, frame_size
from drivers.modbus_question import Fault, Question, fault_of
from harness.bench.bus_trace import Trace
from harness.clock import NS, Clock
from harness.errors import BenchError, BoardAbsent, BoardGarbled

logging.getLogger("pymodbus").addHandler(logging.NullHandler())  # its remarks reach no user's screen

_UNDECODABLE = (ValueError, IndexError, struct.error, ModbusException)
_ADOPTED_QUIET_S = 0.005  # of silence on a connection taken over; late answers are passed over anyway
_MOST_DRAINED = 64  # receives
Answer = tuple[int, int, bytes]  # clock before sending and after receiving, ns; the answer's PDU


class Connection(Protocol):
    """What an exchange needs of a socket."""

    def sendall(self, data: bytes, /) -> object: ...

    def recv(self, most: int, /) -> bytes: ...

    def settimeout(self, seconds: float | None, /) -> None: ...

    def setsockopt(self, level: int, option: int, value: int | bytes, /) -> None: ...

    def close(self) -> None: ...


Dial = Callable[[tuple[str, int], float], Connection]  # address and time-out, s; raises OSError


class Exchange:
    """A connection to `host`:`port`. `where` names the board in messages: "board IO1 at 10.0.0.5:502".

    `dial` makes the connection in place of the system.
    """

    def __init__(
        self,
        where: str,
        host: str,
        port: int,
        clock: Clock,
        trace: Trace | None = None,
        *,
        dial: Dial | None = None,
    ) -> None:
        self._where = where
        self._address = (host, port)
        self._now = clock.now_ns
        self._trace = trace
        self._dial: Dial = socket.create_connection if dial is None else dial
        self._socket: Connection | None = None
        self._send: Callable[[bytes], object]
        self._receive: Callable[[int], bytes]
        self._trusted = False
        self._strangers = 0  # how many questions from now on may meet answers to somebody else's
        self._transaction = 0
        self._timeout_s = 0.0
        self.connections = 0

    def connect(self, timeout_s: float) -> None:
        """Open a new connection, closing any old one. Raises BoardAbsent."""
        self.close()
        try:
            line = self._dial(self._address, timeout_s)
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except (OSError, UnicodeError) as error:
            raise self._absent(error) from error
        self._take(line, timeout_s)

    def adopt(self, descriptor: int, timeout_s: float) -> None:
        """Go on with the connection that another process had open. Raises BoardAbsent."""
        self.close()
        try:
            self._take(socket.socket(fileno=descriptor), timeout_s)
            self._drain()
            self._set_timeout(timeout_s)
        except OSError as error:
            self.close()
            raise self._absent(error) from error
        self._strangers = 2

    @property
    def descriptor(self) -> int | None:
        """Of the open connection; None where there is none."""
        return self._socket.fileno() if isinstance(self._socket, socket.socket) else None

    def _take(self, line: Connection, timeout_s: float) -> None:
        self._socket, self._send, self._receive = line, line.sendall, line.recv
        self.connections += 1
        self._strangers = 0
        self._set_timeout(timeout_s)
        self._trusted = True

    def _drain(self) -> None:
        self._set_timeout(_ADOPTED_QUIET_S)
        with suppress(TimeoutError, BlockingIOError):
            for _ in range(_MOST_DRAINED):
                if not self._receive(LARGEST + 1):
                    raise ConnectionResetError("closed by the board")

    def close(self) -> None:
        """Drop the connection, also where another process holds it open too. May be called twice."""
        line, self._socket, self._trusted = self._socket, None, False
        if isinstance(line, socket.socket):
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
        if line is not None:
            with suppress(OSError):
                line.close()

    def ask(self, question: Question, timeout_s: float, *, insist: bool = False) -> Answer:  # noqa: ARG002
        """Send a question and return its answer. `insist` is for lines that are shared; here all is sent.

        Raises BoardTimeout, BoardAbsent (connection refused or lost), BoardRefused (exception answer) or
        BoardGarbled (any other answer that is not the answer), each with its cause.
        """
        if not self._trusted:
            self.connect(timeout_s)
        if timeout_s != self._timeout_s:
            self._set_timeout(timeout_s)
        self._trusted = False  # until the answer is there: an interrupt may come at any point below
        self._transaction = transaction = self._transaction % 0xFFFF + 1
        mark = transaction.to_bytes(2, "big")
        request = mark + question.tail
        sent_ns = self._now()
        if self._trace is not None:
            self._trace(True, request, sent_ns)
        try:
            self._send(request)
            answer = self._receive(LARGEST + 1)
        except OSError as error:
            raise self._broken(error, question, timeout_s, 0) from error
        received_ns = self._now()
        if self._trace is not None:
            self._trace(False, answer, received_ns)
        if len(answer) == question.size and answer.startswith(mark + question.head):
            self._trusted = True
            if self._strangers:
                self._strangers -= 1
            return sent_ns, received_ns, answer[HEADER:]
        return self._finish(question, answer, (sent_ns, received_ns), timeout_s)

    def _finish(self, question: Question, data: bytes, stamp: tuple[int, int], timeout_s: float) -> Answer:
        """The long path: collect the rest of the answer, then take it or say what is wrong with it."""
        sent_ns, received_ns = stamp
        deadline_ns = sent_ns + round(timeout_s * NS)
        try:
            if not data:
                raise ConnectionResetError("closed by the board")
            data, received_ns = self._collect(data, received_ns, deadline_ns)
            fault = self._judge(question, data)
        except OSError as error:
            raise self._broken(error, question, timeout_s, len(data)) from error
        except _UNDECODABLE as error:
            raise self._garbled(question, str(error)) from error
        if fault is None or fault.code:
            self._trusted = True  # also a refusal is a whole answer to this very question
            self._strangers = max(0, self._strangers - 1)
        if fault is None:
            return sent_ns, received_ns, data[HEADER:]
        raise refused(self._where, question, fault) if fault.code else self._garbled(question, fault.text)

    def _collect(self, data: bytes, received_ns: int, deadline_ns: int) -> tuple[bytes, int]:
        """One whole answer and when its last byte came, past those that are somebody else's."""
        while True:
            while len(data) < (size := frame_size(data) or LARGEST):
                data, received_ns = self._more(data, deadline_ns)
            if not self._strangers or int.from_bytes(data[:2]) == self._transaction:
                break
            data = data[size:]
        if len(data) > size:
            raise ValueError(f"{counted(len(data) - size)} after the answer")
        return data, received_ns

    def _judge(self, question: Question, frame: bytes) -> Fault | None:
        answered = int.from_bytes(frame[:2])
        if answered != self._transaction:
            return Fault(f"answer to transaction {answered}, asked {self._transaction}: late or foreign")
        return fault_of(question, frame[HEADER - 1], frame[HEADER:])

    def _more(self, data: bytes, deadline_ns: int) -> tuple[bytes, int]:
        left_ns = deadline_ns - self._now()
        if left_ns <= 0:
            raise _IncompleteError(len(data))
        self._set_timeout(left_ns / NS)
        try:
            more = self._receive(LARGEST + 1)
        except (TimeoutError, BlockingIOError) as error:
            raise _IncompleteError(len(data)) from error
        received_ns = self._now()
        if self._trace is not None:
            self._trace(False, more, received_ns)
        if not more:
            raise ConnectionResetError("closed by the board in mid-answer")
        return data + more, received_ns

    def _set_timeout(self, timeout_s: float) -> None:
        line = self._socket
        assert line is not None
        self._timeout_s = timeout_s
        if sys.platform == "win32" or not isinstance(line, socket.socket):
            line.settimeout(timeout_s)
            return
        line.settimeout(None)
        span = struct.pack("@ll", *divmod(max(1, round(timeout_s * 1_000_000)), 1_000_000))
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, span)
        line.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, span)

    def _absent(self, error: Exception) -> BenchError:
        return BoardAbsent(
            f"{self._where}: cannot connect ({cause(error)}); check its power, the network cable,"
            " and `host` and `port` in the bench file"
        )

    def _broken(self, error: OSError, question: Question, timeout_s: float, received: int) -> BenchError:
        if isinstance(error, TimeoutError | BlockingIOError):
            received = getattr(error, "received", received)
            return too_late(self._where, question, timeout_s, received, "the board and its `unit`")
        return BoardAbsent(
            f"{self._where}: {question.name}: connection lost ({cause(error)}); check the board's power and"
            " the network cable, and that no other client holds it"
        )

    def _garbled(self, question: Question, text: str) -> BenchError:
        return BoardGarbled(
            f"{self._where}: {question.name}: {text}; not used, connection closed;"
            " check for a second device or client at this address"
        )


class _IncompleteError(TimeoutError):
    """The deadline came before the whole answer."""

    def __init__(self, received: int) -> None:
        super().__init__("the answer is not complete")
        self.received = received
