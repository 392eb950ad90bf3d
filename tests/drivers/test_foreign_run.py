"""Whole runs with a Modbus slave of another make as the board: three makes, on TCP and on a serial bus.

The short form is one start and one stop; the whole procedures of TH-S0 and TH-P1 are marked slow.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
from foreign_slave import MAKES, foreign_rtu_slave, foreign_slave, need
from line_benches import bench_folder, passed, point
from wire_benches import copy_demo, run

WIRES = ("modbus-tcp", "modbus-rtu")
P1 = [f"th-p1.{kind}" for kind in ("panel.yaml", "bench.yaml", "sequence.yaml", "table.csv")]


@pytest.fixture(params=MAKES)
def make(request: pytest.FixtureRequest) -> str:
    need(request.param)
    return str(request.param)


@contextmanager
def slave(folder: Path, panel: str, make: str, wire: str, faults: Sequence[str] = ()) -> Iterator[None]:
    """The slave in front of the panel, and the bench file pointed at it."""
    served = folder / f"served/{panel}.panel.yaml", folder / f"served/{panel}.bench.yaml"
    bench = folder / f"{panel}.bench.yaml"
    if wire == "modbus-tcp":
        with foreign_slave(*served, faults, make=make) as port:
            point(bench, wire, f"127.0.0.1:{port}")
            yield
    else:
        pytest.importorskip("pty", reason="this system has no pseudo terminals")
        with foreign_rtu_slave(*served, faults, make=make) as name:
            point(bench, wire, name, baud="115200", parity="none")
            yield


@pytest.mark.parametrize("wire", WIRES)
@pytest.mark.parametrize(
    "sequence", ["short", pytest.param("th-s0", marks=pytest.mark.slow)], ids=["short", "whole"]
)
def test_good_panel_passes(tmp_path: Path, make: str, wire: str, sequence: str) -> None:
    folder = bench_folder(tmp_path)
    with slave(folder, "th-s0", make, wire):
        answer = passed(folder / f"{sequence}.sequence.yaml", folder / "logs")
    assert {step["verdict"] for step in answer["steps"]} == {"pass"}


@pytest.mark.parametrize("wire", WIRES)
@pytest.mark.parametrize(
    ("sequence", "fault"),
    [
        ("short", "K1 stuck picked up"),
        pytest.param("th-s0", "K1.13-14 stuck open", marks=pytest.mark.slow),
    ],
    ids=["short", "whole"],
)
def test_faulty_panel_fails(tmp_path: Path, make: str, wire: str, sequence: str, fault: str) -> None:
    folder = bench_folder(tmp_path)
    with slave(folder, "th-s0", make, wire, [fault]):
        status, answer, err = run(folder / f"{sequence}.sequence.yaml", folder / "logs")
    assert (status, answer.get("verdict"), answer.get("simulated")) == (1, "fail", True), err


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_whole_procedure_of_th_p1(tmp_path: Path) -> None:
    need("libmodbus")
    copy_demo(tmp_path, *P1)
    copy_demo(tmp_path / "served", *P1[:2])
    with slave(tmp_path, "th-p1", "libmodbus", "modbus-rtu"):
        passed(tmp_path / "th-p1.sequence.yaml", tmp_path / "logs")
