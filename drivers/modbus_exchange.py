"""One Modbus TCP question and its answer at a time, on a connection of our own.

Why not a ready client: those that were measured take an answer for good by transaction identifier and unit
alone, so a late or foreign answer can pass for a reading. Here an answer counts only if transaction,
protocol, length, unit, function, byte count and write echo all fit and nothing follows it.

A connection is trusted only while every question on it got its answer. After a time-out, a wrong answer,
bytes too many, or an interrupt in mid-exchange it is closed, and the next question opens a new one: what
the board still sends to the old connection cannot reach the new one. That is the drain; waiting for silence
would only guess how late a late answer may be. A question is never sent twice: whether a lost write was
carried out is for the caller to find out.

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

from pymodbus.exceptions import ModbusException

from drivers.modbus_question import EXCEPTIONS, LARGEST, Fault, Question, fault_of, frame_size
from harness.bench.bus_trace import Trace
from harness.clock import NS, Clock
from harness.errors import BenchError, BoardAbsent, BoardGarbled, BoardRefused, BoardTimeout

logging.getLogger("pymodbus").addHandler(logging.NullHandler())  # its remarks reach no user's screen

_UNDECODABLE = (ValueError, IndexError, struct.error, ModbusException)
Answer = tuple[int, int, bytes]  # clock before sending and after receiving, ns; the whole frame


class Exchange:
    """A connection to `host`:`port`. `where` names the board in messages: "board IO1 at 10.0.0.5:502"."""

    def __init__(self, where: str, host: str, port: int, clock: Clock, trace: Trace | None = None) -> None:
        self._where = where
        self._address = (host, port)
        self._now = clock.now_ns
        self._trace = trace
        self._socket: socket.socket | None = None
        self._send: Callable[[bytes], object]
        self._receive: Callable[[int], bytes]
        self._trusted = False
        self._transaction = 0
        self._timeout_s = 0.0

    def connect(self, timeout_s: float) -> None:
        """Open a new connection, closing any old one. Raises BoardAbsent."""
        self.close()
        try:
            line = socket.create_connection(self._address, timeout=timeout_s)
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except (OSError, UnicodeError) as error:
            raise self._absent(error) from error
        self._take(line, timeout_s)

    def _take(self, line: socket.socket, timeout_s: float) -> None:
        self._socket, self._send, self._receive = line, line.sendall, line.recv
        self._set_timeout(timeout_s)
        self._trusted = True

    def close(self) -> None:
        """Drop the connection. May be called twice."""
        line, self._socket, self._trusted = self._socket, None, False
        if line is not None:
            with suppress(OSError):
                line.close()

    def ask(self, question: Question, timeout_s: float) -> Answer:
        """Send a question and return its answer.

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
            return sent_ns, received_ns, answer
        return self._finish(question, answer, (sent_ns, received_ns), timeout_s)

    def _finish(self, question: Question, data: bytes, stamp: tuple[int, int], timeout_s: float) -> Answer:
        """The long path: collect the rest of the answer, then take it or say what is wrong with it."""
        sent_ns, received_ns = stamp
        deadline_ns = sent_ns + round(timeout_s * NS)
        try:
            if not data:
                raise ConnectionResetError("closed by the board")
            while len(data) < (frame_size(data) or LARGEST):
                data += self._more(deadline_ns)
                received_ns = self._now()
            size = frame_size(data)
            if len(data) > size:
                raise ValueError(f"{_bytes(len(data) - size)} after the answer")
            fault = fault_of(question, self._transaction, data)
        except OSError as error:
            raise self._broken(error, question, timeout_s, len(data)) from error
        except _UNDECODABLE as error:
            raise self._garbled(question, str(error)) from error
        if fault is None or fault.code:
            self._trusted = True  # also a refusal is a whole answer to this very question
        if fault is None:
            return sent_ns, received_ns, data
        raise self._refused(question, fault) if fault.code else self._garbled(question, fault.text)

    def _more(self, deadline_ns: int) -> bytes:
        left_ns = deadline_ns - self._now()
        if left_ns <= 0:
            raise TimeoutError("the answer is not complete")
        self._set_timeout(left_ns / NS)
        data = self._receive(LARGEST + 1)
        if self._trace is not None:
            self._trace(False, data, self._now())
        if not data:
            raise ConnectionResetError("closed by the board in mid-answer")
        return data

    def _set_timeout(self, timeout_s: float) -> None:
        line = self._socket
        assert line is not None
        self._timeout_s = timeout_s
        if sys.platform == "win32":
            line.settimeout(timeout_s)
            return
        line.settimeout(None)
        span = struct.pack("@ll", *divmod(max(1, round(timeout_s * 1_000_000)), 1_000_000))
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, span)
        line.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, span)

    def _absent(self, error: Exception) -> BenchError:
        return BoardAbsent(
            f"{self._where}: cannot connect ({_cause(error)}); check its power, the network cable,"
            " and `host` and `port` in the bench file"
        )

    def _broken(self, error: OSError, question: Question, timeout_s: float, received: int) -> BenchError:
        if isinstance(error, TimeoutError | BlockingIOError):
            came = f"only {_bytes(received)} of an answer" if received else "no answer"
            return BoardTimeout(
                f"{self._where}: {question.name}: {came} within {timeout_s * 1000:g} ms;"
                " check the board and its `unit`, or raise `timeout` in the bench file"
            )
        return BoardAbsent(
            f"{self._where}: {question.name}: connection lost ({_cause(error)}); check the board's power and"
            " the network cable, and that no other client holds it"
        )

    def _refused(self, question: Question, fault: Fault) -> BenchError:
        advice = EXCEPTIONS.get(fault.code, ("", "look the code up in the board's manual"))[1]
        return BoardRefused(
            f"{self._where}: {question.name}: refused with exception {fault.code:02X}"
            f" ({fault.text}); {advice}",
            code=fault.code,
        )

    def _garbled(self, question: Question, text: str) -> BenchError:
        return BoardGarbled(
            f"{self._where}: {question.name}: {text}; not used, connection closed;"
            " check for a second device or client at this address"
        )


def _cause(error: Exception) -> str:
    return (getattr(error, "strerror", None) or str(error) or type(error).__name__).lower()


def _bytes(count: int) -> str:
    return f"{count} byte" if count == 1 else f"{count} bytes"
