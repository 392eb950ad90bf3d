"""One text-line question and its answer at a time, for one board on a line that it may share.

An answer counts only if it is one whole line of exactly the form of its template, with this board's unit and
the channel or image that was asked for, behind the exact echo and before the exact prompt where there are
such, with nothing before it that nobody asked for.

After any failure the line is drained, and as nobody knows how late a late answer may be, the next question
is asked only if no outstanding answer could be taken for its answer; else a check question of another form
goes before it (drivers/outstanding.py has the reasoning, with forms in place of functions). A board that is
asked one question only is heard out for a time-out instead, which is slow: give it `identify`, or `read
outputs`, too. The same when a line is opened. A question is never sent twice by itself, but for the safe
state (`insist`): that is sent at once even while answers cannot be told apart, and again when they can.

What no driver can detect on such a line, as it has no checksum and no transaction number:
- a character spoilt into another that is right there: a digit into a digit. `read twice` asks for two answers
  that agree, so both must be spoilt alike; states take three agreeing samples besides.
- an answer that comes twice, the second time just when the next question of the same kind is out. With `read
  twice` what is handed out was true within its stamp all the same, because the second answer of a pair is
  then the one to the first question.
- a device that answers questions out of their order, or half a minute late.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from drivers import shared_lines
from drivers.line import Line
from drivers.outstanding import Outstanding
from drivers.text_template import Template, Value
from drivers.text_wire import Heard, IncompleteError, SpoiltError, TextWire, shown
from harness.bench.board import Stamp
from harness.bench.bus_trace import Trace
from harness.clock import NS, Clock
from harness.errors import BenchError, BoardAbsent, BoardGarbled, BoardRefused, BoardTimeout

REFUSED = 0
"""The code of a BoardRefused: a line of text has none of Modbus's."""
_WIRING = "the board's power, its `unit`, the line's wiring, and `baud` and `line end` in the bench file"


@dataclass(frozen=True, slots=True)
class Question:
    """A command line, and the form of its answer; None for one that is not answered.

    `known`: what the answer must repeat. `form`: the same number for all answers that could be mistaken for
    each other.
    """

    name: str
    line: str
    reply: Template | None
    form: int
    known: Mapping[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Answer:
    """The stamp of the transaction, and the values in the answer."""

    stamp: Stamp
    values: Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class Place:
    """Which line: its name, and how it is made by the first board on it, or of an open descriptor.

    `settings` must be the same for all boards on it; `world` keeps lines in memory apart.
    """

    key: str
    settings: dict[str, object]
    make: Callable[[], TextWire]
    adopt: Callable[[int], Line]
    world: Hashable = None


class TextExchange:
    """One board's questions on the line at `place`. `checks` are questions that only read.

    `unit` and `addressed`, whether every command and every reply names it, keep boards on one line apart.
    """

    def __init__(
        self,
        board: str,
        place: Place,
        clock: Clock,
        checks: Sequence[Question],
        refusal: Template,
        *,
        unit: int,
        addressed: bool,
        trace: Trace | None = None,
    ) -> None:
        self._board = board
        self._where = f"board {board} on {place.key} unit {unit}"
        self._place = place
        self._now = clock.now_ns
        self._checks: dict[int, Question] = {}
        for check in checks:
            self._checks.setdefault(check.form, check)
        self._refusal = refusal
        self._unit, self._addressed = unit, addressed
        self._trace = trace
        self._wire: TextWire | None = None
        self._came = ""  # what came last that was not the answer

    def connect(self) -> None:
        """Share the line, opening it when nobody has. Raises BoardAbsent."""
        self._begin(TextWire.open)

    def adopt(self, descriptor: int) -> None:
        """Go on with the line that another process had open. Raises BoardAbsent."""
        self._begin(lambda wire: wire.adopt(descriptor, self._place.adopt))

    def _begin(self, start: Callable[[TextWire], None]) -> None:
        self.close()
        place = self._place
        self._wire = shared_lines.take(place.key, place.settings, place.make, world=place.world)
        try:
            self._claim(self._wire)
            start(self._wire)
        except OSError as error:
            self.close()
            raise self._absent(f"cannot open the line ({_cause(error)})") from error
        except BenchError:
            self.close()
            raise

    def _claim(self, wire: TextWire) -> None:
        """Two boards that one command or answer could belong to must not share a line."""
        for name, (unit, addressed) in wire.boards.items():
            if name != self._board and (unit == self._unit or not (addressed and self._addressed)):
                raise BenchError(
                    f"{self._where}: shares the line with board {name}, and they cannot be told apart; give"
                    " each a `unit` of its own, and every template {unit}"
                )
        wire.boards[self._board] = (self._unit, self._addressed)

    def close(self) -> None:
        """Let go of the line; the last board on it closes it. May be called twice."""
        wire, self._wire = self._wire, None
        if wire is not None:
            wire.boards.pop(self._board, None)
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
        Raises BoardTimeout, BoardAbsent (line gone), BoardRefused (the refusal line) or BoardGarbled (any
        other answer that is not the answer), each with its cause.
        """
        wire = self._wire
        assert wire is not None
        owed = wire.owed(self._board)
        if insist and wire.clean and not owed:
            with suppress(BoardGarbled):
                return self._put(wire, owed, question, timeout_s, anyway=True)
        if owed or not wire.clean:
            owed.forget(self._now())
            if insist and (answer := self._ask_anyway(wire, owed, question, timeout_s)):
                return answer
            self._make_sure(wire, owed, question, timeout_s)
        return self._put(wire, owed, question, timeout_s)

    def wait(self, question: Question, duration_ns: int) -> int:
        """Give the board time for a command that it does not answer; the moment when it is over."""
        wire = self._wire
        assert wire is not None
        try:
            wire.wait(self._now() + duration_ns, self._trace)
        except (OSError, ValueError) as error:
            raise self._fault(wire, question, error) from error
        return self._now()

    def _ask_anyway(
        self, wire: TextWire, owed: Outstanding, question: Question, timeout_s: float
    ) -> Answer | None:
        """The answer where it can be told apart; None where it came in doubt, or did not come."""
        deadline_ns = self._now() + wire.talk.quiet_ns + round(timeout_s * NS)
        with suppress(BoardGarbled, BoardTimeout):  # a line that chatters is spoken to all the same
            self._drain(wire, question, deadline_ns)
        with suppress(BoardTimeout, BoardGarbled, BoardRefused):
            answer = self._put(wire, owed, question, timeout_s, anyway=True)
            return None if owed else answer
        return None

    def _make_sure(self, wire: TextWire, owed: Outstanding, question: Question, timeout_s: float) -> None:
        """Leave the line drained, and nothing outstanding that the question's answer could be taken for."""
        deadline_ns = self._now() + wire.talk.quiet_ns + round(timeout_s * NS)
        self._came = ""
        while True:
            if not wire.clean:
                self._drain(wire, question, deadline_ns)
            if not owed.hides(question.form) or not self._checks:
                return
            check = self._checks[owed.best(list(self._checks))]
            try:
                self._put(wire, owed, check, max(deadline_ns - self._now(), 1) / NS)
                if len(self._checks) == 1:
                    self._hear_out(wire, owed, question, timeout_s)
            except (BoardGarbled, BoardRefused) as error:  # it met what was late: that is gone now
                if self._now() < deadline_ns:
                    continue
                if owed.heard or isinstance(error, BoardRefused):
                    raise
                raise BoardGarbled(self._never_heard(question, check, timeout_s)) from error
            except BoardTimeout as error:
                if not owed.heard:
                    raise BoardTimeout(self._never_heard(question, check, timeout_s)) from error
                raise BoardTimeout(
                    f"{self._where}: {question.name}: not asked, because after an earlier failure the board"
                    f" has not answered a check question ({check.name}) in time; check {_WIRING}"
                ) from error

    def _never_heard(self, question: Question, check: Question, timeout_s: float) -> str:
        """Nothing has failed yet that a person knows of: so it is said as what it is, a first question."""
        text = f"{self._where}: {question.name}: "
        asked = f"within {timeout_s * 1000:g} ms to a first question ({check.name}, {check.line!r})"
        if not self._came:
            return f"{text}no answer {asked}; check {_WIRING}, and the templates"
        return (
            f"{text}{self._came}, but no answer {asked}; check `line end`, `echo`, `prompt`, `image digits`,"
            " `unit`, `baud` and the templates in the bench file against the board's manual"
        )

    def _hear_out(self, wire: TextWire, owed: Outstanding, question: Question, timeout_s: float) -> None:
        """For a board that is asked one question only, so that no form of answer is proof by itself.

        It answers in order, and has answered the check or what was asked before it. What else it owes comes
        within a time-out of that, if ever.
        """
        quiet_ns = round(timeout_s * NS)
        try:
            wire.drain(self._now() + 3 * quiet_ns, self._trace, quiet_ns)
        except (OSError, ValueError) as error:
            raise self._fault(wire, question, error) from error
        owed.nothing_more()

    def _drain(self, wire: TextWire, question: Question, deadline_ns: int) -> None:
        try:
            dropped = wire.drain(deadline_ns, self._trace)
        except (OSError, ValueError) as error:
            raise self._fault(wire, question, error) from error
        self._note_late(wire, wire.owed(self._board), dropped)

    def _put(
        self,
        wire: TextWire,
        owed: Outstanding,
        question: Question,
        timeout_s: float,
        *,
        anyway: bool = False,
    ) -> Answer:
        """Send one question and take its answer, or say what is wrong with it."""
        start_ns = self._now()
        alone = wire.nothing_owed
        answered = question.reply is not None
        if answered:
            owed.asked(question.form, start_ns)
        deadline_ns = start_ns + round(timeout_s * NS)
        command = question.line.encode("ascii")
        try:
            heard = wire.exchange(command, deadline_ns, self._trace, answered=answered, anyway=anyway)
        except (OSError, ValueError) as error:
            if isinstance(error, SpoiltError):
                self._note_late(wire, owed, error.received)
            raise self._fault(wire, question, error, timeout_s) from error
        return self._taken(wire, owed, question, heard, alone)

    def _taken(
        self, wire: TextWire, owed: Outstanding, question: Question, heard: Heard, alone: bool
    ) -> Answer:
        stamp = Stamp(heard.sent_ns, heard.received_ns)
        if heard.line is None or question.reply is None:
            wire.clean = True
            return Answer(stamp, {})
        line = heard.line.decode("latin-1")
        values = question.reply.read(line)
        if values is not None and _repeats(values, question.known):
            owed.answered(question.form)
            wire.clean = True
            return Answer(stamp, values)
        if self._refusal.read(line) is not None:
            if alone or len(wire.boards) == 1:  # else it may be another board's, and the answer still to come
                owed.answered_somehow()
                wire.clean = True
            raise self._refused(question, line)
        self._note_late(wire, owed, heard.line)
        raise self._garbled(question, f"{shown(heard.line)} came")

    def _note_late(self, wire: TextWire, owed: Outstanding, data: bytes) -> None:
        """Whole answers to other questions: they may be what was outstanding, and are so no more."""
        for line in data.decode("latin-1").split(wire.talk.line_end.decode()):
            for form, check in self._checks.items():
                if check.reply is not None and check.reply.read(line) is not None and owed.hides(form):
                    owed.answered(form)
                    break

    def _fault(
        self, wire: TextWire, question: Question, error: OSError | ValueError, timeout_s: float = 0.0
    ) -> BenchError:
        """What went wrong on the line, as what a person is told."""
        if isinstance(error, IncompleteError):
            came = f"only {shown(error.received)}" if error.received else "no answer"
            if error.received:
                self._came = f"{shown(error.received)} came"
            return BoardTimeout(
                f"{self._where}: {question.name}: {came} within {timeout_s * 1000:g} ms;"
                f" check {_WIRING}, or raise `timeout` there"
            )
        if isinstance(error, TimeoutError):
            return BoardTimeout(
                f"{self._where}: {question.name}: the line does not take what is sent; check the adapter"
            )
        if isinstance(error, OSError):
            wire.close()
            return self._absent(f"{question.name}: line lost ({_cause(error)})")
        return self._garbled(question, str(error))

    def _refused(self, question: Question, line: str) -> BenchError:
        return BoardRefused(
            f"{self._where}: {question.name}: {question.line!r} was answered {line!r};"
            " check the command's template against the board's manual",
            code=REFUSED,
        )

    def _absent(self, text: str) -> BenchError:
        return BoardAbsent(f"{self._where}: {text}; check the cable, and `port` in the bench file")

    def _garbled(self, question: Question, text: str) -> BenchError:
        self._came = text
        return BoardGarbled(
            f"{self._where}: {question.name}: {text}; not used; check the reply's template, `echo`, `prompt`"
            " and `baud` in the bench file, and for another program or board that talks on the line"
        )


def _repeats(values: Mapping[str, Value], known: Mapping[str, Value]) -> bool:
    return all(values[name] == known[name] for name in values.keys() & known.keys())


def _cause(error: OSError) -> str:
    return (error.strerror or str(error) or type(error).__name__).lower()
