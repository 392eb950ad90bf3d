"""A relay and input board that takes command lines and answers in lines, on a serial port.

What is said is in the bench file's settings, as templates (drivers/text_settings.py): `write all` with an
image of all outputs, or `write one` for each channel; `read outputs`, `read inputs` or `read one input`,
`identify`, and a watchdog. Boards with the same `port` share the line.

- With `write one`, the channels that changed are written one after the other, first those that go off, and
  all of them to make safe and whenever the board's state is in doubt. THAT IS NOT ONE MOMENT: the stamp runs
  from before the first command to after the last answer. To make safe, every channel is tried even when one
  fails.
- A command without a reply, or whose reply is the command again, as a dead line with an echo would send it,
  is read back where there is `read outputs`; else it counts as done after `write time`, and nobody knows.
- The line has no checksum. So with `read twice`, the default, inputs and outputs are read two times in one
  transaction, and again while the two differ; the stamp runs over both. It costs twice the time, and makes a
  spoilt digit or an answer that came twice harmless (drivers/text_exchange.py says why).
- A board names itself with `identify`; one that has no such command has no name.
- A transaction of several commands may take the time-out for each of them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from drivers.line import Line
from drivers.shared_lines import port_key
from harness.bench.board import Board, Identity, Sample, Stamp
from harness.bench.parts import BoardSpec, SettingValue
from harness.clock import NS, Clock
from harness.errors import BenchError, BenchUnsafe, BoardGarbled, BoardRefused, BoardTimeout

if TYPE_CHECKING:
    from drivers.text_exchange import Question, TextExchange
    from drivers.text_template import Value
    from drivers.text_wire import TextWire

_SIMULATED = "SIMULATED BOARD"
_MOST_SILENT = 2
_MOST_READS = 6  # in one transaction, where two that follow each other have to agree
OpenLine = Callable[[], Line]


class TextLineBoard(Board):
    """One board on a line; `open_line` opens the line in place of the system."""

    def __init__(self, spec: BoardSpec, clock: Clock, *, open_line: OpenLine | None = None) -> None:
        """Raises BenchError when the settings or the numbers of channels cannot be used."""
        from drivers.text_questions import Questions  # noqa: PLC0415 - a board that is only named pays nothing
        from drivers.text_settings import channel_problems, rules_of  # noqa: PLC0415

        super().__init__(spec, clock)
        settings, outputs, inputs = spec.settings, spec.output_count, spec.input_count
        problems = self.check_settings(settings) or channel_problems(settings, outputs, inputs)
        if problems:
            raise BenchError(f"board {spec.name}: {problems[0]}")
        self._rules = rules_of(settings, outputs, inputs)
        self._questions = Questions(self._rules, outputs=outputs, inputs=inputs)
        self._open_line = open_line
        self._line: TextExchange
        self._written: int | None = None  # what the outputs are known to be; None while in doubt
        self._input_polls = self._polls()

    @staticmethod
    def check_settings(settings: Mapping[str, SettingValue]) -> list[str]:
        """Everything wrong with the settings, each with what is allowed."""
        from drivers.text_settings import problems_of  # noqa: PLC0415

        return problems_of(settings)

    @staticmethod
    def moves_at_once(settings: Mapping[str, SettingValue], outputs: int) -> bool:
        """Not with a command for each channel."""
        return outputs < 2 or "write one" not in settings

    def _do_prepare(self) -> None:
        from drivers import serial_port, text_exchange, text_wire  # noqa: F401, PLC0415 - only to have them

    def _do_open(self, timeout_s: float) -> None:  # noqa: ARG002 - opening a port has no time-out
        self._line = self._exchange()
        self._line.connect()

    def _do_adopt(self, descriptor: int, timeout_s: float) -> None:  # noqa: ARG002
        self._line = self._exchange()
        self._line.adopt(descriptor)

    def _do_identify(self, timeout_s: float) -> Identity:
        if "identify" not in self._questions:
            return Identity()
        said = self._line.ask(self._questions.make("identify"), timeout_s).values
        maker, product, revision = (str(said.get(k, "")).strip() for k in ("maker", "product", "revision"))
        return Identity(maker, product, revision, simulated=product == _SIMULATED)

    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        safe, before = image == self.spec.safe_image, self._written
        self._written = None  # until all is done: an error may come at any point below
        stamps = self._sent(self._commands(image, None if safe else before), timeout_s, safe=safe)
        if stamps and not self._acknowledged:
            stamps.append(self._proved(image, timeout_s))
        self._written = image
        return self._over(stamps)

    def _commands(self, image: int, before: int | None) -> list[Question]:
        """What has to be sent for this image, where the outputs are known to be as `before`."""
        if not self.spec.output_count:
            return []
        if "write all" in self._questions:
            return [self._questions.make("write all", {"image": image})]
        changed = -1 if before is None else image ^ before
        channels = [k for k in range(self.spec.output_count) if changed >> k & 1]
        channels.sort(key=lambda k: image >> k & 1)
        return [
            self._questions.make(
                "write one", {"channel": self._rules.first_output + k, "state": image >> k & 1}
            )
            for k in channels
        ]

    def _sent(self, questions: Sequence[Question], timeout_s: float, *, safe: bool) -> list[Stamp]:
        """Send commands. To make safe, go on after a failure, unless the board is silent twice running."""
        stamps: list[Stamp] = []
        failure: BenchError | None = None
        silent = 0
        for question in questions:
            try:
                stamps.append(self._line.ask(question, timeout_s, insist=safe).stamp)
                silent = 0
            except (BoardGarbled, BoardRefused, BoardTimeout) as error:
                failure = failure or error
                silent = silent + 1 if isinstance(error, BoardTimeout) else 0
                if not safe or silent == _MOST_SILENT:
                    break
        if failure is not None:
            raise failure
        return stamps

    @property
    def _acknowledged(self) -> bool:
        """Whether an answer to a command shows that the board has understood it."""
        name = "write all" if "write all" in self._questions else "write one"
        question = self._questions.make(name, {"image": 0, "channel": self._rules.first_output, "state": 0})
        return question.reply is not None and question.reply.read(question.line) is None

    def _proved(self, image: int, timeout_s: float) -> Stamp:
        """Read back what was commanded, or wait until it must have been done."""
        if "read outputs" not in self._questions:
            now_ns = self.clock.now_ns()
            command = self._commands(image, None)[0]
            return Stamp(now_ns, self._line.wait(command, self._wire_ns(command) + self._rules.write_ns))
        stamp, read = self._outputs(timeout_s)
        if read != image:
            raise BoardGarbled(
                f"board {self.name}: outputs read back as {read:#x}, commanded {image:#x};"
                " check the command's template against the board's manual, and the line"
            )
        return stamp

    def _wire_ns(self, question: Question) -> int:
        return (
            self._character_ns() * (len(question.line) + len(self._rules.line_end)) * self.spec.output_count
        )

    def _do_read(self, timeout_s: float) -> Sample:
        if not self._input_polls:
            return Sample(self.clock.now_ns(), self.clock.now_ns(), 0)
        stamp, bits = self._agreed(self._input_polls, timeout_s)
        return Sample(stamp.sent_ns, stamp.received_ns, bits)

    def _do_read_back(self, timeout_s: float) -> int | None:
        if not self.spec.output_count:
            return 0
        return self._outputs(timeout_s)[1] if "read outputs" in self._questions else None

    def _outputs(self, timeout_s: float) -> tuple[Stamp, int]:
        return self._agreed([self._questions.make("read outputs")], timeout_s, self.spec.output_count)

    def _polls(self) -> list[Question]:
        count, first = self.spec.input_count, self._rules.first_input
        if not count:
            return []
        if "read inputs" in self._questions:
            return [self._questions.make("read inputs")]
        return [self._questions.make("read one input", {"channel": first + k}) for k in range(count)]

    def _agreed(
        self, polls: Sequence[Question], timeout_s: float, count: int | None = None
    ) -> tuple[Stamp, int]:
        """The bits that two readings in a row agree on, stamped over these two; or one reading's."""
        stamp, bits = self._once(polls, timeout_s, count)
        for _ in range(_MOST_READS - 1 if self._rules.twice else 0):
            again, same = self._once(polls, timeout_s, count)
            if same == bits:
                return Stamp(stamp.sent_ns, again.received_ns), bits
            stamp, bits = again, same
        if self._rules.twice:
            raise BoardGarbled(
                f"board {self.name}: {polls[0].name}: no two of {_MOST_READS} readings in a row agree;"
                " check for a chattering input, the line, and its `baud`"
            )
        return stamp, bits

    def _once(self, polls: Sequence[Question], timeout_s: float, count: int | None) -> tuple[Stamp, int]:
        stamps, bits = [], 0
        for place, question in enumerate(polls):
            answer = self._line.ask(question, timeout_s)
            stamps.append(answer.stamp)
            bits |= int(answer.values.get("image", answer.values.get("state", 0))) << place
        most = self.spec.input_count if count is None else count
        if bits >> most:
            raise BoardGarbled(
                f"board {self.name}: {polls[0].name}: {bits:#x} came, but the bench file gives it {most}"
                " channels; correct `inputs` or `outputs` there to what the board has"
            )
        return self._over(stamps), bits

    def _do_arm_watchdog(self, timeout_s: float) -> float:
        if "arm watchdog" not in self._questions or self.spec.watchdog is None:
            raise self._lacks("watchdog")
        wanted_ms = round(self.spec.watchdog.time_out_s * 1000)
        if wanted_ms % 1000 and "seconds" in self._rules.templates["arm watchdog"].names:
            raise BenchError(
                f"board {self.name}: watchdog time-out {wanted_ms} ms; its commands take whole seconds"
            )
        times: dict[str, Value] = {"milliseconds": wanted_ms, "seconds": wanted_ms // 1000}
        self._line.ask(self._questions.make("arm watchdog", times), timeout_s)
        read = self._line.ask(self._questions.make("ask watchdog"), timeout_s).values
        armed_ms = int(read.get("milliseconds", 0)) + 1000 * int(read.get("seconds", 0))
        if armed_ms != wanted_ms:
            raise BenchUnsafe(
                f"board {self.name}: its watchdog reads back {armed_ms} ms, armed with {wanted_ms} ms;"
                " it is not armed as wanted; check the templates against the board's manual"
            )
        return armed_ms / 1000

    def watchdog_time_out(self) -> float:
        """As the board tells it now, s."""
        limit_s = self._ready(None)
        question = self._questions.make("ask watchdog")
        read = self._again(lambda: self._line.ask(question, limit_s)).values
        return int(read.get("milliseconds", 0)) / 1000 + int(read.get("seconds", 0))

    def _do_feed_watchdog(self, timeout_s: float) -> None:
        if "feed watchdog" in self._questions:
            self._line.ask(self._questions.make("feed watchdog"), timeout_s)

    def _descriptor(self) -> int | None:
        return self._line.descriptor

    def _connections(self) -> int:
        return self._line.connections

    def _remarks(self) -> tuple[str, ...]:
        return self._line.remarks

    def _do_close(self) -> None:
        self._written = None
        self._line.close()

    def _over(self, stamps: Sequence[Stamp]) -> Stamp:
        """From before the first to after the last; now where there was nothing to say."""
        if not stamps:
            return Stamp(self.clock.now_ns(), self.clock.now_ns())
        return Stamp(stamps[0].sent_ns, stamps[-1].received_ns)

    def _exchange(self) -> TextExchange:
        from drivers.text_exchange import Place, TextExchange  # noqa: PLC0415

        key = port_key(str(self.spec.settings["port"]))
        place = Place(key, self._shared_settings(), self._make_wire, self._adopted, self._open_line)
        return TextExchange(
            self.name,
            place,
            self.clock,
            self._questions.checks(),
            self._rules.refusal,
            unit=self._rules.unit,
            addressed=self._questions.addressed(),
            trace=self.trace,
        )

    def _shared_settings(self) -> dict[str, object]:
        """What boards on one port must have in common, by the words of the bench file."""
        from drivers.serial_port import serial_settings  # noqa: PLC0415

        line, rules = serial_settings(self.spec.settings), self._rules
        return {
            "driver": self.spec.driver,
            "baud": line.baud,
            "parity": line.parity,
            "stop bits": line.stop_bits,
            "data bits": line.data_bits,
            "line end": ascii(rules.line_end.decode()),
            "prompt": ascii(rules.prompt.decode()),
            "echo": rules.echo,
            "quiet": f"{rules.quiet_ns / 1e6:g} ms",
            "soonest answer": None if rules.soonest_ns is None else f"{rules.soonest_ns / 1e6:g} ms",
        }

    def _make_wire(self) -> TextWire:
        from drivers.text_wire import Talk, TextWire  # noqa: PLC0415

        rules = self._rules
        talk = Talk(
            line_end=rules.line_end,
            prompt=rules.prompt,
            echo=rules.echo,
            quiet_ns=rules.quiet_ns,
            soonest_ns=rules.soonest_ns,
            character_ns=self._character_ns(),
        )
        return TextWire(self._open_line or self._opened, self.clock, talk)

    def _character_ns(self) -> int:
        from drivers.serial_port import serial_settings  # noqa: PLC0415

        line = serial_settings(self.spec.settings)
        return (1 + line.data_bits + (line.parity != "none") + line.stop_bits) * NS // line.baud

    def _opened(self) -> Line:
        from drivers.serial_port import open_serial, serial_settings  # noqa: PLC0415

        return open_serial(f"board {self.name}", serial_settings(self.spec.settings), self.clock)

    def _adopted(self, descriptor: int) -> Line:
        from drivers.serial_port import adopt_serial, serial_settings  # noqa: PLC0415

        return adopt_serial(f"board {self.name}", descriptor, serial_settings(self.spec.settings), self.clock)
