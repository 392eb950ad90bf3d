"""Readings of recorded runs as a frame."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from harness.cli.main import main
from harness.errors import RecordError
from harness.record.frames import COLUMNS, readings


@pytest.fixture
def run(tmp_path: Path) -> Path:
    words = ["run", "demo:th-s0.sequence.yaml", "--virtual-time", "--logs", str(tmp_path)]
    assert main([*words, "--fault", "K1.13-14 stuck open"], out=io.StringIO(), err=io.StringIO()) == 1
    return next(tmp_path.iterdir())


def test_a_failed_run_shows_what_it_read(run: Path) -> None:
    frame = readings([run, run])
    assert list(frame.columns) == list(COLUMNS)
    assert frame.simulated.all()
    assert set(frame.panel) == {"TH-S0 Start-stop seal-in for beginners"}
    wrong = frame[(frame.verdict == "fail") & (frame.of == "K1") & (frame.quantity == "state")]
    assert set(wrong.expected.str.partition(" ")[0]) == {"on"}
    times = frame[frame.quantity == "time"].dropna(subset=["low_us"])
    assert (times.low_us <= times.high_us).all()
    assert len(frame) == 2 * len(readings([run]))


def test_no_runs_give_an_empty_frame_of_the_same_columns() -> None:
    assert list(readings([]).columns) == list(COLUMNS)


def test_what_is_no_run_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="not a readable run"):
        readings([tmp_path])
