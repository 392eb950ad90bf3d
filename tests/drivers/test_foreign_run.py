"""A whole run over TCP with a Modbus slave of another make (modbus_tk) as the board."""

from __future__ import annotations

from pathlib import Path

from foreign_slave import foreign_slave
from wire_benches import copy_demo, point_at, run

FILES = [f"th-s0.{kind}" for kind in ("panel.yaml", "bench.yaml", "sequence.yaml", "table.csv")]


def test_run_over_a_foreign_slave(tmp_path: Path) -> None:
    """The panel's faults over this slave are in test_foreign_slave.py; here every step has to pass."""
    copy_demo(tmp_path, *FILES)
    bench = tmp_path / "th-s0.bench.yaml"
    with foreign_slave(tmp_path / "th-s0.panel.yaml", bench) as port:
        point_at(bench, port)
        status, document, messages = run(tmp_path / "th-s0.sequence.yaml", tmp_path / "logs", "--acknowledge")
    assert document, messages
    assert (status, document["verdict"], document["simulated"]) == (0, "pass", True), messages
    assert {step["verdict"] for step in document["steps"]} == {"pass"}
