"""Whole runs over a real Modbus TCP connection, the panel in its own process, and all that can go wrong."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from foreign_slave import foreign_slave
from wire_benches import copy_demo, edit, journal_kinds, panel_on_the_wire, point_at, run

from harness.bench.board import Board
from harness.bench.parts import BoardSpec
from harness.bench.registry import make_board
from harness.cli.main import main
from harness.clock import RealClock

FILES = ("th-s0.panel.yaml", "th-s0.bench.yaml", "th-s0.table.csv", "th-s0.sequence.yaml")
SHORT = """\
format: 1
title: Short
panel: th-s0.panel.yaml
bench: th-s0.bench.yaml
expected: {table: th-s0.table.csv}
settle: 250 ms
hold: 30 ms
steps:
- rows: [start, stop against start, level low against start]
"""
# What these tests run may lie in a checkout or be installed: the same place as what they import.
PANELPROOF = [
    sys.executable,
    "-c",
    f"import sys; sys.path[:] = {sys.path!r}; from harness.cli.main import entry; entry()",
]
LONG = SHORT + "- hold: 60 s\n"


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A folder with the demo of TH-S0, its own bench, and sequences short and long."""
    copy_demo(tmp_path, *FILES)
    copy_demo(tmp_path / "served", "th-s0.panel.yaml", "th-s0.bench.yaml")
    (tmp_path / "short.sequence.yaml").write_text(SHORT)
    (tmp_path / "long.sequence.yaml").write_text(LONG)
    return tmp_path


def serving(folder: Path, faults: tuple[str, ...] = ()) -> panel_on_the_wire:  # type: ignore[valid-type]
    return panel_on_the_wire(folder / "served/th-s0.panel.yaml", folder / "served/th-s0.bench.yaml", faults)


def short(folder: Path, *words: str) -> tuple[int, dict[str, object], str]:
    return run(folder / "short.sequence.yaml", folder / "logs", *words)


def test_without_a_real_bench_the_panel_is_served_and_passes(bench: Path) -> None:
    status, answer, err = run(bench / "short.sequence.yaml", bench / "logs")
    assert (status, answer["verdict"], answer["simulated"]) == (0, "pass", True)
    assert "SIMULATED, NO PANEL TESTED" in err
    assert "driver modbus-tcp" in err
    kinds = journal_kinds(str(answer["run"]))
    assert kinds[0] == "opened"
    assert kinds[-1] == "sealed"
    assert kinds.index("made safe") > kinds.index("written")


def test_a_served_panel_is_known_as_simulated_over_the_wire(bench: Path) -> None:
    with serving(bench) as port:
        point_at(bench / "th-s0.bench.yaml", port)
        status, answer, _ = run(bench / "th-s0.sequence.yaml", bench / "logs")
        assert (status, answer["simulated"]) == (0, True)
        status, answer, err = short(bench, "--panel-serial", "42")
        assert (status, "verdict" in answer) == (2, False)
        assert "the board says that it is simulated" in str(answer["error"])
        assert "the board says that it is simulated" in err


def test_a_served_fault_fails(bench: Path) -> None:
    with serving(bench, ("K1 coil open",)) as port:
        point_at(bench / "th-s0.bench.yaml", port)
        status, answer, _ = short(bench)
    assert (status, answer["verdict"]) == (1, "fail")


@pytest.mark.parametrize(
    ("fault", "wrong"),
    [
        pytest.param("K1 stuck picked up", {"K1", "P1"}, id="relay stuck"),
        pytest.param("K1.23-24 stuck closed", {"P1"}, id="contact welded"),
    ],
)
def test_inputs_at_rest_that_differ_fail_row_0(bench: Path, fault: str, wrong: set[str]) -> None:
    with serving(bench, (fault,)) as port:
        point_at(bench / "th-s0.bench.yaml", port)
        status, answer, _ = short(bench)
    first = answer["steps"][0]  # type: ignore[index]
    assert status == 1
    assert first["title"] == "0. Inputs at rest"
    assert {r["of"] for r in first["readings"] if r["verdict"] == "fail"} == wrong


P1_FILES = ("th-p1.panel.yaml", "th-p1.bench.yaml", "th-p1.table.csv")
NOTCHES = """\
format: 1
title: Notches and stops
panel: th-p1.panel.yaml
bench: th-p1.bench.yaml
expected: {table: th-p1.table.csv}
settle: 250 ms
hold: 30 ms
steps:
- rows: [notch 2, notch 3, notch 5, notch 8, button at idle, button in notch 8, coolant low in notch 4]
- rows: [train line in notch 8]
"""


@pytest.fixture
def p1(tmp_path: Path) -> Path:
    """TH-P1 with a short sequence; what is served lies in `served`."""
    copy_demo(tmp_path, *P1_FILES)
    copy_demo(tmp_path / "served", "th-p1.panel.yaml", "th-p1.bench.yaml")
    (tmp_path / "notches.sequence.yaml").write_text(NOTCHES)
    return tmp_path


def run_p1(folder: Path) -> tuple[int, dict[str, object], str]:
    with panel_on_the_wire(folder / "served/th-p1.panel.yaml", folder / "served/th-p1.bench.yaml") as port:
        point_at(folder / "th-p1.bench.yaml", port)
        return run(folder / "notches.sequence.yaml", folder / "logs")


def test_loads_wired_to_the_wrong_inputs_are_named(p1: Path) -> None:
    """On the bench Y1's and Y2's wires lie on each other's inputs."""
    served = p1 / "served/th-p1.bench.yaml"
    edit(served, r"DI0: \{board: IO1, channel: 0,", "DI0: {board: IO1, channel: 1,")
    edit(served, r"DI1: \{board: IO1, channel: 1,", "DI1: {board: IO1, channel: 0,")
    status, answer, err = run_p1(p1)
    assert (status, answer["verdict"]) == (1, "fail")
    assert "inputs DI0 and DI1 exchanged: Y1 reads on DI1 and Y2 on DI0" in str(answer["exchanged"])
    assert "check the wiring to the bench first" in err


K3_CUT = r"\[F1:2, K3:21, K3:31, X1:2, S1:13, S1:21\]"
EDITS = {
    "resistor ten times too high": [(r"R1: 56 ohm", "R1: 560 ohm")],
    "wire to a solenoid not connected": [(r"\[K1:34, X1:17, Y3:1\]", "[X1:17, Y3:1]")],
    "two solenoids exchanged": [
        (r"\[K1:14, X1:15, Y1:1\]", "[K1:14, X1:15, Y2:1]"),
        (r"\[K1:24, X1:16, Y2:1\]", "[K1:24, X1:16, Y1:1]"),
    ],
    "stop wire ends before the run relay": [(r"\[S1:14, X1:3, K2:13, K1:51\]", "[S1:14, X1:3, K2:13]")],
    "coolant relay far too slow": [
        (r"(Coolant auxiliary relay\n.*\n) *operate: .*$", r"\1    operate: [1 s, 1.2 s]")
    ],
    "train line does not cut the speed feed": [
        (K3_CUT, "[F1:2, K3:21, K3:31, X1:2, S1:13, S1:21, X1:9, S2:23, S2:33, S2:43]"),
        (r"^  W14: .*\n", ""),
    ],
    "run relay's make contact bridged": [
        (r"\[S2:24, X1:10, K1:13\]", "[S2:24, X1:10, K1:13, K1:14, X1:15, Y1:1]"),
        (r"^  W31: .*\n", ""),
    ],
    "shutdown solenoid for another voltage": [
        (r'"Shutdown solenoid D, -2", kind: solenoid, resistance: 150 ohm', '"Shutdown", resistance: 15 ohm')
    ],
    "run relay drops out too late": [(r"release: \[20 ms, 50 ms\]", "release: [900 ms, 950 ms]")],
    "coolant breaker without feed": [
        (r"\[L\+, X1:1, F1:1, F2:1, F3:1, F4:1\]", "[L+, X1:1, F1:1, F3:1, F4:1]")
    ],
    "level switch bridged": [
        (r"\[S1:22, X1:4, X1:5, B1:21\]", "[S1:22, X1:4, X1:5, B1:21, X1:7, S2:13]"),
        (r"\[B1:22, X1:6, X1:7, S2:13\]", "[B1:22, X1:6]"),
    ],
}


@pytest.mark.parametrize("name", EDITS)
def test_an_edited_copy_of_the_panel_on_the_bench_is_found(name: str, p1: Path) -> None:
    """The run knows the panel as drawn; the thing on the bench is wired otherwise."""
    for pattern, replacement in EDITS[name]:
        edit(p1 / "served/th-p1.panel.yaml", pattern, replacement)
    status, answer, _ = run_p1(p1)
    assert (status, answer["verdict"]) == (1, "fail")


def test_the_unedited_panel_passes_the_same_sequence(p1: Path) -> None:
    status, answer, _ = run_p1(p1)
    assert (status, answer["verdict"]) == (0, "pass")


def test_a_panel_without_supply_never_passes(bench: Path) -> None:
    """The run's bench has no contactor; the served one waits for it, so the panel has no supply."""
    edit(bench / "th-s0.bench.yaml", r"^supply: .*\n", "")
    with serving(bench) as port:
        point_at(bench / "th-s0.bench.yaml", port)
        status, answer, _ = short(bench)
    assert (status, answer["verdict"]) == (1, "fail")


def test_a_readable_supply_that_is_absent_is_an_error_of_the_bench(bench: Path) -> None:
    """The contactor is mapped to an output that closes nothing; the supply-present input stays off."""
    edit(
        bench / "th-s0.bench.yaml",
        r"contactor: \{board: IO1, channel: 7\}",
        "contactor: {board: IO1, channel: 6}",
    )
    with serving(bench) as port:
        point_at(bench / "th-s0.bench.yaml", port)
        status, answer, err = short(bench)
    assert (status, answer["verdict"]) == (4, "error")
    assert "the supply reads absent" in err


def test_a_bench_that_calls_itself_simulated_over_a_silent_board_moves_nothing(bench: Path) -> None:
    """`simulated: true` was left in the file, and the board does not say what it is: it may be real."""
    served = bench / "served"
    with foreign_slave(served / "th-s0.panel.yaml", served / "th-s0.bench.yaml", mute=True) as port:
        point_at(bench / "th-s0.bench.yaml", port)
        text = (bench / "th-s0.bench.yaml").read_text()
        (bench / "th-s0.bench.yaml").write_text(text.replace("boards:\n", "simulated: true\nboards:\n", 1))
        status, answer, err = short(bench)
        with modbus_board(port) as board:
            assert board.read_back() == 0
    assert (status, answer["verdict"]) == (4, "error")
    assert "calls itself simulated, but board IO1 does not say that it is" in err
    assert "written" not in journal_kinds(str(answer["run"]))


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
    return port


def test_a_board_that_is_absent_is_one_line_and_the_journal_is_complete(bench: Path) -> None:
    point_at(bench / "th-s0.bench.yaml", free_port())
    status, answer, err = short(bench)
    assert (status, answer["verdict"]) == (4, "error")
    line = next(line for line in err.splitlines() if "IO1" in line)
    assert "127.0.0.1" in line
    assert journal_kinds(str(answer["run"]))[-3:] == ["made safe", "run ended", "sealed"]


def test_a_wrong_unit_is_an_error(bench: Path) -> None:
    with serving(bench) as port:
        point_at(bench / "th-s0.bench.yaml", port, unit=9, extra="\n    timeout: 200 ms")
        edit(bench / "th-s0.bench.yaml", r"^    timeout: 500 ms\n", "")
        status, answer, err = short(bench)
    assert (status, answer["verdict"]) == (4, "error")
    assert "unit 9" in err


def test_the_server_dying_in_mid_run_is_an_error_with_a_record(bench: Path) -> None:
    serve = [*PANELPROOF, "serve", str(bench / "served/th-s0.panel.yaml")]
    serve += ["--bench", str(bench / "served/th-s0.bench.yaml"), "--modbus-tcp", "127.0.0.1:0"]
    with subprocess.Popen(serve, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        line = server.stdout.readline()
        assert "SIMULATED panel TH-S0" in line
        point_at(bench / "th-s0.bench.yaml", int(line.rsplit(":", 1)[1]))
        command = [*PANELPROOF, "run", str(bench / "long.sequence.yaml")]
        with subprocess.Popen(
            [*command, "--logs", str(bench / "logs")],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        ) as runner:
            wait_for_journal(bench / "logs", '"kind":"step started"', 5)
            server.terminate()
            said = runner.communicate(timeout=30)[0]
    assert runner.returncode == 4
    assert "ERROR" in said
    assert "NOT SAFE as far as is known" in said
    assert "panelproof guardian: the run could not make the bench safe and handed over; " in said
    assert "given up on IO1 after 3 s, because it is simulated and no panel is there; on a real bench" in said
    assert "Traceback" not in said
    (folder,) = (path for path in (bench / "logs").iterdir() if path.is_dir())
    assert (bench / "logs" / f"{folder.name}.guardian.jsonl").is_file()
    assert main(["verify", str(folder)]) == 0


def wait_for_journal(logs: Path, text: str, count: int) -> None:
    """Until the only run's journal holds `text` `count` times; the runner syncs it at each step."""
    give_up = time.monotonic() + 30
    while time.monotonic() < give_up:
        journals = list(logs.glob("*/journal.jsonl")) if logs.exists() else []
        if journals and journals[0].read_text(encoding="utf-8").count(text) >= count:
            return
        time.sleep(0.02)
    raise AssertionError(f"{text} not {count} times in time")


@pytest.mark.parametrize(
    ("number", "status"),
    [
        pytest.param(signal.SIGINT, 130, id="Ctrl-C"),
        pytest.param(signal.SIGTERM, 143, id="SIGTERM"),
        pytest.param(signal.SIGHUP, 143, id="terminal closed"),
    ],
)
def test_being_stopped_makes_safe_and_keeps_the_record(bench: Path, number: int, status: int) -> None:
    with serving(bench) as port:
        point_at(bench / "th-s0.bench.yaml", port)
        command = [*PANELPROOF, "run", str(bench / "long.sequence.yaml")]
        with subprocess.Popen(
            [*command, "--logs", str(bench / "logs")],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        ) as runner:
            wait_for_journal(bench / "logs", '"kind":"step started"', 5)
            runner.send_signal(number)
            said = runner.communicate(timeout=30)[0]
        board = modbus_board(port)
        with board:
            image = board.read_back()
    assert runner.returncode == status
    assert image == 0
    assert "safe: all outputs off, read back from every board" in said
    assert "Traceback" not in said
    (folder,) = (bench / "logs").iterdir()
    assert f"INCONCLUSIVE  ended before its end. Record: {folder}" in said
    assert main(["verify", str(folder)]) == 0
    assert '"verdict":"pass"' not in (folder / "journal.jsonl").read_text().splitlines()[-1]


def test_a_second_signal_does_not_end_the_end(bench: Path) -> None:
    """A service manager sends SIGTERM and SIGHUP one right after the other."""
    with serving(bench) as port:
        point_at(bench / "th-s0.bench.yaml", port)
        command = [*PANELPROOF, "run", str(bench / "long.sequence.yaml"), "--logs", str(bench / "logs")]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as runner:
            wait_for_journal(bench / "logs", '"kind":"step started"', 5)
            for number in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
                runner.send_signal(number)
            said = runner.communicate(timeout=30)[0]
    assert runner.returncode in {130, 143}  # whichever Python sees first
    assert "safe: all outputs off, read back from every board" in said
    (folder,) = (bench / "logs").iterdir()
    assert journal_kinds(folder)[-3:] == ["made safe", "run ended", "sealed"]


def test_a_bench_of_both_kinds_of_board_moves_nothing(bench: Path) -> None:
    served = bench / "served"
    with (
        serving(bench) as port,
        foreign_slave(served / "th-s0.panel.yaml", served / "th-s0.bench.yaml", mute=True) as silent,
    ):
        point_at(bench / "th-s0.bench.yaml", silent)
        other = f"{{driver: modbus-tcp, settings: {{host: 127.0.0.1, port: {port}, unit: 1}}, inputs: 8}}"
        edit(bench / "th-s0.bench.yaml", r"^boards:$", f"boards:\n  IO2: {other}")
        status, answer, err = short(bench, "--acknowledge")
        with modbus_board(silent) as board:
            assert board.read_back() == 0
    assert (status, answer["verdict"]) == (4, "error")
    assert "mixes boards that say they are simulated with IO1, which does not" in err


def modbus_board(port: int) -> Board:
    settings = {"host": "127.0.0.1", "port": port, "unit": 1}
    spec = BoardSpec(name="IO1", driver="modbus-tcp", settings=settings, output_count=8, input_count=8)  # type: ignore[arg-type]
    return make_board(spec, RealClock())
