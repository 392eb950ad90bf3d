"""A slave that answers a bad address with success and no data, as one make (jsmodbus 5) was seen to do.

The panel behind it is good, or faulty; what it cannot give is never taken for a reading.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import pytest
from line_benches import bench_folder, passed, point
from serial_lines import served_line
from wire_benches import edit, run

from drivers.modbus_device import ILLEGAL_ADDRESS, Device
from drivers.modbus_server import ModbusServer
from drivers.rig import SimulatedRig
from drivers.rig_device import devices
from drivers.rtu_frame import sealed
from drivers.rtu_server import PacedRtu, RtuBus
from drivers.serial_timing import serial_timing
from harness.bench.files import load_bench
from harness.clock import RealClock
from harness.panel.files import load_panel


def emptied(pdu: bytes) -> bytes:
    """An answer as that slave gives it: in place of exception 02 the function, and none of its data."""
    if pdu[0] & 0x80 and pdu[1] == ILLEGAL_ADDRESS:
        return bytes([pdu[0] & 0x7F, 0])
    return pdu


class EmptyTcp(ModbusServer):
    def answer(self, frame: bytes) -> bytes:
        answer = super().answer(frame)
        pdu = emptied(answer[7:])
        return answer[:4] + (len(pdu) + 1).to_bytes(2) + answer[6:7] + pdu


class EmptyBus(RtuBus):
    def answer(self, frame: bytes) -> bytes:
        answer = super().answer(frame)
        return sealed(answer[:1] + emptied(answer[1:-2])) if answer else b""


@contextmanager
def empty_slave(boards: Mapping[int, Device], wire: str) -> Iterator[str]:
    if wire == "modbus-rtu":
        pytest.importorskip("pty", reason="this system has no pseudo terminals")
        with served_line(PacedRtu(EmptyBus(boards).answer, serial_timing(115200))) as name:
            # A guardian goes on trying, and keeps the line's name locked: nobody else may get that name.
            os.open(name, os.O_RDWR | os.O_NOCTTY)
            yield name
        return
    server = EmptyTcp(boards, "127.0.0.1", 0)
    thread = threading.Thread(target=server.serve, args=(lambda: None, 0.01))
    thread.start()
    try:
        yield server.place
    finally:
        server.stop()
        thread.join(5)


@pytest.mark.parametrize("wire", ["modbus-tcp", "modbus-rtu"])
@pytest.mark.parametrize(
    ("pattern", "replacement", "reason"),
    [
        pytest.param(
            "^    inputs: 8",
            "    inputs: 16",
            "read inputs at 0 to 15: byte count 0 instead of 2; not used",
            id="more inputs than it has",
        ),
        pytest.param(
            "^    outputs: 8",
            "    outputs: 9",
            "read outputs at 0 to 8: byte count 0 instead of 2; not used",
            id="more outputs than it has",
        ),
        pytest.param(
            "unit: 1}",
            "unit: 1, first input: 100}",
            "read inputs at 100 to 107: byte count 0 instead of 1; not used",
            id="inputs elsewhere",
        ),
        pytest.param(
            "unit: 1}",
            "unit: 1, first output: 100}",
            "read outputs at 100 to 107: byte count 0 instead of 1; not used",
            id="outputs elsewhere",
        ),
        pytest.param("", "", "", id="as it is"),
    ],
)
def test_empty_success_is_no_reading(
    tmp_path: Path, wire: str, pattern: str, replacement: str, reason: str
) -> None:
    folder = bench_folder(tmp_path)
    rig = SimulatedRig(
        load_panel(folder / "served/th-s0.panel.yaml").panel,
        load_bench(folder / "served/th-s0.bench.yaml").bench,
        RealClock(),
    )
    bench = folder / "th-s0.bench.yaml"
    with empty_slave(devices(rig), wire) as place:
        words = {} if wire == "modbus-tcp" else {"baud": "115200", "parity": "none"}
        point(bench, wire, place, **words)
        if reason:
            edit(bench, pattern, replacement)
        else:
            passed(folder / "short.sequence.yaml", folder / "logs")
            return
        status, answer, err = run(folder / "short.sequence.yaml", folder / "logs")
    assert (status, answer.get("verdict")) == (4, "error"), err
    assert not any(step["verdict"] == "pass" for step in answer["steps"])
    assert reason in err
