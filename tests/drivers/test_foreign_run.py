"""Whole runs with a Modbus slave of another make as the board: three makes, on TCP and on a serial bus.

The short form is one start and one stop; the whole procedures of TH-S0 and TH-P1 are marked slow.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
from foreign_slave import MAKES, foreign_rtu_slave, foreign_slave, need
from line_benches import bench_folder, point
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
    ("faults", "status", "verdict"),
    [((), 0, "pass"), (("K1 stuck picked up",), 1, "fail")],
    ids=["good", "faulty"],
)
def test_short_run(
    tmp_path: Path, make: str, wire: str, faults: tuple[str, ...], status: int, verdict: str
) -> None:
    folder = bench_folder(tmp_path)
    with slave(folder, "th-s0", make, wire, faults):
        found, answer, err = run(folder / "short.sequence.yaml", folder / "logs")
    assert (found, answer.get("verdict"), answer.get("simulated")) == (status, verdict, True), err


@pytest.mark.slow
@pytest.mark.parametrize("wire", WIRES)
@pytest.mark.parametrize(
    ("faults", "status", "verdict"),
    [((), 0, "pass"), (("K1.13-14 stuck open",), 1, "fail")],
    ids=["good", "seal-in contact open"],
)
def test_whole_procedure_of_th_s0(
    tmp_path: Path, make: str, wire: str, faults: tuple[str, ...], status: int, verdict: str
) -> None:
    folder = bench_folder(tmp_path)
    with slave(folder, "th-s0", make, wire, faults):
        found, answer, err = run(folder / "th-s0.sequence.yaml", folder / "logs")
    assert (found, answer.get("verdict"), answer.get("simulated")) == (status, verdict, True), err
    if not faults:
        assert {step["verdict"] for step in answer["steps"]} == {"pass"}


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_whole_procedure_of_th_p1(tmp_path: Path) -> None:
    need("libmodbus")
    copy_demo(tmp_path, *P1)
    copy_demo(tmp_path / "served", *P1[:2])
    with slave(tmp_path, "th-p1", "libmodbus", "modbus-rtu"):
        status, answer, err = run(tmp_path / "th-p1.sequence.yaml", tmp_path / "logs")
    assert (status, answer.get("verdict")) == (0, "pass"), err
