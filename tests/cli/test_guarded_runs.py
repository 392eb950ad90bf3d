"""Whole runs whose runner dies, hangs or loses its guardian: a second client sees the outputs go off."""

from __future__ import annotations

import os
import random
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from kill_trials import KILLS, RUNNER, SEQUENCE, TIMEOUT_S, prepare, trial
from line_benches import point, split_board
from recorded_panel import panel_on_a_line
from wire_benches import copy_demo, journal_kinds, panel_on_the_wire, point_at

from harness.bench.board import Board
from harness.bench.files import load_bench
from harness.bench.parts import BoardSpec
from harness.bench.registry import make_board
from harness.cli.guarding import HANDED_OVER
from harness.clock import RealClock
from harness.record.verify import NO_GUARDIAN, verify_run
from harness.run.bench_lock import BenchInUse, held

WAYS = ["shared", "own"]
Served = tuple[int, Board]


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The panel TH-S0 on a port of this computer, and a second client that watches its outputs."""
    folder = tmp_path_factory.mktemp("served")
    copy_demo(folder, "th-s0.panel.yaml", "th-s0.bench.yaml")
    with panel_on_the_wire(folder / "th-s0.panel.yaml", folder / "th-s0.bench.yaml") as port:
        settings: dict[str, str | int | float | bool] = {"host": "127.0.0.1", "port": port, "unit": 1}
        spec = BoardSpec(
            name="beside",
            driver="modbus-tcp",
            settings=settings,
            output_count=8,
            input_count=8,
            timeout_s=5.0,
        )
        with make_board(spec, RealClock()) as board:
            yield port, board


@contextmanager
def running(sequence: Path, observer: Board, code: str = RUNNER) -> Iterator[subprocess.Popen[str]]:
    """A run in a process and session of its own, its outputs on, with its words in `stderr`."""
    with subprocess.Popen(
        [sys.executable, "-c", code, "run", str(sequence), "--logs", str(sequence.parent / "logs")],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as runner:
        give_up = time.monotonic() + 20
        while observer.read_back() == 0:
            assert runner.poll() is None, runner.communicate()[1]
            assert time.monotonic() < give_up
            time.sleep(0.005)
        yield runner


def wait_off(observer: Board, limit_s: float) -> float:
    """Seconds until all outputs are off."""
    started = time.monotonic()
    while observer.read_back() != 0:
        assert time.monotonic() - started < limit_s, "outputs stayed on"
        time.sleep(0.001)
    return time.monotonic() - started


def folder_of(sequence: Path) -> Path:
    (folder,) = (path for path in (sequence.parent / "logs").iterdir() if path.is_dir())
    return folder


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("how", KILLS)
def test_a_runner_killed_at_a_random_moment_leaves_no_output_on(
    how: str, way: str, served: Served, tmp_path: Path
) -> None:
    """Two kills each; `tests/benchmarks/kills.py` does hundreds. Time-outs here allow for a busy computer."""
    port, observer = served
    chance = random.Random(f"{how} {way}")
    for number in range(2):
        sequence = prepare(tmp_path / str(number), lambda bench: point_at(bench, port), way)
        done = trial(sequence, tmp_path / f"logs {number}", observer, how, way, chance)
        kinds = journal_kinds(next((tmp_path / f"logs {number}").iterdir()))
        if "written" in kinds:  # else it was killed before its first step was on the disk
            assert kinds.index("guarded") < kinds.index("written")
        assert done.beyond_deadline_s < 1.0
        assert done.after_notice_s < 0.5
        assert done.verified.state == "interrupted"
        assert done.verified.guardian.startswith("guardian: noticed at ")
        assert "all outputs safe, read back from every board" in done.verified.guardian
        (board,) = (entry["data"] for entry in done.entries if entry["kind"] == "board safe")
        assert board == {"adopted": way == "shared", "board": "IO1", "proved": True}


@pytest.mark.parametrize("way", WAYS)
def test_a_serial_board_is_made_safe_both_ways(way: str, tmp_path: Path) -> None:
    """A paced line at 19200 baud, whose server keeps the record of the outputs: a line has one master."""
    copy_demo(tmp_path / "served", "th-s0.panel.yaml", "th-s0.bench.yaml")
    files = (tmp_path / "served/th-s0.panel.yaml", tmp_path / "served/th-s0.bench.yaml")
    with panel_on_a_line(*files, "--baud=19200") as (name, recorded):
        sequence = prepare(tmp_path, lambda bench: point(bench, "modbus-rtu", name, baud="19200"), way)
        done = trial(sequence, tmp_path / "logs", recorded, "kill -9", way, random.Random(way))
    assert done.safe_s < 1.0
    assert "all outputs safe, read back from every board" in done.verified.guardian
    (board,) = (entry["data"] for entry in done.entries if entry["kind"] == "board safe")
    assert board == {"adopted": way == "shared", "board": "IO1", "proved": True}


def test_two_boards_on_one_line_are_both_made_safe(tmp_path: Path) -> None:
    """The first of them takes the open port over, the second finds it open in the guardian."""
    copy_demo(tmp_path / "served", "th-s0.panel.yaml", "th-s0.bench.yaml")
    files = (tmp_path / "served/th-s0.panel.yaml", tmp_path / "served/th-s0.bench.yaml")
    split_board(files[1])
    with panel_on_a_line(*files, "--baud=115200") as (name, recorded):

        def aim(bench: Path) -> None:
            split_board(bench)
            point(bench, "modbus-rtu", name, baud="115200")

        sequence = prepare(tmp_path, aim, "shared")
        done = trial(sequence, tmp_path / "logs", recorded, "kill -9", "shared", random.Random(1))
    boards = [entry["data"] for entry in done.entries if entry["kind"] == "board safe"]
    assert boards == [
        {"adopted": True, "board": "IO1", "proved": True},
        {"adopted": False, "board": "IO2", "proved": True},
    ]
    assert "attempt failed" not in [entry["kind"] for entry in done.entries]


def test_a_runner_killed_while_it_opens_leaves_nothing_behind(served: Served, tmp_path: Path) -> None:
    port, observer = served
    for number in range(3):
        sequence = prepare(tmp_path / str(number), lambda bench: point_at(bench, port), WAYS[number % 2])
        with subprocess.Popen(
            [sys.executable, "-c", RUNNER, "run", str(sequence), "--logs", str(tmp_path / f"logs {number}")],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        ) as runner:
            _wait_for_journal_or(tmp_path / f"logs {number}", 0.05 * number)
            runner.kill()
            runner.communicate(timeout=20)  # the guardian, which writes there too, ends as well
        assert observer.read_back() == 0
        with socket.create_connection(("127.0.0.1", port)):
            pass  # the board is free


def _wait_for_journal_or(logs: Path, after_s: float) -> None:
    """A moment after the run's folder is there: its guardian and its boards are just being opened."""
    give_up = time.monotonic() + 20
    while not list(logs.glob("*")) and time.monotonic() < give_up:
        time.sleep(0.002)
    time.sleep(after_s)


FORKING = RUNNER.replace(
    "from harness.cli.main import entry",
    """\
import os, time
from harness.run.guard import Guard
arm = Guard.arm
def and_fork(self, *args):
    arm(self, *args)
    if os.fork() == 0:
        os.close(2)
        time.sleep(30)
        os._exit(0)
Guard.arm = and_fork
from harness.cli.main import entry""",
)


def test_a_child_that_holds_the_channel_open_does_not_hide_the_death(served: Served, tmp_path: Path) -> None:
    port, observer = served
    sequence = prepare(tmp_path, lambda bench: point_at(bench, port), "own")
    with running(sequence, observer, FORKING) as runner:
        runner.kill()
        wait_off(observer, 5.0)
        said = runner.communicate(timeout=20)[1]
        with suppress(ProcessLookupError):
            os.killpg(runner.pid, signal.SIGKILL)  # the forked child
    assert "panelproof guardian: the run's process is gone without saying so (killed or crashed); " in said


@pytest.mark.parametrize("way", WAYS)
def test_a_guardian_that_is_killed_ends_the_run_safely(way: str, served: Served, tmp_path: Path) -> None:
    port, observer = served
    sequence = prepare(tmp_path, lambda bench: point_at(bench, port), way)
    with running(sequence, observer) as runner:
        os.kill(guardian_of(runner), signal.SIGKILL)
        said = runner.communicate(timeout=20)[1]
    assert runner.returncode == 4
    assert observer.read_back() == 0
    assert "Traceback" not in said
    journal = (folder_of(sequence) / "journal.jsonl").read_text()
    assert "the guardian process is gone: nobody would switch off" in journal
    found = verify_run(folder_of(sequence))
    assert (found.state, found.verdict, found.guardian) == ("sealed", "error", "")


def test_runner_and_guardian_killed_at_once_is_said_by_verify(served: Served, tmp_path: Path) -> None:
    """Killed as soon as anything is on: that the run was guarded is on the disk before anything moves."""
    port, observer = served
    sequence = prepare(tmp_path, lambda bench: point_at(bench, port), "own")
    with running(sequence, observer) as runner:
        runner.send_signal(signal.SIGSTOP)  # so that it cannot notice that its guardian is gone
        os.kill(guardian_of(runner), signal.SIGKILL)
        runner.kill()
        runner.wait(timeout=20)
    assert observer.read_back() != 0
    observer.make_safe()
    found = verify_run(folder_of(sequence))
    assert (found.state, found.guardian) == ("interrupted", NO_GUARDIAN)


def guardian_of(runner: subprocess.Popen[str]) -> int:
    """The only child of a runner whose panel is served elsewhere."""
    children = Path(f"/proc/{runner.pid}/task/{runner.pid}/children")
    if not children.exists():
        pytest.skip("this system does not list a process's children there")
    (child,) = children.read_text().split()
    return int(child)


@pytest.mark.parametrize(
    ("number", "status", "way"),
    [
        pytest.param(signal.SIGTERM, 143, "shared", id="TERM"),
        pytest.param(signal.SIGINT, 130, "own", id="Ctrl-C"),
    ],
)
def test_a_signal_to_the_whole_group_ends_the_run_and_dismisses_the_guardian(
    number: int, status: int, way: str, served: Served, tmp_path: Path
) -> None:
    port, observer = served
    sequence = prepare(tmp_path, lambda bench: point_at(bench, port), way)
    with running(sequence, observer) as runner:
        os.killpg(runner.pid, number)
        said = runner.communicate(timeout=20)[1]
    assert runner.returncode == status
    assert observer.read_back() == 0
    assert "guardian" not in said
    assert journal_kinds(folder_of(sequence))[-1] == "sealed"
    assert not list((sequence.parent / "logs").rglob("*guardian*"))


class Gate:
    """A way to the served panel that can be shut and opened again, as a cable that is pulled out."""

    def __init__(self, target: int) -> None:
        self._target = target
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._joined: list[socket.socket] = []
        self._accept()

    def shut(self) -> None:
        for end in [self._listener, *self._joined]:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        self._joined.clear()

    def open(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", self.port))
        self._accept()

    def _accept(self) -> None:
        threading.Thread(target=self._serve, args=(self._listener,), daemon=True).start()

    def _serve(self, listener: socket.socket) -> None:
        with suppress(OSError):
            while True:
                near, _ = listener.accept()
                far = socket.create_connection(("127.0.0.1", self._target))
                self._joined += [near, far]
                for one, other in ((near, far), (far, near)):
                    threading.Thread(target=_carry, args=(one, other), daemon=True).start()


def _carry(one: socket.socket, other: socket.socket) -> None:
    with suppress(OSError):
        while data := one.recv(4096):
            other.sendall(data)
    with suppress(OSError):
        other.shutdown(socket.SHUT_RDWR)


@pytest.mark.parametrize("way", WAYS)
def test_a_board_that_was_away_is_made_safe_when_it_comes_back(
    way: str, served: Served, tmp_path: Path
) -> None:
    """Away when the runner dies, back a second later."""
    port, observer = served
    gate = Gate(port)
    sequence = prepare(tmp_path, lambda bench: point_at(bench, gate.port), way)
    with running(sequence, observer) as runner:
        runner.send_signal(signal.SIGSTOP)  # so that it cannot notice first that the board is away
        gate.shut()
        runner.kill()
        time.sleep(1.0)
        assert observer.read_back() != 0
        gate.open()
        assert wait_off(observer, 5.0) < 0.5 + 2 * TIMEOUT_S + 0.5
        said = runner.communicate(timeout=20)[1]
    gate.shut()
    assert re.search(
        r"NOT SAFE as far as is known: switch the panel's supply off by hand; IO1 cannot be reached\. "
        r"It keeps trying \(process \d+\), for 3 s, because the bench is simulated",
        said,
    )
    assert "all outputs safe, read back from every board" in said
    found = verify_run(folder_of(sequence))
    assert found.state == "interrupted"
    assert "all outputs safe" in found.guardian
    kinds = (folder_of(sequence) / "guardian.jsonl").read_text()
    assert kinds.index('"attempt failed"') < kinds.index('"board safe"')


@pytest.mark.parametrize("way", WAYS)
def test_a_run_that_ends_unsafe_hands_over_to_its_guardian(way: str, served: Served, tmp_path: Path) -> None:
    """The cable is out: the run ends, says NOT SAFE and seals; the guardian stays, and holds the bench."""
    port, observer = served
    gate = Gate(port)
    sequence = prepare(tmp_path, lambda bench: point_at(bench, gate.port), way)
    bench = load_bench(tmp_path / "th-s0.bench.yaml").bench
    with running(sequence, observer) as runner:
        gate.shut()
        assert runner.wait(timeout=20) == 4
        assert observer.read_back() != 0
        with pytest.raises(BenchInUse, match="in use"), held(bench, "another run", RealClock()):
            pass
        gate.open()
        wait_off(observer, 5.0)
        said = runner.communicate(timeout=20)[1]
    gate.shut()
    first, *lines = said[said.index(HANDED_OVER) :].splitlines()
    assert first == HANDED_OVER
    assert any(
        line.startswith("panelproof guardian: the run could not make the bench safe") for line in lines
    )
    assert (
        "safe and handed over; NOT SAFE as far as is known: switch the panel's supply off by hand; IO1"
        in said
    )
    assert "all outputs safe, read back from every board" in said
    with held(bench, "another run", RealClock()):
        pass
    found = verify_run(folder_of(sequence))
    assert (found.state, found.verdict) == ("sealed", "error")
    assert "handed over" in found.guardian
    assert "all outputs safe" in found.guardian


def test_a_killed_run_on_its_own_simulated_panel_leaves_nothing_behind(tmp_path: Path) -> None:
    """Its server ends with it, before or after the guardian reaches it: no reason to go on or to alarm."""
    copy_demo(tmp_path, "th-s0.panel.yaml", "th-s0.bench.yaml", "th-s0.table.csv")
    (tmp_path / "endless.sequence.yaml").write_text(SEQUENCE)
    sequence, logs = tmp_path / "endless.sequence.yaml", tmp_path / "logs"
    with subprocess.Popen(
        [sys.executable, "-c", RUNNER, "run", str(sequence), "--logs", str(logs)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    ) as runner:
        _wait_for_journal_or(logs, 1.0)
        runner.kill()
        said = runner.communicate(timeout=20)[1]
    assert "NOT SAFE" not in said
    told = [line for line in said.splitlines() if line.startswith("panelproof guardian: ")]
    assert len(told) == 1
    assert "the simulated panel ended with it" in told[0] or "all outputs safe" in told[0]
    assert verify_run(folder_of(sequence)).guardian != ""
