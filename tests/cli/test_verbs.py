"""Every verb but run: what it prints, to which stream, with which exit status."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest
import yaml
from wire_benches import copy_demo, edit, point_at

from harness.cli.main import main
from harness.demo_files import resolve

S0, P1 = "demo:th-s0.panel.yaml", "demo:th-p1.panel.yaml"
ENTRY = f"import sys; sys.path[:] = {sys.path!r}; from harness.cli.main import entry; entry()"


def call(*words: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    return main(words, out=out, err=err), out.getvalue(), err.getvalue()


def answer(*words: str) -> dict[str, object]:
    status, out, _ = call(*words)
    document: dict[str, object] = json.loads(out)
    assert document["format"] == 1
    return document | {"status": status}


def test_check_prints_each_problem_at_its_place(tmp_path: Path) -> None:
    copy_demo(tmp_path, "th-s0.panel.yaml")
    edit(tmp_path / "th-s0.panel.yaml", r"pick-up: 12 V, drop-out: 2.4 V", "pick-up: 12, drop-out: 2,4 V")
    path = tmp_path / "th-s0.panel.yaml"
    line = 1 + path.read_text().splitlines().index(
        "    coil: {resistance: 320 ohm, inductance: 0.8 H, pick-up: 12, drop-out: 2,4 V, suppression: diode}"
    )
    status, out, err = call("check", str(path))
    assert (status, out) == (2, "")
    assert all(text.startswith(f"{path}:{line}:") for text in err.splitlines())
    assert "'12' has no unit" in err
    document = answer("check", "--json", str(path))
    problems = document["problems"]
    assert isinstance(problems, list)
    assert (document["status"], problems[0].keys()) == (2, {"file", "line", "column", "message"})


def test_check_of_good_files_has_no_problems() -> None:
    document = answer("check", "--json", "demo:th-p1.sequence.yaml", "demo:th-p1.table.csv")
    assert (document["status"], document["problems"]) == (0, [])


def test_check_of_a_missing_demo_file_names_the_near_one() -> None:
    status, _, err = call("check", "demo:th-s0.panle.yaml")
    assert (status, "did you mean th-s0.panel.yaml?" in err) == (2, True)


@pytest.mark.parametrize("kind", ["panel", "bench", "sequence"])
def test_schema_is_a_json_schema(kind: str) -> None:
    status, out, _ = call("schema", kind)
    assert status == 0
    assert json.loads(out)["type"] == "object"


def test_table_as_json_has_every_combination() -> None:
    document = answer("table", S0, "--format", "json")
    assert (document["devices"], document["outputs"]) == (["S0", "S1", "B1"], ["K1", "P1"])
    rows = document["rows"]
    assert isinstance(rows, list)
    assert len(rows) == 2 * 2 * 2
    started = {"S0": "released", "S1": "pressed", "B1": "normal"}
    (row,) = [row for row in rows if row["positions"] == started]
    assert row == {"positions": started, "states": {"K1": True, "P1": True}, "notes": []}
    (rest,) = [row for row in rows if row["positions"] == started | {"S1": "released"}]
    assert rest["notes"] == ["depends on history"]


def test_table_as_text_csv_and_yaml_say_the_same() -> None:
    rows = answer("table", S0, "--json")["rows"]
    assert isinstance(rows, list)
    states = [row["states"] for row in rows]
    _, text, _ = call("table", S0)
    lines = [line.split() for line in text.splitlines() if "|" in line][1:]
    assert [[word == "on" for word in line[4:6]] for line in lines] == [list(s.values()) for s in states]
    _, comma, _ = call("table", S0, "--format", "csv")
    read = list(csv.DictReader(io.StringIO(comma)))
    assert [{tag: row[tag] == "on" for tag in ("K1", "P1")} for row in read] == states
    _, flow, _ = call("table", S0, "--format", "yaml")
    loaded = yaml.safe_load(flow)
    assert [{t: s == "on" for t, s in row["states"].items()} for row in loaded["rows"]] == states


def test_table_keeps_a_device_in_place_and_says_at_what_supply() -> None:
    status, out, _ = call("table", S0, "--supply", "35V", "S1=pressed")
    assert status == 0
    assert (
        out.splitlines()[0]
        == "supply 35V, coils at 20 C, breakers closed unless said, OUTSIDE the range of 16.8 to 30 V"
    )
    assert len([line for line in out.splitlines() if "|" in line]) == 1 + 4


@pytest.mark.parametrize(
    ("words", "said"),
    [
        pytest.param(["S9=pressed"], "panel TH-S0 has no S9; it has S0, S1, B1, F1, main", id="no device"),
        pytest.param(["S1=pushed"], "S1 can be released, pressed", id="no position"),
        pytest.param(["S1"], "write DEVICE=POSITION", id="no equals sign"),
        pytest.param(["--supply", "35"], "--supply: '35' has no unit", id="no unit"),
        pytest.param(["--supply", "0,5 V"], "--supply:", id="decimal comma"),
        pytest.param(["--explain", "K7"], "panel TH-S0 has no such relay or load", id="nothing to explain"),
        pytest.param(["--fault", "K1 coil opne"], "K1 coil open", id="misspelt fault"),
        pytest.param(["--bogus"], "--bogus not understood", id="no such option"),
    ],
)
def test_table_refuses_in_one_line(words: list[str], said: str) -> None:
    status, out, err = call("table", S0, *words)
    assert (status, out) == (2, "")
    assert said in err
    assert len(err.splitlines()) == 1


def test_table_against_a_wrong_table_names_the_row(tmp_path: Path) -> None:
    copy_demo(tmp_path, "th-s0.panel.yaml", "th-s0.table.csv")
    panel, table = str(tmp_path / "th-s0.panel.yaml"), tmp_path / "th-s0.table.csv"
    assert call("table", panel, "--against", str(table))[0] == 0
    edit(table, r"^(start +,.*),on ,on ,", r"\1,off,on ,")
    status, out, _ = call("table", panel, "--against", str(table))
    assert status == 1
    assert "row 'start' (S1 pressed): the table says K1 off, the circuit on" in out
    document = answer("table", panel, "--against", str(table), "--json")
    differences = document["differences"]
    assert isinstance(differences, list)
    assert (document["status"], differences[0]["output"]) == (1, "K1")


def test_explain_names_the_path_in_the_order_of_the_diagram() -> None:
    status, out, _ = call("table", P1, "--explain", "Y4", "S1=pressed")
    assert status == 0
    assert "L+ > F1 > W10 > S1:13-14 > W20 > K1:51-52 > W34 > Y4 > L-" in out
    _, out, _ = call("table", P1, "--explain", "Y4")
    assert "S1:13-14 (open: S1 released)" in out
    document = answer("table", P1, "--explain", "Y4", "S1=pressed", "--json")
    assert document["state"] is True


def test_wiring_lists_every_channel_with_the_cautions_first() -> None:
    status, out, _ = call("wiring", "demo:th-p1.sequence.yaml")
    assert status == 0
    cautions, _, rest = out.partition("output  board")
    assert "licensed or authorised person" in cautions
    assert "fenced test place" in cautions
    assert all(f"DO{k} " in rest for k in range(12))
    assert all(f"DI{k} " in rest for k in range(11))
    assert "24 V from the bench" in rest
    document = answer("wiring", "demo:th-p1.sequence.yaml", "--json")
    connections = document["connections"]
    assert isinstance(connections, list)
    assert len(connections) == 12 + 11


def test_a_file_of_another_kind_is_named_not_taken_apart() -> None:
    status, _, err = call("run", P1)
    assert (status, err) == (2, f"{P1}: expected a sequence file, its name ends in .sequence.yaml\n")


def test_verify_of_nothing_is_a_usage_error(tmp_path: Path) -> None:
    status, out, _ = call("verify", str(tmp_path / "nowhere"))
    assert status == 2
    assert "ABSENT" in out


@pytest.mark.parametrize("words", [[], ["bogus"], ["run"], ["check"]], ids=" ".join)
def test_wrong_words_end_with_2(words: list[str]) -> None:
    assert call(*words)[0] == 2


def test_an_error_as_json_is_still_one_document() -> None:
    status, out, err = call("run", "nowhere.sequence.yaml", "--json")
    assert status == 2
    assert json.loads(out)["problems"][0]["file"] == "nowhere.sequence.yaml"
    assert err.count("\n") == 1


@pytest.mark.parametrize("lines", [1, 20])
def test_a_reader_that_leaves_changes_neither_run_nor_status(lines: int, tmp_path: Path) -> None:
    words = ["run", "demo:th-s0.sequence.yaml", "--virtual-time", "--fault", "K1 coil open"]
    with subprocess.Popen(
        [sys.executable, "-c", ENTRY, *words, "--logs", str(tmp_path)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        for _ in range(lines):
            process.stdout.readline()
        process.stdout.close()
    assert process.returncode == 1
    (folder,) = tmp_path.iterdir()
    assert call("verify", str(folder))[0] == 0


def test_the_bus_trace_holds_every_frame_both_ways(tmp_path: Path) -> None:
    copy_demo(tmp_path, "th-s0.panel.yaml", "th-s0.bench.yaml", "th-s0.table.csv")
    (tmp_path / "one.sequence.yaml").write_text(
        "format: 1\ntitle: One\npanel: th-s0.panel.yaml\nbench: th-s0.bench.yaml\n"
        "expected: {table: th-s0.table.csv}\nsteps:\n- rows: [start]\n"
    )
    trace = tmp_path / "bus.txt"
    words = [
        "run",
        str(tmp_path / "one.sequence.yaml"),
        "--trace",
        str(trace),
        "--logs",
        str(tmp_path / "logs"),
    ]
    assert call(*words)[0] == 0
    frames = [line.split(maxsplit=3) for line in trace.read_text().splitlines()]
    sent = [frame for frame in frames if frame[2] == ">"]
    got = [frame for frame in frames if frame[2] == "<"]
    assert len(sent) == len(got) > 20
    assert {frame[1] for frame in frames} == {"IO1", "hand"}
    reads = [frame[3] for frame in sent if frame[3].split()[7] == "02"]
    assert all(bytes.fromhex(frame)[8:] == bytes([0, 0, 0, 8]) for frame in reads)


def test_serve_refuses_an_address_that_is_none(capfd: pytest.CaptureFixture[str]) -> None:
    words = ["serve", S0, "--bench", "demo:th-s0.bench.yaml", "--modbus-tcp", "localhost"]
    assert call(*words)[0] == 2
    assert "is not HOST:PORT" in capfd.readouterr().err


def test_a_board_file_that_points_nowhere_is_checked_too(tmp_path: Path) -> None:
    copy_demo(tmp_path, "th-s0.bench.yaml")
    point_at(tmp_path / "th-s0.bench.yaml", 70000)
    status, _, err = call("check", str(tmp_path / "th-s0.bench.yaml"))
    assert status == 2
    assert "`port` is '70000'; a whole number from 1 to 65535 is needed" in err
    assert resolve("demo:th-s0.bench.yaml").exists()
