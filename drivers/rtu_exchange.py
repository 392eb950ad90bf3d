"""One Modbus RTU question and its answer at a time, for one board on a line that it may share.

An answer counts only if unit, function, byte count or write echo, length and checksum fit, if nothing follows
it before the line is silent, and if it did not come sooner than the wire can carry it.

After any failure the line is drained: read until it is quiet. Quiet alone proves nothing, because nobody
knows how late a late answer may be; so the next question is asked only if its answer cannot be taken for one
that is still outstanding, and else a check question goes before it, with another function; the reasoning is
in drivers/outstanding.py. The same when a line is opened: what was asked before is not known. A check
question only reads, and may be refused: a refusal is an answer too. A question is never sent twice by itself,
but for the safe state (`insist`): that is sent even while answers cannot be told apart, and again when they
can. On a line taken over from a dead process it is not sent again, because time is short there and whoever
takes a line over reads the outputs back: that answer is checked like any other.

What no driver can detect on this bus, as it has no transaction number:
- an answer that comes twice, the second time just when the next question of the same kind is out and could
  have its answer. Before that question, or sooner after it than the wire allows, it is seen.
- a spoilt frame whose checksum fits by chance: one in 65536 of those spoilt beyond what it is sure to find
  (any odd number of bits; any that lie within 16 bits of each other).
- a device that answers questions out of their order, or some half a minute late.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Hashable, Sequence
from contextlib import suppress
from dataclasses import dataclass

from pymodbus.exceptions import ModbusException

from drivers import shared_lines
from drivers.exchange_words import cause, counted, refused, too_late
from drivers.line import Line
from drivers.modbus_exchange import Answer
from drivers.modbus_question import Fault, Question, fault_of
from drivers.outstanding import LATEST_NS, Outstanding
from drivers.rtu_frame import answer_size, sealed, sound
from drivers.rtu_wire import Heard, IncompleteError, RtuWire, Wanted
from harness.bench.bus_trace import Trace
from harness.clock import NS, Clock
from harness.errors import BenchError, BoardAbsent, BoardGarbled, BoardRefused, BoardTimeout

logging.getLogger("pymodbus").addHandler(logging.NullHandler())  # its remarks reach no user's screen

_WIRING = "the board's power, its `unit`, and the line's wiring and settings"


@dataclass(frozen=True, slots=True)
class Place:
    """Which line: its name, and how it is made by the first board on it, or of an open descriptor.

    `settings` must be the same for all boards on it; `world` keeps lines in memory apart.
    """

    key: str
    settings: dict[str, object]
    make: Callable[[], RtuWire]
    adopt: Callable[[int], Line]
    world: Hashable = None


class RtuExchange:
    """One board's questions on the line at `place`.

    `where` names the board in messages: "board IO1 on /dev/ttyUSB0 unit 1". `checks` are questions that read,
    each with a function of its own, those that the board is sure to answer first. With one only, the board is
    known to keep silent about all others: after a failure it is not asked until nothing can be so late.
    """

    def __init__(
        self,
        where: str,
        place: Place,
        clock: Clock,
        checks: Sequence[Question],
        trace: Trace | None = None,
    ) -> None:
        self._where = where
        self._place = place
        self._now = clock.now_ns
        self._checks = {check.function: check for check in checks}
        self._trace = trace
        self._wire: RtuWire | None = None

    def connect(self, timeout_s: float) -> None:  # noqa: ARG002 - opening a port has no time-out
        """Share the line, opening it when nobody has. Raises BoardAbsent."""
        self._share()
        self._start(RtuWire.open)

    def adopt(self, descriptor: int, timeout_s: float) -> None:  # noqa: ARG002 - what is late is waited for later
        """Go on with the line that another process had open. Raises BoardAbsent."""
        try:
            self._share()
        except BenchError:
            os.close(descriptor)  # it is ours, also now
            raise
        self._start(lambda wire: wire.adopt(descriptor, self._place.adopt))

    def _share(self) -> None:
        self.close()
        place = self._place
        self._wire = shared_lines.take(place.key, place.settings, place.make, world=place.world)

    def _start(self, start: Callable[[RtuWire], None]) -> None:
        assert self._wire is not None
        try:
            start(self._wire)
        except OSError as error:
            self.close()
            raise self._absent(f"cannot open the line ({cause(error)})") from error
        except BenchError:
            self.close()
            raise

    def close(self) -> None:
        """Let go of the line; the last board on it closes it. May be called twice."""
        wire, self._wire = self._wire, None
        if wire is not None:
            shared_lines.release(self._place.key, world=self._place.world)

    @property
    def descriptor(self) -> int | None:
        """Of the open line."""
        return None if self._wire is None else self._wire.descriptor

    @property
    def remarks(self) -> tuple[str, ...]:
        """What the open line says of its times."""
        return () if self._wire is None else self._wire.remarks

    @property
    def connections(self) -> int:
        """How often the line has been opened."""
        return 0 if self._wire is None else self._wire.connections

    def ask(self, question: Question, timeout_s: float, *, insist: bool = False) -> Answer:
        """Send a question and return its answer. Before it the line is made sure of, in the same time again.

        `insist`: send it at once, whatever is outstanding, and again when its answer can be told apart.
        Raises BoardTimeout, BoardAbsent (line gone), BoardRefused (exception answer) or BoardGarbled (any
        other answer that is not the answer), each with its cause.
        """
        wire = self._wire
        assert wire is not None
        owed = wire.owed(question.unit, checked=len(self._checks) > 1)
        if owed or not wire.clean:
            owed.forget(self._now())
            if insist and (answer := self._ask_anyway(wire, owed, question, timeout_s)):
                return answer
            self._make_sure(wire, owed, question, timeout_s)
        return self._put(wire, owed, question, timeout_s)

    def _ask_anyway(
        self, wire: RtuWire, owed: Outstanding, question: Question, timeout_s: float
    ) -> Answer | None:
        """The answer where it can be told apart; None where it came in doubt, or did not come."""
        deadline_ns = self._now() + round(timeout_s * NS)
        with suppress(BoardGarbled):  # a line that chatters is spoken to all the same
            self._drain(wire, question, deadline_ns)
        with suppress(BoardTimeout, BoardGarbled, BoardRefused):
            answer = self._put(wire, owed, question, timeout_s)
            return answer if wire.taken_over or not owed else None
        return None

    def _make_sure(self, wire: RtuWire, owed: Outstanding, question: Question, timeout_s: float) -> None:
        """Leave the line drained, and nothing outstanding that the question's answer could be taken for."""
        deadline_ns = self._now() + wire.pace.quiet + round(timeout_s * NS)
        garbled = self._garbled(question, "the line does not fall silent")
        others_first = sorted(self._checks, key=lambda function: function == question.function)
        while True:
            if not wire.clean:
                self._drain(wire, question, deadline_ns)
            if not owed.hides(question.function):
                return
            if len(self._checks) < 2:
                raise self._stuck(question)
            check = self._checks[owed.best(others_first)]
            left_ns = deadline_ns - self._now()
            if left_ns <= 0:
                raise garbled
            try:
                self._put(wire, owed, check, left_ns / NS)
            except BoardRefused:
                continue
            except BoardGarbled as error:  # perhaps it met what was late, and that is gone now
                garbled = error
            except BoardTimeout as error:
                if not owed.heard:
                    raise self._never_heard(question, check, timeout_s, error) from error
                raise self._unchecked(question, check, left_ns) from error

    def _drain(self, wire: RtuWire, question: Question, deadline_ns: int) -> None:
        try:
            wire.drain(deadline_ns, self._trace)
        except OSError as error:
            wire.close()
            raise self._lost(question, error) from error
        except ValueError as error:
            raise self._garbled(question, str(error)) from error

    def _put(self, wire: RtuWire, owed: Outstanding, question: Question, timeout_s: float) -> Answer:
        """Send one question and take its answer, or say what is wrong with it."""
        start_ns = self._now()
        owed.asked(question.function, start_ns)
        head = bytes([question.unit]) + question.start
        wanted = Wanted(head, question.length and question.length + 3)
        request = sealed(bytes([question.unit]) + question.pdu)
        try:
            heard = wire.exchange(request, wanted, start_ns + round(timeout_s * NS), self._trace)
            fault = self._judge(owed, question, wanted, heard.data)
        except TimeoutError as error:
            received = error.received if isinstance(error, IncompleteError) else 0
            raise too_late(self._where, question, timeout_s, received, _WIRING) from error
        except OSError as error:
            wire.close()
            raise self._lost(question, error) from error
        except (ValueError, IndexError, ModbusException) as error:
            raise self._garbled(question, str(error)) from error
        return self._taken(wire, owed, question, heard, fault)

    def _taken(
        self, wire: RtuWire, owed: Outstanding, question: Question, heard: Heard, fault: Fault | None
    ) -> Answer:
        if fault is not None and not fault.code:
            raise self._garbled(question, fault.text)
        owed.answered(question.function)  # also a refusal is a whole answer to this very question
        wire.clean = True
        if fault is not None:
            raise refused(self._where, question, fault)
        return heard.sent_ns, heard.received_ns, heard.data[1:-2]

    def _judge(self, owed: Outstanding, question: Question, wanted: Wanted, data: bytes) -> Fault | None:
        size = wanted.size_after(data)
        if 0 < size < len(data) and sound(data[:size]):  # looked at first, as zeros leave a checksum right
            return Fault(f"{counted(len(data) - size)} after the answer")
        if not sound(data):
            return Fault(f"{data.hex(' ')} came, whose checksum is wrong")
        fault = fault_of(question, data[0], data[1:-2])
        if fault is not None and not fault.code:
            self._note_late(owed, question, data)
        return fault

    def _note_late(self, owed: Outstanding, question: Question, frame: bytes) -> None:
        """A whole answer to another question: it may be one that was outstanding, and is so no more."""
        function = frame[1] & 0x7F
        with suppress(ValueError):
            if frame[0] == question.unit and answer_size(frame) == len(frame):
                owed.answered(function)

    def _never_heard(
        self, question: Question, check: Question, timeout_s: float, error: BoardTimeout
    ) -> BenchError:
        """Nothing has failed yet that a person knows of: so it is said as what it is, a first question."""
        received = getattr(error.__cause__, "received", 0)
        came = f"only {counted(received)} of an answer" if received else "no answer"
        line = "`baud`, `parity`" if "baud" in self._place.settings else "the converter's own line settings"
        return BoardTimeout(
            f"{self._where}: {question.name}: {came} from unit {check.unit} within {timeout_s * 1000:g} ms"
            f" to a first question ({check.name}); check `unit`, {line}, wiring A/B and the board's power"
        )

    def _unchecked(self, question: Question, check: Question, left_ns: int) -> BenchError:
        return BoardTimeout(
            f"{self._where}: {question.name}: not asked, because after an earlier failure the board does not"
            f" answer a check question ({check.name}) within {left_ns / 1e6:.0f} ms; check {_WIRING}"
        )

    def _stuck(self, question: Question) -> BenchError:
        return BoardTimeout(
            f"{self._where}: {question.name}: not asked, because the answer to an earlier question may still"
            f" come and would look the same; wait {LATEST_NS // NS} s, or start anew once the cause is mended"
        )

    def _absent(self, text: str) -> BenchError:
        return BoardAbsent(f"{self._where}: {text}; check the cable, and `port` or `host` in the bench file")

    def _lost(self, question: Question, error: OSError) -> BenchError:
        return self._absent(f"{question.name}: line lost ({cause(error)})")

    def _garbled(self, question: Question, text: str) -> BoardGarbled:
        return BoardGarbled(
            f"{self._where}: {question.name}: {text}; not used; check for two boards with this `unit`,"
            " for another master on the line, and the line's settings and termination"
        )
