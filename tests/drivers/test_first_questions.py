"""A board that never answered yet: the first message names what a new bench file gets wrong."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import pytest
from memory_wire import Injector, MemoryLine, MemoryWire

from drivers.modbus_rtu import ModbusRtuBoard
from drivers.text_line import TextLineBoard
from harness.bench.board import Board
from harness.bench.parts import BoardSpec
from harness.clock import NS, VirtualClock
from harness.errors import BenchError

RTU = {"port": "memory", "baud": 19200, "unit": 2}
TEXT = {"port": "memory", "unit": 1}


def first_message(kind: type[Any], settings: dict[str, Any], respond: Callable[[bytes], bytes]) -> str:
    spec = BoardSpec(name="IO1", driver="x", settings=settings, output_count=8, input_count=8, timeout_s=0.1)
    clock = VirtualClock()
    wire = MemoryWire(
        clock, respond, Injector((), 0.0, random.Random(0)), foreign=bytes, late_ns=NS, in_order=True
    )
    board: Board = kind(spec, clock, open_line=lambda: MemoryLine(wire))
    board.open()
    with pytest.raises(BenchError) as caught:
        board.identify()
    return str(caught.value)


def test_a_wrong_unit_on_a_serial_line_is_said_as_no_answer_from_it() -> None:
    text = first_message(ModbusRtuBoard, RTU, lambda _request: b"")
    assert "no answer from unit 2 within 100 ms to a first question" in text
    assert "check `unit`, `baud`, `parity`, wiring A/B and the board's power" in text
    assert "earlier failure" not in text


@pytest.mark.parametrize(
    ("respond", "said"),
    [
        (lambda _line: b"", "no answer within 100 ms to a first question (read outputs"),
        (lambda _line: b"OUTPUTS HERE 01\n", "check `line end`, `echo`, `prompt`, `image digits`"),
    ],
    ids=["silent", "answers otherwise"],
)
def test_a_text_line_that_does_not_fit_says_what_came(respond: Callable[[bytes], bytes], said: str) -> None:
    text = first_message(TextLineBoard, TEXT, respond)
    assert said in text
    assert ("OUTPUTS HERE 01" in text) == (respond(b"") != b"")
    assert "earlier failure" not in text
