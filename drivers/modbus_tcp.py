"""A relay and input board on Modbus TCP: outputs are coils, inputs are discrete inputs.

All outputs go in one transaction (function 15, or 5 for a board with one output), all inputs come in one
(function 2); outputs are read back with function 1. Settings, as the bench file gives them: `host`, `port`
(502), `unit` (1), `first output` (0) and `first input` (0), the last two as addresses on the wire, which
count from 0 (AP 4.4). A connection lost during a write raises. A question without an answer is asked again
only where the bench file's `retries` says so, on a new connection, where no late answer can reach it.
"""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from typing import TYPE_CHECKING

from harness.bench.board import Board, Identity, Sample, Stamp
from harness.bench.parts import BoardSpec, SettingValue
from harness.clock import Clock
from harness.errors import BenchError, BoardRefused

if TYPE_CHECKING:
    from drivers.modbus_exchange import Exchange
    from drivers.modbus_question import Question

# setting: (default, least, most). Port 502 and unit: MODBUS Messaging on TCP/IP V1.0b.
_NUMBERS = {
    "port": (502, 1, 65535),
    "unit": (1, 0, 255),
    "first output": (0, 0, 65535),
    "first input": (0, 0, 65535),
}
_KEYS = ("host", *_NUMBERS)
_MOST_OUTPUTS, _MOST_INPUTS = 1968, 2000  # in one transaction, MODBUS Application Protocol V1.1b3, 6.2, 6.11
_CANNOT_SAY = (1, 2, 3)  # exceptions of a board that has no identification


class ModbusTcpBoard(Board):
    """One board behind one address."""

    tells_answers_apart = True

    def __init__(self, spec: BoardSpec, clock: Clock) -> None:
        """Raises BenchError when the settings or the numbers of channels cannot be used."""
        super().__init__(spec, clock)
        problems = self.check_settings(spec.settings) or _channel_problems(spec)
        if problems:
            raise BenchError(f"board {spec.name}: {problems[0]}")
        self._host = str(spec.settings["host"])
        numbers = {key: int(spec.settings.get(key, _NUMBERS[key][0])) for key in _NUMBERS}
        self._port, self._unit = numbers["port"], numbers["unit"]
        self._first_output, self._first_input = numbers["first output"], numbers["first input"]
        self._mask = (1 << spec.input_count) - 1
        self._line: Exchange
        self._poll: Question

    @staticmethod
    def check_settings(settings: Mapping[str, SettingValue]) -> list[str]:
        """Everything wrong with the settings, each with what is allowed."""
        problems = [_unknown(key) for key in settings if key not in _KEYS]
        if not str(settings.get("host", "")).strip():
            problems.append("`host` is missing; give the board's IP address or host name")
        for key, (_, least, most) in _NUMBERS.items():
            text = str(settings.get(key, least)).strip()
            if not (text.isascii() and text.isdigit() and least <= int(text) <= most):
                problems.append(f"`{key}` is {text!r}; a whole number from {least} to {most} is needed")
        return problems

    def _do_prepare(self) -> None:
        from drivers import modbus_exchange, modbus_question  # noqa: F401, PLC0415 - only to have them loaded

    def _do_open(self, timeout_s: float) -> None:
        # pymodbus costs 67 ms to import: only an opened board pays
        from drivers import modbus_question  # noqa: PLC0415
        from drivers.modbus_exchange import Exchange  # noqa: PLC0415

        where = f"board {self.name} at {self._host}:{self._port} unit {self._unit}"
        self._line = Exchange(where, self._host, self._port, self.clock, self.trace)
        if self.spec.input_count:
            self._poll = modbus_question.read_bits(2, self._first_input, self.spec.input_count, self._unit)
        self._questions = modbus_question
        self._line.connect(timeout_s)

    def _do_identify(self, timeout_s: float) -> Identity:
        objects: dict[int, bytes] = {}
        wanted: int | None = 0
        try:
            while wanted is not None:
                answer = self._line.ask(self._questions.identify(self._unit, wanted), timeout_s)
                new, wanted = self._questions.objects_of(answer[2])
                if not new.keys() - objects.keys():
                    break
                objects |= new
        except BoardRefused as error:
            if error.code not in _CANNOT_SAY:
                raise
        maker, product, revision = (objects.get(k, b"").decode("latin-1").strip("\0 ") for k in range(3))
        return Identity(maker, product, revision, simulated=product == "SIMULATED BOARD")

    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        count = self.spec.output_count
        if not count:
            return Stamp(self.clock.now_ns(), self.clock.now_ns())
        if count == 1:
            question = self._questions.write_coil(self._first_output, bool(image), self._unit)
        else:
            question = self._questions.write_coils(self._first_output, count, image, self._unit)
        sent_ns, received_ns, _ = self._line.ask(question, timeout_s)
        return Stamp(sent_ns, received_ns)

    def _do_read(self, timeout_s: float) -> Sample:
        if not self._mask:
            return Sample(self.clock.now_ns(), self.clock.now_ns(), 0)
        sent_ns, received_ns, answer = self._line.ask(self._poll, timeout_s)
        return Sample(sent_ns, received_ns, int.from_bytes(answer[2:], "little") & self._mask)

    def _do_read_back(self, timeout_s: float) -> int | None:
        count = self.spec.output_count
        if not count:
            return 0
        question = self._questions.read_bits(1, self._first_output, count, self._unit)
        answer = self._line.ask(question, timeout_s)[2]
        return int.from_bytes(answer[2:], "little") & ((1 << count) - 1)

    def _do_close(self) -> None:
        self._line.close()


def _unknown(key: str) -> str:
    near = get_close_matches(key, _KEYS, n=1)
    hint = f"; did you mean `{near[0]}`?" if near else ""
    return f"no setting `{key}`; allowed: {', '.join(_KEYS)}{hint}"


def _channel_problems(spec: BoardSpec) -> list[str]:
    problems = []
    rows = (("output", spec.output_count, _MOST_OUTPUTS), ("input", spec.input_count, _MOST_INPUTS))
    for what, count, most in rows:
        if not 0 <= count <= most:
            problems.append(f"{count} {what}s; 0 to {most} can be moved in one transaction")
        elif int(spec.settings.get(f"first {what}", 0)) + count > 0x10000:
            problems.append(f"{count} {what}s from `first {what}` go beyond address 65535")
    return problems
