"""One run at a time on a bench: who is refused, what the refusal says, and that no death leaves a lock."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.bench.parts import Bench, BoardSpec
from harness.clock import RealClock
from harness.errors import BenchError
from harness.run.bench_lock import BenchInUse, address_of, held

CLOCK = RealClock()
SPEC = BoardSpec(name="IO1", driver="modbus-tcp", settings={}, output_count=8, input_count=8)
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="pass_fds and signals are not of this system")


def board(name: str = "IO1", driver: str = "modbus-tcp", **settings: Any) -> BoardSpec:
    return replace(SPEC, name=name, driver=driver, settings=settings)


def bench(*boards: BoardSpec) -> Bench:
    return Bench(tag="TH-B1", title="", boards=boards)


HERE = board(host="127.0.0.1", port=5020, unit=1)


@contextmanager
def another(folder: Path, *, pass_on: bool = False) -> Iterator[subprocess.Popen[str]]:
    """A process that holds the bench; with `pass_on` a child of its own inherits the lock and stays."""
    program = f"""
import subprocess, sys; sys.path[:] = {sys.path!r}
from pathlib import Path
from harness.bench.parts import Bench, BoardSpec
from harness.clock import RealClock
from harness.run.bench_lock import held
spec = BoardSpec(name="IO1", driver="modbus-tcp", output_count=8, input_count=8,
                 settings=dict(host="127.0.0.1", port=5020, unit=1))
bench = Bench(tag="X", title="", boards=(spec,))
with held(bench, "theirs.sequence.yaml", RealClock(), Path({str(folder)!r})) as lock:
    if {pass_on}:
        subprocess.Popen([sys.executable, "-c", "input()"], pass_fds=lock.descriptors)
    print("held", flush=True)
    sys.stdin.read() if not {pass_on} else __import__("time").sleep(60)
"""
    with subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        assert process.stdout.readline() == "held\n"
        try:
            yield process
        finally:
            process.stdin.close()
            process.kill()


def free(folder: Path, within_s: float = 5.0) -> bool:
    """Whether the bench can be had, now or soon."""
    give_up = time.monotonic() + within_s
    while time.monotonic() < give_up:
        try:
            with held(bench(HERE), "mine", CLOCK, folder):
                return True
        except BenchInUse:
            time.sleep(0.02)
    return False


def test_the_second_is_refused_and_told_by_whom(tmp_path: Path) -> None:
    with (
        another(tmp_path) as process,
        pytest.raises(BenchInUse) as caught,
        held(bench(HERE), "m", CLOCK, tmp_path),
    ):
        pass
    assert re.fullmatch(
        r"bench TH-B1, board IO1 at 127\.0\.0\.1 port 5020 unit 1 is in use by another run "
        rf"\(pid {process.pid}, theirs\.sequence\.yaml, since \d{{4}}-\d\d-\d\d \d\d:\d\d\); "
        r"wait for it or end it",
        str(caught.value),
    )
    assert caught.value.exit_status == 4


def test_the_same_process_is_refused_too_and_the_end_lets_go(tmp_path: Path) -> None:
    for _ in range(3):
        with held(bench(HERE), "a", CLOCK, tmp_path):
            with pytest.raises(BenchInUse), held(bench(HERE), "b", CLOCK, tmp_path):
                pass
            with pytest.raises(BenchInUse), held(bench(HERE), "c", CLOCK, tmp_path):
                pass
    assert list(tmp_path.iterdir()) == [], "nothing is left"


@POSIX
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGSEGV], ids=lambda n: n.name)
def test_no_death_leaves_a_lock(number: signal.Signals, tmp_path: Path) -> None:
    with another(tmp_path) as process:
        process.send_signal(number)
        process.wait(10)
        (left,) = tmp_path.iterdir()
        assert b"theirs.sequence.yaml" in left.read_bytes(), "the words are stale, and lock nothing"
        assert free(tmp_path, 1.0)


@POSIX
def test_a_guardian_that_inherits_it_holds_on(tmp_path: Path) -> None:
    with another(tmp_path, pass_on=True) as process:
        process.kill()
        process.wait(10)
        with pytest.raises(BenchInUse, match="it is dead, and its guardian is still making the bench safe"):
            held(bench(HERE), "mine", CLOCK, tmp_path).__enter__()
        assert process.stdin is not None
        process.stdin.close()  # its child reads the same input, and ends with it
        assert free(tmp_path)


@POSIX
def test_the_first_that_ends_leaves_it_to_whom_it_was_handed_on(tmp_path: Path) -> None:
    """A run that ends in order while its guardian still tries must not take the lock's name away."""
    with ExitStack() as stack:
        lock = stack.enter_context(held(bench(HERE), "a", CLOCK, tmp_path))
        kept = [os.dup(descriptor) for descriptor in lock.descriptors]
        stack.close()
        with pytest.raises(BenchInUse), held(bench(HERE), "b", CLOCK, tmp_path):
            pass
        for descriptor in kept:
            os.close(descriptor)
    assert free(tmp_path, 1.0)


SAME = {
    "default port and unit": (board(host="127.0.0.1"), board(host="127.0.0.1", port=502, unit=1)),
    "numbers as text": (board(host="127.0.0.1", port="502"), board(host="127.0.0.1", port=502)),
    "name of this computer": (board(host="127.0.0.1"), board(host="localhost")),
    "another name on another bench": (board("A", host="10.1.2.3"), board("B", host=" 10.1.2.3 ")),
    "IPv6": (board(host="::1"), board(host="0:0:0:0:0:0:0:1")),
    "upper case": (board(host="no-such-host.invalid"), board(host="NO-SUCH-HOST.invalid")),
    "units on one serial line": (
        board(driver="modbus-rtu", port="/dev/null", unit=1),
        board(driver="modbus-rtu", port="/dev/null", unit=2, speed=19200),
    ),
    "units behind a converter to a serial line": (
        board(driver="modbus-rtu-tcp", host="10.1.2.3", unit=1),
        board(driver="modbus-rtu-tcp", host="10.1.2.3", unit=2),
    ),
}
OTHER = {
    "another unit behind a gateway": (board(host="10.1.2.3", unit=1), board(host="10.1.2.3", unit=2)),
    "another port": (board(host="10.1.2.3", port=502), board(host="10.1.2.3", port=503)),
    "another host": (board(host="10.1.2.3"), board(host="10.1.2.4")),
    "another serial line": (board(port="/dev/null"), board(port="/dev/zero")),
    "unlike settings of an unknown driver": (board(driver="odd", card=1), board(driver="odd", card=2)),
}


@pytest.mark.parametrize("name", SAME)
def test_one_place_has_one_address(name: str) -> None:
    one, other = SAME[name]
    assert address_of(one) == address_of(other)


@pytest.mark.parametrize("name", OTHER)
def test_other_places_are_free(name: str, tmp_path: Path) -> None:
    one, other = OTHER[name]
    assert address_of(one) != address_of(other)
    with held(bench(one), "a", CLOCK, tmp_path), held(bench(other), "b", CLOCK, tmp_path):
        pass


def test_a_link_to_a_serial_port_is_the_port(tmp_path: Path) -> None:
    link = tmp_path / "by-id"
    link.symlink_to("/dev/null")
    assert address_of(board(port=str(link))) == address_of(board(port="/dev/null")) == "/dev/null"


def test_boards_of_one_bench_share_a_line(tmp_path: Path) -> None:
    """Two units on one serial port, and the same gateway twice: one lock each, and no dispute with itself."""
    line = [board(name, driver="modbus-rtu", port="/dev/null", unit=k) for k, name in enumerate("AB", 1)]
    with held(bench(*line), "a", CLOCK, tmp_path) as lock:
        assert len(lock.descriptors) == 1
    with held(bench(HERE, board("IO2", host="127.0.0.1", port=5020, unit=2)), "a", CLOCK, tmp_path) as lock:
        assert len(lock.descriptors) == 2


def test_half_a_bench_is_let_go_of_when_the_other_half_is_taken(tmp_path: Path) -> None:
    mine = board("IO0", host="127.0.0.1", port=4999)
    with held(bench(HERE), "a", CLOCK, tmp_path):
        with pytest.raises(BenchInUse), held(bench(mine, HERE), "b", CLOCK, tmp_path):
            pass
        with held(bench(mine), "c", CLOCK, tmp_path):
            pass


def test_a_simulated_bench_needs_none(tmp_path: Path) -> None:
    spec = board(driver="simulated")
    with (
        held(bench(spec), "a", CLOCK, tmp_path / "none") as lock,
        held(bench(spec), "b", CLOCK, tmp_path / "none"),
    ):
        assert lock.descriptors == ()
    assert not (tmp_path / "none").exists()


def test_every_user_of_the_computer_can_open_what_is_left(tmp_path: Path) -> None:
    folder = tmp_path / "benches"
    with held(bench(HERE), "a", CLOCK, folder):
        (file,) = folder.iterdir()
        if sys.platform != "win32":
            assert (folder.stat().st_mode & 0o7777, file.stat().st_mode & 0o777) == (0o1777, 0o666)


def test_where_no_lock_can_be_kept_there_is_no_run(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(BenchError, match="cannot keep this bench to one run") as caught:
        held(bench(HERE), "a", CLOCK, tmp_path / "file" / "below").__enter__()
    assert "\n" not in str(caught.value)
    with pytest.raises(BenchError, match="cannot keep this bench to one run"):
        held(bench(HERE), "a", CLOCK, tmp_path / "file").__enter__()


def test_a_link_in_its_place_is_not_followed(tmp_path: Path) -> None:
    with held(bench(HERE), "a", CLOCK, tmp_path):
        (file,) = tmp_path.iterdir()
    victim = tmp_path / "victim"
    victim.write_text("keep")
    file.symlink_to(victim)
    if hasattr(os, "O_NOFOLLOW"):
        with pytest.raises(BenchError):
            held(bench(HERE), "a", CLOCK, tmp_path).__enter__()
    assert victim.read_text() == "keep"


def test_many_at_once_and_never_two_inside(tmp_path: Path) -> None:
    """Six processes take it and let go as fast as they can for a second; inside, each makes a file alone."""
    program = f"""
import os, sys, time; sys.path[:] = {sys.path!r}
from pathlib import Path
from harness.bench.parts import Bench, BoardSpec
from harness.clock import RealClock
from harness.run.bench_lock import BenchInUse, held
spec = BoardSpec(name="IO1", driver="t", output_count=0, input_count=0, settings=dict(host="127.0.0.1"))
bench, place = Bench(tag="X", title="", boards=(spec,)), Path({str(tmp_path / "benches")!r})
inside, had = {str(tmp_path / "inside")!r}, 0
give_up = time.monotonic() + 1.0
while time.monotonic() < give_up:
    try:
        with held(bench, "x", RealClock(), place):
            os.close(os.open(inside, os.O_CREAT | os.O_EXCL))
            os.unlink(inside)
            had += 1
    except BenchInUse:
        pass
print(had)
"""
    others = [
        subprocess.Popen(
            [sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        for _ in range(6)
    ]
    said = [process.communicate(timeout=60) for process in others]
    assert [process.returncode for process in others] == [0] * 6, said
    assert sum(int(out) for out, _ in said) >= 20
