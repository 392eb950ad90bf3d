"""Whole runs in virtual time through the command: verdicts, exit status, JSON, names of what is wrong."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest

from harness.cli.main import main
from harness.demo_files import resolve
from harness.panel.faults import single_faults
from harness.panel.files import load_panel


def call(*words: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    return main(words, out=out, err=err), out.getvalue(), err.getvalue()


def run(logs: Path, name: str, *words: str) -> tuple[int, dict[str, Any]]:
    status, out, _ = call("run", name, "--virtual-time", "--json", "--logs", str(logs), *words)
    return status, json.loads(out)


def test_a_simulated_run_says_so_everywhere(tmp_path: Path) -> None:
    status, answer = run(tmp_path, "demo:th-s0.sequence.yaml")
    assert (status, answer["verdict"], answer["simulated"]) == (0, "pass", True)
    assert answer["notice"] == "SIMULATED, NO PANEL TESTED"
    assert {"format", "verdict", "simulated", "run", "steps"} <= answer.keys()
    keys = {"of", "quantity", "unit", "expected", "read", "low", "high"}
    assert all(keys <= reading.keys() for step in answer["steps"] for reading in step["readings"])
    status, out, _ = call("run", "demo:th-s0.sequence.yaml", "--virtual-time", "--logs", str(tmp_path))
    assert out.splitlines()[0] == out.splitlines()[-1] == "SIMULATED, NO PANEL TESTED"


def test_a_failure_names_row_positions_load_expected_and_read(tmp_path: Path) -> None:
    status, answer = run(tmp_path, "demo:th-p1.sequence.yaml", "--fault", "K1.51-52 stuck open")
    assert status == 1
    step = next(step for step in answer["steps"] if step["verdict"] == "fail")
    assert "button at idle" in step["title"]
    assert step["positions"] == {"S1": "pressed"}
    wrong = [reading for reading in step["readings"] if reading["verdict"] == "fail"]
    assert [(r["of"], r["expected"], r["read"]) for r in wrong] == [("Y4", "on", "off")]


def test_the_last_lines_are_enough_for_a_fitter(tmp_path: Path) -> None:
    words = ["run", "demo:th-p1.sequence.yaml", "--virtual-time", "--logs", str(tmp_path)]
    status, out, _ = call(*words, "--fault", "K1.51-52 stuck open")
    assert status == 1
    last = out.splitlines()[-22:]
    assert any(line.startswith("FAIL  TH-P1") for line in last)
    assert "  with S1 pressed" in last
    assert any("Y4 (Shutdown solenoid" in line and "expected on, read off" in line for line in last)
    path = "L+ > F1 > W10 > S1:13-14 > W20 > K1:51-52 > W34 > Y4 > L-"
    assert f"  Y4 should be fed by {path}" in last
    assert last[-1] == "SIMULATED, NO PANEL TESTED"


def test_the_same_seed_gives_the_same_journal(tmp_path: Path) -> None:
    journals = []
    for number in (1, 2):
        status, answer = run(tmp_path / str(number), "demo:th-s0.sequence.yaml", "--seed", "7")
        assert status == 0
        journals.append((Path(answer["run"]) / "journal.jsonl").read_bytes())
    assert journals[0] == journals[1]
    _, answer = run(tmp_path / "3", "demo:th-s0.sequence.yaml", "--seed", "8")
    assert (Path(answer["run"]) / "journal.jsonl").read_bytes() != journals[0]


def test_a_run_leaves_a_record_that_verifies(tmp_path: Path) -> None:
    _, answer = run(tmp_path, "demo:th-s0.sequence.yaml")
    status, out, _ = call("verify", answer["run"])
    assert status == 0
    assert "whole and unaltered" in out
    table = Path(answer["run"]) / "th-s0.table.csv"
    table.write_text(table.read_text().replace("off", "on", 1))
    assert call("verify", answer["run"])[0] == 1


def test_expected_from_the_panel_proves_self_consistency_only(tmp_path: Path) -> None:
    for name in ("th-s0.panel.yaml", "th-s0.bench.yaml"):
        (tmp_path / name).write_bytes(resolve(f"demo:{name}").read_bytes())
    text = "format: 1\ntitle: Own circuit\npanel: th-s0.panel.yaml\nbench: th-s0.bench.yaml\n"
    text += "expected: {from: panel}\nsteps:\n- set: {S1: pressed}\n"
    (tmp_path / "own.sequence.yaml").write_text(text)
    status, answer = run(tmp_path / "logs", str(tmp_path / "own.sequence.yaml"))
    assert (status, answer["self_consistent"]) == (0, True)
    _, out, _ = call(
        "run", str(tmp_path / "own.sequence.yaml"), "--virtual-time", "--logs", str(tmp_path / "l")
    )
    assert "this proves self-consistency only" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        pytest.param(["--panel-serial", "7"], "--panel-serial is refused on a simulated bench", id="serial"),
        pytest.param(["--fault", "K1 coil opne"], "K1 coil open", id="misspelt fault names the near one"),
        pytest.param(["--bench", "nowhere.bench.yaml"], "nowhere.bench.yaml", id="no such bench"),
        pytest.param(["--logs", "/dev/null/x"], "/dev/null/x", id="logs cannot be made"),
    ],
)
def test_words_that_do_not_go_together_are_one_line(words: list[str], said: str, tmp_path: Path) -> None:
    base = ["run", "demo:th-s0.sequence.yaml", "--virtual-time", "--logs", str(tmp_path)]
    status, out, err = call(*base, *words)
    assert status in {2, 4}
    assert out == ""
    assert said in err
    assert len(err.splitlines()) == 1


def test_virtual_time_is_refused_with_a_real_board(tmp_path: Path) -> None:
    for name in ("th-s0.panel.yaml", "th-s0.table.csv", "th-s0.sequence.yaml"):
        (tmp_path / name).write_bytes(resolve(f"demo:{name}").read_bytes())
    bench = resolve("demo:th-s0.bench.yaml").read_text().replace("simulated: true\n", "")
    real = "driver: modbus-tcp\n    settings: {host: 127.0.0.1, port: 1}"
    (tmp_path / "th-s0.bench.yaml").write_text(bench.replace("driver: simulated", real))
    sequence = str(tmp_path / "th-s0.sequence.yaml")
    logs = ["--logs", str(tmp_path / "logs")]
    status, _, err = call("run", sequence, "--virtual-time", *logs)
    assert (status, "never goes with a real board" in err) == (2, True)
    status, _, err = call("run", sequence, "--fault", "K1 coil open", *logs)
    assert (status, "--fault seeds a simulated bench only" in err) == (2, True)


def test_faults_listed_are_faults_taken(tmp_path: Path) -> None:
    status, out, _ = call("faults", "demo:th-s0.panel.yaml", "--json")
    listed = json.loads(out)["faults"]
    assert status == 0
    assert {"name", "kind"} <= listed[0].keys()
    panel = load_panel(resolve("demo:th-s0.panel.yaml")).panel
    assert [entry["name"] for entry in listed] == [fault.name for fault in single_faults(panel)]
    for entry in listed[:: max(1, len(listed) // 6)]:
        assert run(tmp_path, "demo:th-s0.sequence.yaml", "--fault", entry["name"])[0] in {0, 1}
