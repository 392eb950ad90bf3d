"""The bus trace: one line a frame, and one line when the disk is full."""

from __future__ import annotations

import io

import pytest

from harness.bench.bus_trace import trace_to
from harness.errors import RecordError


def test_one_line_a_frame() -> None:
    stream = io.StringIO()
    trace = trace_to(stream, "IO1")
    trace(True, bytes.fromhex("000100000006010200000010"), 1200)
    trace(False, b"\0\1", 1350)
    assert stream.getvalue() == "1200 IO1 > 00 01 00 00 00 06 01 02 00 00 00 10\n1350 IO1 < 00 01\n"


def test_disk_full() -> None:
    class Full(io.StringIO):
        def write(self, text: str) -> int:
            raise OSError(28, "No space left on device")

    with pytest.raises(RecordError) as caught:
        trace_to(Full(), "IO1")(True, b"", 0)
    assert str(caught.value) == "bus trace of IO1: cannot be written (No space left on device)"
