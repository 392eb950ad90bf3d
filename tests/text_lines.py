"""Text-line boards for tests: a device whose inputs count, boards on lines in memory, scripts with faults."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from modbus_models import TableDevice
from scripted_line import MS, Arrivals, Script, ScriptedLine

from drivers.text_device import TextDevice
from drivers.text_line import TextLineBoard
from harness.bench.board import Sample
from harness.bench.parts import BoardSpec
from harness.clock import NS, VirtualClock

ANSWER_MS = 5.0
TIMEOUT_S = 0.1
IDENTITY = {0: b"an invented maker", 1: b"SIMULATED BOARD", 2: b"7"}


class Counting(TableDevice):
    """A device whose inputs are how often they were read, and which notes when: so every answer is known."""

    def __init__(self, clock: VirtualClock, outputs: int = 8, inputs: int = 8) -> None:
        tables = {"coils": range(outputs), "inputs": range(inputs)}
        super().__init__({name: span for name, span in tables.items() if span}, objects=IDENTITY)
        self.clock = clock
        self.noted: list[tuple[int, int]] = []

    def read_bits(self, table: str, address: int, count: int) -> int:
        if table == "coils":
            return super().read_bits(table, address, count)
        value = (len(self.noted) + 1) % (1 << count)
        self.noted.append((self.clock.now_ns(), value))
        return value

    def told(self, sample: Sample) -> bool:
        """Whether it reported just that within the sample's stamp."""
        return any(
            sample.sent_ns <= at <= sample.received_ns and value == sample.bits for at, value in self.noted
        )


Fault = Callable[[bytes, bytes], Arrivals]


@dataclass
class Befalling:
    """A device's answers, 5 ms after each question; `fault` befalls the next, given it and the last one."""

    device: TextDevice
    clock: VirtualClock | None = None
    fault: Fault | None = None
    last: bytes = b""
    heard: list[bytes] = field(default_factory=list)
    busy_ns: int = 0

    def __call__(self, data: bytes) -> Arrivals:
        self.heard.append(data)
        answer = self.device.feed(data)
        last, self.last = self.last, answer
        fault, self.fault = self.fault, None
        arrivals = [(ANSWER_MS, answer)] if answer else []
        return self._in_order(arrivals if fault is None else [*fault(answer, last)])

    def _in_order(self, arrivals: Arrivals) -> Arrivals:
        """What is late holds up all that follows, as a device answers one question after the other."""
        now_ns = self.clock.now_ns() if self.clock else 0
        for after_ms, data in arrivals:
            at_ns = self.busy_ns = max(self.busy_ns if self.clock else 0, now_ns + round(after_ms * MS))
            yield (at_ns - now_ns) / MS, data


def spec_of(settings: Mapping[str, Any] | None = None, **changes: Any) -> BoardSpec:
    """A board of 8 outputs and 8 inputs with these settings besides its port."""
    values: dict[str, Any] = {
        "name": "IO1",
        "driver": "text-line",
        "settings": {"port": "memory", **(settings or {})},
        "output_count": 8,
        "input_count": 8,
        "timeout_s": TIMEOUT_S,
    }
    return BoardSpec(**(values | changes))


def board_on(line: ScriptedLine, spec: BoardSpec) -> TextLineBoard:
    """A board on a line in memory, in its virtual time."""
    return TextLineBoard(spec, line.clock, open_line=line.open)


def in_memory(
    settings: Mapping[str, Any] | None = None, **changes: Any
) -> tuple[TextLineBoard, Counting, Befalling, ScriptedLine]:
    """A board with these settings over a counting device that speaks as they say, not yet open."""
    clock = VirtualClock(start_ns=NS)
    spec = spec_of(settings, **changes)
    device = Counting(clock, spec.output_count, spec.input_count)
    script = Befalling(TextDevice({1: device}, dict(settings or {}), clock.now_ns), clock)
    line = ScriptedLine(clock, script)
    return board_on(line, spec), device, script, line


def scripted(script: Script, settings: Mapping[str, Any] | None = None, **changes: Any) -> TextLineBoard:
    """A board that hears whatever the script says."""
    return board_on(ScriptedLine(VirtualClock(start_ns=NS), script), spec_of(settings, **changes))
