"""Stamps of our board on the emulated line hold the moment at which the device really did what was asked.

Device and board read one clock here, so the truth is known; the line between them keeps its times.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from modbus_models import TableDevice
from serial_lines import served_line

from drivers.rtu_server import PacedRtu, RtuBus
from drivers.serial_timing import serial_timing
from harness.bench.parts import BoardSpec
from harness.bench.registry import make_board
from harness.clock import RealClock

pytest.importorskip("pty", reason="this system has no pseudo terminals")

CLOCK = RealClock()


class Witness(TableDevice):
    """Notes when it was asked for its inputs, and when its outputs were written."""

    def __init__(self) -> None:
        super().__init__({"coils": range(8), "inputs": range(8)})
        self.at_ns: list[int] = []

    def read_bits(self, table: str, address: int, count: int) -> int:
        if table == "inputs":
            self.at_ns.append(CLOCK.now_ns())
        return super().read_bits(table, address, count)

    def write_bits(self, address: int, count: int, bits: int) -> None:
        self.at_ns.append(CLOCK.now_ns())
        super().write_bits(address, count, bits)


@pytest.mark.parametrize(
    ("baud", "read_ms", "write_ms"),
    # by hand: from the first bit of the question to the last of the answer, t3.5 between them:
    # 8 + 6 characters for a read, 10 + 8 for a write
    [(19200, 10.026, 12.317), (115200, 3.086, 3.468)],
)
@pytest.mark.parametrize("turnaround_ms", [0, 4])
def test_stamps(tmp_path: Path, baud: int, read_ms: float, write_ms: float, turnaround_ms: int) -> None:
    witness = Witness()
    talk = PacedRtu(RtuBus({1: witness}).answer, serial_timing(baud), turnaround_ms * 1_000_000)
    with served_line(talk, tmp_path / "line") as name:
        settings = {"port": name, "baud": str(baud), "parity": "none", "unit": "1"}
        spec = BoardSpec(
            name="IO1",
            driver="modbus-rtu",
            settings=settings,  # type: ignore[arg-type] # as a file gives them
            output_count=8,
            input_count=8,
        )
        with make_board(spec, CLOCK) as board:
            board.identify()
            for turn in range(15):
                witness.at_ns.clear()
                stamp = board.write({turn % 8: turn % 2 == 0})
                sample = board.read()
                written_ns, read_ns = witness.at_ns
                assert stamp.sent_ns <= written_ns <= stamp.received_ns <= sample.sent_ns
                assert sample.sent_ns <= read_ns <= sample.received_ns
                assert (stamp.received_ns - stamp.sent_ns) / 1e6 >= write_ms + turnaround_ms
                assert (sample.received_ns - sample.sent_ns) / 1e6 >= read_ms + turnaround_ms
