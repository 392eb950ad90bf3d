"""The bench files to copy: each passes `check`, and is proved on a simulated twin over a wire of its kind."""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

import pytest
from line_benches import bench_folder, place_of, serve
from wire_benches import copy_demo, journal_kinds, run

from harness.bench.files import load_bench
from harness.bench.registry import check_settings
from harness.cli.main import main
from harness.demo_files import resolve

READY = ("rtu-relay-board.bench.yaml", "tcp-io-block.bench.yaml", "usb-relay-board.bench.yaml")
WIRES = [
    pytest.param(
        "rtu-relay-board.bench.yaml",
        ("--modbus-rtu", "pty"),
        id="rtu",
        marks=pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo terminals"),
    ),
    pytest.param("tcp-io-block.bench.yaml", ("--modbus-tcp", "127.0.0.1:0"), id="tcp"),
    pytest.param(
        "usb-relay-board.bench.yaml",
        ("--text-line", "pty", "--baud", "115200"),
        id="text line",
        marks=pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo terminals"),
    ),
]


@pytest.mark.parametrize("name", READY)
def test_a_ready_bench_has_nothing_wrong_and_suits_its_panel(name: str, tmp_path: Path) -> None:
    copy_demo(tmp_path, "th-s0.panel.yaml", "th-s0.table.csv", "th-s0.sequence.yaml")
    sequence = tmp_path / "th-s0.sequence.yaml"
    sequence.write_text(sequence.read_text().replace("th-s0.bench.yaml", f"demo:{name}"))
    out, err = io.StringIO(), io.StringIO()
    assert main(["check", f"demo:{name}", str(sequence)], out=out, err=err) == 0, err.getvalue()


@pytest.mark.parametrize("name", READY)
def test_what_a_fitter_gets_wrong_in_it_is_found(name: str) -> None:
    """The failing side: a misspelt setting."""
    (board,) = load_bench(resolve(f"demo:{name}")).bench.boards
    assert check_settings(board.driver, board.settings) == []
    key = next(key for key in board.settings if key in {"port", "host"})
    wrong = {("hosst" if k == key else k): v for k, v in board.settings.items()}
    problems = check_settings(board.driver, wrong)
    assert any("hosst" in problem for problem in problems)
    assert any(f"`{key}` is missing" in problem for problem in problems)


def pointed(folder: Path, name: str, place: str) -> None:
    """The ready file as the bench of the sequence, with nothing changed but where the board is."""
    text = resolve(f"demo:{name}").read_text(encoding="utf-8")
    host, _, port = place.rpartition(":")
    if host:
        text = re.sub(r"(?m)^      host: \S+", f"      host: {host}", text)
    text, count = re.subn(r"(?m)^      port: \S+", f"      port: {port if host else place}", text)
    assert count == 1
    (folder / "th-s0.bench.yaml").write_text(text, encoding="utf-8")


@pytest.mark.parametrize(("name", "words"), WIRES)
def test_a_ready_bench_is_proved_on_a_twin(tmp_path: Path, name: str, words: tuple[str, ...]) -> None:
    folder = bench_folder(tmp_path)
    (folder / "served/th-s0.bench.yaml").write_bytes(resolve(f"demo:{name}").read_bytes())
    with serve(folder, *words) as process:
        pointed(folder, name, place_of(process))
        status, answer, err = run(folder / "short.sequence.yaml", folder / "logs")
    assert (status, answer["verdict"], answer["simulated"]) == (0, "pass", True), err
    proved = journal_kinds(answer["run"]).count("watchdog proved")
    assert proved == (1 if name.startswith("tcp") else 0)


@pytest.mark.parametrize(("name", "words"), WIRES[2:])
def test_a_faulty_twin_fails_on_a_ready_bench(tmp_path: Path, name: str, words: tuple[str, ...]) -> None:
    folder = bench_folder(tmp_path)
    (folder / "served/th-s0.bench.yaml").write_bytes(resolve(f"demo:{name}").read_bytes())
    with serve(folder, *words, "--fault", "K1 coil open") as process:
        pointed(folder, name, place_of(process))
        status, answer, err = run(folder / "short.sequence.yaml", folder / "logs")
    assert (status, answer["verdict"]) == (1, "fail"), err
    wrong = {r["of"] for step in answer["steps"] for r in step["readings"] if r["verdict"] == "fail"}
    assert wrong == {"K1", "P1"}
