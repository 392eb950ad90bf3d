"""The guardian's process as the runner sees it: ready, answering, lost, dismissed without a trace."""

from __future__ import annotations

import gc
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, cast

import pytest

from harness.bench.board import Board
from harness.bench.parts import BoardSpec
from harness.cli.guardian import guardian_command
from harness.clock import RealClock
from harness.errors import BenchError
from harness.run import guard as guard_module
from harness.run import guard_words as words
from harness.run.guard import Guard, Way, can_share
from harness.run.guard_plan import Plan

WAYS: list[Way] = ["shared", "own"]


def board(**settings: str | int) -> BoardSpec:
    """A board at an address where nothing answers; nobody opens it here."""
    return BoardSpec(
        name="IO1",
        driver="modbus-tcp",
        settings={"host": "127.0.0.1", "port": 9, **settings},
        output_count=8,
        input_count=8,
    )


def plan(folder: Path, spec: BoardSpec | None = None, deadline_s: float = 30.0) -> Plan:
    return Plan(
        boards=(spec or board(),),
        contactor=None,
        deadline_s=deadline_s,
        patience_s=0.1,
        ephemeral=False,
        runner=os.getpid(),
        folder=str(folder),
        start_ns=RealClock().now_ns(),
        program="test",
        identity={},
    )


@contextmanager
def guarded(way: Way, folder: Path, spec: BoardSpec | None = None) -> Iterator[Guard]:
    guard = Guard(guardian_command(), way, RealClock())
    try:
        guard.brief(plan(folder, spec))
        yield guard
    finally:
        guard.end(safe=True)


def beat_until_refused(guard: Guard, limit_s: float) -> str:
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        try:
            guard.beat()
        except BenchError as error:
            return str(error)
        time.sleep(0.002)
    return ""


@pytest.mark.parametrize("way", WAYS)
def test_it_gets_ready_is_beaten_to_and_leaves_without_a_trace(way: Way, tmp_path: Path) -> None:
    with guarded(way, tmp_path) as guard:
        guard.arm({}, 0.1)
        assert beat_until_refused(guard, 0.5) == ""
        pid = guard.pid
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


@pytest.mark.parametrize("way", WAYS)
def test_many_runs_leave_no_process_descriptor_or_thread(way: Way, tmp_path: Path) -> None:
    def count() -> tuple[int, int]:
        gc.collect()
        return len(os.listdir("/proc/self/fd")), threading.active_count()  # noqa: PTH208

    if not Path("/proc/self/fd").is_dir():
        pytest.skip("this system does not list its descriptors there")
    with guarded(way, tmp_path) as guard:
        guard.arm({}, 0.1)
    before = count()
    for _ in range(4):
        with guarded(way, tmp_path) as guard:
            guard.arm({}, 0.1)
    assert count() == before
    with pytest.raises(ChildProcessError):  # not one child is left, not even a dead one
        os.waitpid(-1, os.WNOHANG)


@pytest.mark.parametrize("way", WAYS)
def test_leave_before_it_is_ready(way: Way, tmp_path: Path) -> None:
    """The bench was refused while the guardian was still starting."""
    started = time.monotonic()
    with guarded(way, tmp_path):
        pass
    assert time.monotonic() - started < guard_module.END_S
    assert list(tmp_path.iterdir()) == []


def kill(guard: Guard) -> None:
    os.kill(guard.pid, signal.SIGKILL)


def stop(guard: Guard) -> None:
    os.kill(guard.pid, signal.SIGSTOP)


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(
    ("hurt", "said"),
    [pytest.param(kill, "is gone", id="killed"), pytest.param(stop, "does not answer", id="stopped")],
)
def test_a_guardian_that_is_lost_ends_the_run_once(
    hurt: Callable[[Guard], None],
    said: str,
    way: Way,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(guard_module, "MOST_UNANSWERED", 20)
    monkeypatch.setattr(guard_module, "END_S", 0.2)
    with guarded(way, tmp_path) as guard:
        guard.arm({}, 0.1)
        hurt(guard)
        text = beat_until_refused(guard, 10.0)
        assert text.startswith(f"the guardian process {said}: nobody would switch off")
        assert beat_until_refused(guard, 0.3) == ""  # what ends the run must not be ended itself


@pytest.mark.parametrize(
    "number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP]
)
def test_signals_do_not_disarm_it(number: int, tmp_path: Path) -> None:
    with guarded("shared", tmp_path) as guard:
        guard.arm({}, 0.1)
        assert os.getsid(guard.pid) != os.getsid(0)
        os.kill(guard.pid, number)
        assert beat_until_refused(guard, 0.3) == ""


@pytest.mark.parametrize(
    ("spec", "said"),
    [
        pytest.param(board(unit=999), "`unit` is '999'", id="settings"),
        pytest.param(
            BoardSpec(name="X", driver="none", settings={}, output_count=1, input_count=0),
            "no driver named 'none'",
            id="driver",
        ),
    ],
)
def test_one_that_cannot_guard_the_bench_says_why(spec: BoardSpec, said: str, tmp_path: Path) -> None:
    with (
        guarded("own", tmp_path, spec) as guard,
        pytest.raises(BenchError, match=r"^the guardian did not start: .*nothing was switched on$") as error,
    ):
        guard.arm({}, 0.1)
    assert said in str(error.value)


@pytest.mark.parametrize("way", WAYS)
def test_one_that_does_not_start_is_an_error_of_the_bench(way: Way, tmp_path: Path) -> None:
    guard = Guard([sys.executable, "-c", "raise SystemExit(3)"], way, RealClock())
    try:
        with pytest.raises(BenchError, match="the guardian did not start: it ended"):
            guard.arm({}, 0.1)
    finally:
        guard.end(safe=True)
    with pytest.raises(BenchError, match=r"the guardian did not start: .*No such file"):
        Guard([str(tmp_path / "none")], way, RealClock())


class Port:
    """As much of a board as handing its open port on needs."""

    def __init__(self, descriptor: int | None) -> None:
        self.descriptor = descriptor
        self.connections = 1


def handed_on(
    way: Way, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> tuple[Guard, dict[str, Port], list[tuple[bytes, list[int]]]]:
    """A guardian, three boards on two ports, and what it was handed."""
    sent: list[tuple[bytes, list[int]]] = []
    send = guard_module._send

    def noted(channel: Any, data: bytes, descriptors: Sequence[int]) -> None:
        if b"descriptors" in data:
            sent.append((data, list(descriptors)))
        send(channel, data, descriptors)

    monkeypatch.setattr(guard_module, "_send", noted)
    guard = Guard(guardian_command(), way, RealClock())
    guard.brief(plan(folder))
    return guard, {"A": Port(0), "B": Port(0), "C": Port(1), "D": Port(None)}, sent


def test_open_ports_are_handed_on_at_once_and_again_when_one_was_opened_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    guard, ports, sent = handed_on("shared", tmp_path, monkeypatch)
    try:
        guard.arm(cast("dict[str, Board]", ports), 0.1)
        assert sent == [(words.descriptors([["A", "B"], ["C"]]), [0, 1])]
        assert beat_until_refused(guard, 0.2) == ""
        assert len(sent) == 1
        ports["C"].descriptor, ports["C"].connections = 2, 2
        assert beat_until_refused(guard, 0.2) == ""
        assert sent[1:] == [(words.descriptors([["A", "B"], ["C"]]), [0, 2])]
    finally:
        guard.end(safe=True)


def test_nothing_is_handed_on_to_one_that_opens_ports_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    guard, ports, sent = handed_on("own", tmp_path, monkeypatch)
    try:
        guard.arm(cast("dict[str, Board]", ports), 0.1)
        assert beat_until_refused(guard, 0.2) == ""
        assert sent == []
    finally:
        guard.end(safe=True)


def test_without_sockets_that_carry_descriptors_it_opens_ports_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delattr("socket.send_fds")
    assert not can_share()
    with guarded("shared", tmp_path) as guard:
        assert guard.way == "own"
        guard.arm({}, 0.1)
