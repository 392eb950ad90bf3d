"""One board under two names in a bench file is refused; neighbours on one line are not."""

from __future__ import annotations

import pytest

from harness.bench.files import read_bench
from harness.errors import FileError
from harness.source import load_text

TCP = "driver: modbus-tcp, outputs: 4, inputs: 4, settings: {host: io1"
RTU = "driver: modbus-rtu, outputs: 4, inputs: 4, settings: {port: /dev/ttyUSB9"


def refusal(one: str, other: str) -> str:
    text = f"format: 1\nbench: TH-B4\nboards:\n  A: {{{one}}}}}\n  B: {{{other}}}}}\n"
    try:
        read_bench(load_text(text.encode(), "b"))
    except FileError as error:
        return str(error)
    return ""


@pytest.mark.parametrize(
    ("one", "other", "side"),
    [
        (TCP, TCP, "output"),
        (TCP, TCP.replace("io1", "IO1") + ", port: 502, unit: 01", "output"),
        (TCP, TCP + ", first output: 3", "output"),
        (TCP, TCP + ", first output: 4", "input"),
        (TCP, TCP + ", first output: 4, first input: 4", ""),
        (TCP, TCP + ", unit: 2", ""),
        (TCP, TCP + ", port: 503", ""),
        (TCP, TCP.replace("io1", "io2"), ""),
        (RTU, RTU, "output"),
        (RTU, RTU + ", unit: 2", ""),
        ("driver: simulated, outputs: 4, settings: {", "driver: simulated, outputs: 4, settings: {", ""),
    ],
)
def test_two_names_for_one_board(one: str, other: str, side: str) -> None:
    found = refusal(one, other)
    assert (f"b:5:3: board B has {side}s of board A: both are at one address" in found) is bool(side)
    assert ("at one address" in found) is bool(side)
    assert side or not found
