"""A line with commands and answers on it: deadlines, whole answers, drained when in doubt. Boards share it.

An answer is whole after its last line end, and the prompt where there is one. No wait is a sleep; each is a
receive with a deadline. After any failure the line is not `clean`: it is read until it is quiet, and where a
command may have been left half said, one line end goes first, to end it.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from drivers.line import Line
from drivers.outstanding import Outstanding
from harness.bench.bus_trace import Trace
from harness.clock import Clock

LARGEST = 1024
"""Longer than any answer that a template can describe, with its echo and prompt."""
_ADOPTED_QUIET_NS, _ADOPTED_NS = 20_000_000, 50_000_000
_PACE = 0.97  # a device's rate may be a little off


@dataclass(frozen=True, slots=True)
class Talk:
    """How the line is spoken on; the same for all boards on it. Times in ns.

    `soonest_ns`: no answer comes sooner after its question; None: what the characters of both take on the
    wire, `character_ns` each.
    """

    line_end: bytes
    prompt: bytes
    echo: bool
    quiet_ns: int
    soonest_ns: int | None
    character_ns: int


@dataclass(frozen=True, slots=True)
class Heard:
    """An answer: clock before sending and at the last byte, ns; its line, None where there is none."""

    sent_ns: int
    received_ns: int
    line: bytes | None


class IncompleteError(TimeoutError):
    """The deadline came before the whole answer."""

    def __init__(self, received: bytes) -> None:
        super().__init__("the answer is not complete")
        self.received = received


class SpoiltError(ValueError):
    """What came is no answer, though whole lines in it may be answers that were late."""

    def __init__(self, received: bytes, text: str) -> None:
        super().__init__(f"{shown(received)} came{text}")
        self.received = received


class TextWire:
    """The line that `open_line` opens, and opens again after a loss."""

    def __init__(self, open_line: Callable[[], Line], clock: Clock, talk: Talk) -> None:
        self.talk = talk
        self.clean = False
        self.connections = 0
        self.boards: dict[str, tuple[int, bool]] = {}
        self._open_line = open_line
        self._now = clock.now_ns
        self._line: Line | None = None
        self._half_said = True
        self._adopted = False
        self._before_us = 1  # questions that somebody else may have asked each board before we came
        self._owed: dict[str, Outstanding] = {}

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
        self._adopted, self._before_us = True, 2

    def _take(self, line: Line) -> None:
        self._line = line
        self.clean = False
        self._half_said = True  # somebody before us may have died in the middle of a command
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

    def owed(self, board: str) -> Outstanding:
        """What that board may still answer. Each for itself: only one device's answers are in order."""
        if board not in self._owed:
            self._owed[board] = Outstanding(self._before_us, self._now())
        return self._owed[board]

    @property
    def nothing_owed(self) -> bool:
        """Whether no board on the line has anything outstanding."""
        return not any(self._owed.values())

    def drain(self, deadline_ns: int, trace: Trace | None = None, quiet_ns: int = 0) -> bytes:
        """Read until the line is quiet; what came last. Raises ValueError when it is not so by the deadline.

        A line taken over is drained for 50 ms at most: the safe state must not wait for long.
        """
        self.open()
        quiet_ns = quiet_ns or self.talk.quiet_ns
        adopted, self._adopted = self._adopted, False
        if adopted:
            quiet_ns = min(quiet_ns, _ADOPTED_QUIET_NS)
            deadline_ns = min(deadline_ns, self._now() + _ADOPTED_NS - quiet_ns)
        if self._half_said:
            self._send(self.talk.line_end, deadline_ns, trace)
        dropped = b""
        quiet_at_ns = self._now() + quiet_ns
        while self._now() < quiet_at_ns:
            if more := self._receive(quiet_at_ns, trace):
                dropped = (dropped + more)[-LARGEST:]
                quiet_at_ns = self._now() + quiet_ns
            if quiet_at_ns > deadline_ns + quiet_ns:  # something came after the deadline
                raise ValueError("the line does not fall silent")
        self.clean = True
        return dropped

    def exchange(
        self,
        command: bytes,
        deadline_ns: int,
        trace: Trace | None,
        *,
        answered: bool = True,
        anyway: bool = False,
    ) -> Heard:
        """Send a command without its line end; what is answered, whole. `answered`: whether a line is.

        `anyway`: send it also when bytes came that nobody asked for, before saying so.
        Raises IncompleteError, OSError for a lost line, ValueError for what can be no answer. `clean` is left
        to the caller, who knows whether the answer was good.
        """
        self.clean = False  # until the answer is there: an interrupt may come at any point below
        stray = self._receive(self._now(), trace)
        sent_ns = self._now()
        command += self.talk.line_end
        if anyway or not stray:
            self._send(command, deadline_ns, trace)
        if stray:
            raise ValueError(f"{shown(stray)} came unasked")
        lines = self.talk.echo + answered
        if not lines and not self.talk.prompt:
            return Heard(sent_ns, self._now(), None)
        data, received_ns = self._collect(lines, deadline_ns, trace)
        line = self._line_of(data, command, lines)
        self._check_pace(received_ns - sent_ns, len(command) + len(data))
        return Heard(sent_ns, received_ns, line if answered else None)

    def wait(self, until_ns: int, trace: Trace | None) -> None:
        """Let time pass in which nothing may come. Raises ValueError when something does."""
        self.clean = False
        if stray := self._receive(until_ns, trace):
            raise ValueError(f"{shown(stray)} came unasked")
        self.clean = True

    def _collect(self, lines: int, deadline_ns: int, trace: Trace | None) -> tuple[bytes, int]:
        data = b""
        while self._whole(data, lines) is None:
            more = self._receive(deadline_ns, trace)
            if not more and self._now() >= deadline_ns:
                raise IncompleteError(data)
            data += more
            if len(data) > LARGEST:
                raise ValueError(f"more than {LARGEST} characters came, which is no answer")
        return data, self._now()

    def _whole(self, data: bytes, lines: int) -> int | None:
        """Where the answer ends, prompt included; None while it is not whole."""
        end = 0
        for _ in range(lines):
            at = data.find(self.talk.line_end, end)
            if at < 0:
                return None
            end = at + len(self.talk.line_end)
        end += len(self.talk.prompt)
        return end if len(data) >= end else None

    def _line_of(self, data: bytes, command: bytes, lines: int) -> bytes:
        """The answer without echo, line end and prompt. Raises ValueError."""
        whole = self._whole(data, lines)
        if whole != len(data):
            raise SpoiltError(data, ", which is more than an answer")
        if self.talk.echo:
            if not data.startswith(command):
                raise SpoiltError(data, ", which does not begin with the command's echo")
            data = data[len(command) :]
        if not data.endswith(self.talk.prompt):
            raise SpoiltError(data, ", which does not end with the prompt")
        return data[: len(data) - len(self.talk.prompt)].removesuffix(self.talk.line_end)

    def _send(self, data: bytes, deadline_ns: int, trace: Trace | None) -> None:
        line = self._line
        assert line is not None
        self._half_said = True
        if trace is not None:
            trace(True, data, self._now())
        line.send(data, deadline_ns)
        self._half_said = False

    def _receive(self, deadline_ns: int, trace: Trace | None) -> bytes:
        line = self._line
        assert line is not None
        data = line.receive(LARGEST, deadline_ns)
        if data and trace is not None:
            trace(False, data, self._now())
        return data

    def _check_pace(self, took_ns: int, characters: int) -> None:
        least_ns = self.talk.soonest_ns
        if least_ns is None:
            pseudo = getattr(self._line, "is_pseudo", True)
            least_ns = 0 if pseudo else round(_PACE * characters * self.talk.character_ns)
        if took_ns < least_ns:
            raise ValueError(
                f"an answer after {took_ns / 1e6:.3f} ms, sooner than the {least_ns / 1e6:.3f} ms that the"
                " line needs: it answers something else (where the port is no wire set `soonest answer: 0 s`)"
            )


def shown(data: bytes) -> str:
    """What came, as it may stand in a message."""
    text = ascii(data[:60].decode("latin-1"))
    return f"{text[:-1]}...'" if len(data) > 60 else text
