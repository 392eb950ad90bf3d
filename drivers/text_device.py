"""The device side of a text line: what a board, or several on one line, answer to command lines.

Built from the same settings as the driver, over the same data as a Modbus device: its coils are the
outputs, its discrete inputs the inputs, its identification objects 0 to 2 maker, product and revision. Pure
but for the data's own doings; only the watchdog needs a clock, and without one there is none.

A line that no board understands is answered with the refusal; one that is for a unit which is not there meets
silence, as another board's line does; an empty line is only answered with the prompt.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from drivers.modbus_device import COILS, INPUTS, Device
from drivers.text_settings import (
    REPLIES,
    Settings,
    TextRules,
    channel_problems,
    commands_of_any_unit,
    rules_of,
    talk_problems,
)
from drivers.text_template import Template, Value
from harness.bench.parts import SettingValue
from harness.clock import NS
from harness.errors import BenchError

_LONGEST = 400  # a command line is as long as a template, at most, and its image
_MS = NS // 1000


class TextDevice:
    """Devices by unit on one line. Raises BenchError for settings that cannot be used."""

    def __init__(
        self, devices: Mapping[int, Device], settings: Settings, now_ns: Callable[[], int] | None = None
    ) -> None:
        self._boards = [_board(device, unit, settings, now_ns) for unit, device in devices.items()]
        if len(self._boards) > 1 and not all(board.addressed for board in self._boards):
            raise BenchError("several boards on one text line need {unit} in every command template")
        rules = self._boards[0].rules
        self._end, self._prompt, self._echo = rules.line_end, rules.prompt, rules.echo
        self._refusal = rules.refusal.write({"reason": "unknown"}).encode("ascii")
        self._begun = b""

    def feed(self, data: bytes) -> bytes:
        """Hear bytes, of whole lines or parts; what is answered to the lines that are whole by now."""
        *lines, self._begun = (self._begun + data).split(self._end)
        self._begun = self._begun[: _LONGEST + 1]  # enough to know that it is too long
        return b"".join(self.answer(line) for line in lines)

    def answer(self, line: bytes) -> bytes:
        """What is sent for one line, given without its end: echo, reply, prompt; empty for silence."""
        try:
            text = line.decode("ascii") if len(line) <= _LONGEST else "\0"
        except UnicodeDecodeError:
            text = "\0"  # which no template holds
        echo = line + self._end if self._echo else b""
        if not text:
            return echo + self._prompt
        for board in self._boards:
            if (reply := board.answer(text)) is not None:
                said = reply.encode("latin-1") + self._end if reply else b""
                return echo + said + self._prompt
        named = {unit for board in self._boards for unit in board.units_in(text)}
        if named and named.isdisjoint(board.rules.unit for board in self._boards):
            return b""
        return echo + self._refusal + self._end + self._prompt

    def look(self) -> None:
        """Let watchdogs that have run out switch off. For a server to call when nothing comes."""
        for board in self._boards:
            board.look()


@dataclass(slots=True)
class _Board:
    """One unit."""

    device: Device
    rules: TextRules
    any_unit: Sequence[Template]
    now_ns: Callable[[], int] | None
    watchdog_ms: int = 0
    heard_ns: int = 0

    @property
    def addressed(self) -> bool:
        return all(
            "unit" in self.rules.templates[key].names for key in REPLIES if key in self.rules.templates
        )

    def answer(self, line: str) -> str | None:
        """The reply line, empty where there is none; None when it is not understood."""
        self.look()
        for key, values in self._read(line):
            try:
                found = self._do(key, values)
                reply = self.rules.templates.get(REPLIES[key])
                said = "" if reply is None else reply.write(values | found)
            except Exception:  # whatever fails inside a device, its client gets the refusal
                return None
            if self.now_ns is not None:
                self.heard_ns = self.now_ns()
            return said
        return None

    def _read(self, line: str) -> Iterator[tuple[str, dict[str, Value]]]:
        for key in REPLIES:
            template = self.rules.templates.get(key)
            values = template.read(line) if template else None
            if values is not None:
                yield key, values

    def units_in(self, line: str) -> Iterator[Value]:
        """The units that it may be a command for."""
        for template in self.any_unit:
            if (values := template.read(line)) is not None:
                yield values["unit"]

    def look(self) -> None:
        """Switch off when nothing was heard for the watchdog's time."""
        if self.now_ns is None or not self.watchdog_ms:
            return
        if self.now_ns() - self.heard_ns > self.watchdog_ms * _MS and self._outputs:
            self.device.write_bits(self._outputs.start, len(self._outputs), 0)

    @property
    def _outputs(self) -> range:
        return self.device.tables.get(COILS, range(0))

    @property
    def _inputs(self) -> range:
        return self.device.tables.get(INPUTS, range(0))

    def _do(self, key: str, values: Mapping[str, Value]) -> dict[str, Value]:
        """Carry a command out; what its reply says besides. Raises whatever fails."""
        match key:
            case "write all":
                found = self._write(self._outputs, int(values["image"]))
            case "write one":
                found = self._write(_one(self._outputs, values), int(values["state"]))
            case "read outputs":
                found = {"image": self._bits(COILS, self._outputs)}
            case "read inputs":
                found = {"image": self._bits(INPUTS, self._inputs)}
            case "read one input":
                found = {"state": self._bits(INPUTS, _one(self._inputs, values))}
            case "identify":
                found = self._identity()
            case _:
                found = self._keep_watch(key, values)
        return found

    def _identity(self) -> dict[str, Value]:
        names = ("maker", "product", "revision")
        return {name: self.device.objects.get(k, b"").decode("latin-1") for k, name in enumerate(names)}

    def _write(self, span: range, bits: int) -> dict[str, Value]:
        if not span or bits >> len(span):
            raise ValueError("no such outputs")
        self.device.write_bits(span.start, len(span), bits)
        return {}

    def _bits(self, table: str, span: range) -> int:
        if not span:
            raise ValueError("no such channels")
        return self.device.read_bits(table, span.start, len(span)) & ((1 << len(span)) - 1)

    def _keep_watch(self, key: str, values: Mapping[str, Value]) -> dict[str, Value]:
        if self.now_ns is None:
            raise ValueError("no watchdog")
        if key == "arm watchdog":
            self.watchdog_ms = int(values.get("milliseconds", 0)) + 1000 * int(values.get("seconds", 0))
        return {"milliseconds": self.watchdog_ms, "seconds": self.watchdog_ms // 1000}


def _board(device: Device, unit: int, settings: Settings, now_ns: Callable[[], int] | None) -> _Board:
    own: dict[str, SettingValue] = dict(settings) | {"unit": unit}
    outputs, inputs = (len(device.tables.get(table, ())) for table in (COILS, INPUTS))
    problems = talk_problems(own) or channel_problems(own, outputs, inputs)
    if problems:
        raise BenchError(f"text line, unit {unit}: {problems[0]}")
    rules = rules_of(own, outputs, inputs)
    return _Board(device, rules, commands_of_any_unit(own, outputs, inputs), now_ns)


def _one(span: range, values: Mapping[str, Value]) -> range:
    channel = int(values["channel"])
    if channel not in span:
        raise ValueError(f"no channel {channel}")
    return range(channel, channel + 1)
