"""The RTU boards over a line in memory: contract, sharing, splitting, registers, watchdog, taking over."""

from __future__ import annotations

from dataclasses import replace

import pytest
from modbus_models import TableDevice
from scripted_line import ScriptedLine, answering

from drivers.modbus_rtu import ModbusRtuTcpBoard
from harness.bench.board import Identity
from harness.bench.contract import check_board
from harness.bench.parts import BoardSpec, SettingValue
from harness.clock import VirtualClock

SPEC = BoardSpec(name="IO1", driver="modbus-rtu-tcp", settings={"host": "h"}, output_count=16, input_count=10)


def device(outputs: int = 16, inputs: int = 10, **more: object) -> TableDevice:
    tables = {"coils": range(outputs), "inputs": range(inputs), "holding registers": range(200)}
    return TableDevice({table: span for table, span in tables.items() if span}, **more)  # type: ignore[arg-type]


def line_with(*devices: TableDevice) -> ScriptedLine:
    return ScriptedLine(VirtualClock(), answering(dict(enumerate(devices, start=1))))


def board(line: ScriptedLine, **changes: object) -> ModbusRtuTcpBoard:
    more: dict[str, SettingValue] = changes.pop("settings", {})  # type: ignore[assignment]
    spec = replace(SPEC, settings=SPEC.settings | more, **changes)  # type: ignore[arg-type]
    return ModbusRtuTcpBoard(spec, line.clock, open_line=line.open)


@pytest.mark.parametrize(("outputs", "inputs"), [(16, 10), (1, 1), (0, 8), (8, 0), (33, 70), (0, 0)])
def test_keeps_the_contract(outputs: int, inputs: int) -> None:
    line = line_with(device(outputs, inputs))
    assert check_board(lambda: board(line, output_count=outputs, input_count=inputs)) == []
    assert line.opened == line.closed
