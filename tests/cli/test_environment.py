"""The computer's own troubles during a run: one clear line, exit status 4, the bench safe, never a pass."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from environment_runs import (
    Ended,
    ended,
    fill,
    folder_of,
    line_with,
    may_mount,
    on_the_wire,
    outputs_at,
    run_words,
    served,
    small_disk,
    started,
    wait_for_steps,
    words,
)
from wire_benches import edit, journal_kinds, point_at

from harness.cli.main import main

MOUNTS = pytest.mark.skipif(not may_mount(), reason="needs to mount a small file system")
SLOW = pytest.mark.slow
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="this system has no such thing")


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return folder_of(tmp_path / "bench")


def refused(place: Path, found: Ended, port: int, said: str) -> None:
    """Ended before anything moved: status 4, one line on standard error."""
    assert (found.status, found.out) == (4, "")
    assert said in found.err
    assert len(found.err.splitlines()) == 1, found.err
    assert outputs_at(port) == 0
    del place


def is_error(found: Ended, said: str) -> dict[str, object]:
    """A run that ended as an error: document, status and one line on standard error agree."""
    answer = found.answer
    assert (found.status, answer["verdict"]) == (4, "error")
    assert said in str(answer["error"])
    assert line_with(found.err, said)
    return answer


# Disks


@MOUNTS
def test_a_disk_that_fills_up_in_mid_run(place: Path, tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 400) as disk, on_the_wire(place) as port:
        process = started(run_words(place, "busy", "--json", logs=disk / "logs"))
        folder = wait_for_steps(disk / "logs", 4)
        fill(disk)
        found = ended(process)
        answer = is_error(
            found, "cannot write the journal: No space left on device; free space or rights there"
        )
        assert answer["unsafe"] == ""
        assert "all outputs off, read back from every board" in found.err
        assert len(answer["steps"]) >= 3  # type: ignore[arg-type]
        assert outputs_at(port) == 0
        check = ended(started(words("verify", str(folder))))
        assert (check.status, "interrupted" in check.out.lower()) == (3, True), check.out
        assert journal_kinds_of_whole_lines(folder).count("step ended") >= 3


def journal_kinds_of_whole_lines(folder: Path) -> list[str]:
    import json

    data = (folder / "journal.jsonl").read_bytes()
    return [json.loads(line)["kind"] for line in data[: data.rfind(b"\n") + 1].splitlines()]


@POSIX
@pytest.mark.parametrize("size", [pytest.param(14_000, marks=SLOW), 20_000, pytest.param(33_333, marks=SLOW)])
def test_a_file_that_may_not_grow_on(size: int, place: Path) -> None:
    """The same where nothing can be mounted: the system refuses to grow any file beyond some size."""
    before = f"import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({size}, {size}))"
    with on_the_wire(place) as port:
        found = ended(started(run_words(place, "busy", "--json", before=before)))
        is_error(found, "cannot write the journal: File too large")
        assert outputs_at(port) == 0
    (folder,) = (place / "logs").iterdir()
    assert main(["verify", str(folder)]) == 3


@POSIX
def test_a_seal_that_finds_no_room_is_no_pass(place: Path) -> None:
    """Everything was recorded but the last line; without it the record could be cut unseen."""
    whole = ended(started(run_words(place, "short", "--virtual-time", "--json")))
    assert whole.status == 0
    journal = Path(whole.answer["run"]) / "journal.jsonl"
    size = journal.stat().st_size
    before = f"import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({size - 1}, {size - 1}))"
    found = ended(started(run_words(place, "short", "--virtual-time", "--json", before=before)))
    answer = found.answer
    assert (found.status, answer["verdict"]) == (4, "error")
    assert "cannot write the journal: File too large" in answer["error"]
    assert answer["failed"] == []


@MOUNTS
@pytest.mark.parametrize("room_kb", [0, pytest.param(8, marks=SLOW), 16])
def test_a_disk_that_is_full_at_the_start(room_kb: int, place: Path, tmp_path: Path) -> None:
    """At one size there is no room for the folder, at another none for the copies or the journal."""
    with small_disk(tmp_path / "disk", 64) as disk, on_the_wire(place) as port:
        (disk / "room").write_bytes(b"x" * 1024 * room_kb)
        fill(disk)
        (disk / "room").unlink()
        found = ended(started(run_words(place, "short", logs=disk / "logs")))
        assert found.status == 4
        assert "No space left on device" in found.err + found.out
        assert "PASS" not in found.out
        assert outputs_at(port) == 0
        if not found.out:
            refused(place, found, port, "free space or rights there, or choose --logs DIR")


@MOUNTS
def test_logs_on_a_disk_that_is_read_only(place: Path, tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 64, read_only=True) as disk, on_the_wire(place) as port:
        found = ended(started(run_words(place, "short", logs=disk / "logs")))
        refused(place, found, port, "cannot make the folder of the run: Read-only file system")


@pytest.mark.parametrize(
    "below", [pytest.param("", id="a file"), pytest.param("deeper", id="below a file", marks=SLOW)]
)
def test_logs_that_are_no_folder(below: str, place: Path) -> None:
    (place / "file").write_text("mine")
    with on_the_wire(place) as port:
        found = ended(started(run_words(place, "short", logs=place / "file" / below)))
        refused(place, found, port, "--logs DIR")
    assert (place / "file").read_text() == "mine"


# Clocks


# Half a second after the run looked at its clocks for the first time.
LATER = """
import time
from datetime import timedelta
from harness.clock import RealClock
begun, plain = [], RealClock.wall
def later():
    return time.monotonic() - begun[0] > 0.5 if begun else False
def looked(self):
    begun.append(time.monotonic())
    return {slept_s} * 10**9 if later() else 0
RealClock.slept_ns = looked
RealClock.wall = lambda self: plain(self) + timedelta(seconds={stepped_s} if later() else 0)
"""


@pytest.mark.parametrize("by_s", [3600, pytest.param(-3600, marks=SLOW)])
def test_a_clock_that_is_stepped_is_a_remark(by_s: int, place: Path) -> None:
    """The clock of the run's process is stepped; that of the computer others are using."""
    (place / "a.sequence.yaml").write_text((place / "short.sequence.yaml").read_text() + "- hold: 2 s\n")
    with on_the_wire(place):
        found = ended(
            started(run_words(place, "a", "--json", before=LATER.format(stepped_s=by_s, slept_s=0)))
        )
    answer = found.answer
    said = f"the computer's clock was stepped by {by_s:+d} s during the run"
    assert (found.status, answer["verdict"], answer["error"]) == (0, "pass", "")
    assert [remark.partition(";")[0] for remark in answer["remarks"]] == [said]
    assert line_with(found.err, said)
    kinds = journal_kinds(answer["run"])
    assert kinds.count("clock stepped") == 1
    assert main(["verify", answer["run"]]) == 0


def test_a_run_that_the_computer_slept_through(place: Path) -> None:
    with on_the_wire(place) as port:
        found = ended(
            started(run_words(place, "long", "--json", before=LATER.format(slept_s=42, stepped_s=42)))
        )
        answer = is_error(found, "the computer slept for 42 s during the run")
        assert answer["unsafe"] == ""
        assert outputs_at(port) == 0
    assert main(["verify", str(answer["run"])]) == 0


# The wire


def test_the_second_run_on_one_bench_is_refused_and_the_first_goes_on(place: Path) -> None:
    with on_the_wire(place) as port:
        first = started(run_words(place, "long", "--json"))
        try:
            wait_for_steps(place / "logs", 3)
            second = ended(started(run_words(place, "short", logs=place / "others")))
            assert (second.status, second.out) == (4, "")
            assert len(second.err.splitlines()) == 1
            assert (
                f"unit 1 is in use by another run (pid {first.pid}, long.sequence.yaml, since " in second.err
            )
            assert not (place / "others").exists()
            assert first.poll() is None
        finally:
            first.send_signal(signal.SIGINT)
        assert ended(first).status == 130
        assert ended(started(run_words(place, "short"))).status == 0
        assert outputs_at(port) == 0


@POSIX
def test_a_peer_that_vanishes_without_a_word(place: Path) -> None:
    """The server's process is stopped, so its system still takes what is sent and nothing ever comes back."""
    with served(place, "--modbus-tcp", "127.0.0.1:0") as (server, line):
        try:
            point_at(place / "th-s0.bench.yaml", int(line.rsplit(":", 1)[1]))
            process = started(run_words(place, "long", "--json"))
            wait_for_steps(place / "logs", 3)
            server.send_signal(signal.SIGSTOP)
            begun = time.monotonic()
            found = ended(process)
            took_s = time.monotonic() - begun
        finally:
            server.send_signal(signal.SIGCONT)  # its guardian makes the bench safe now
    answer = found.answer
    assert (found.status, answer["verdict"]) == (4, "error")
    assert "no answer within 500 ms" in str(answer["error"])
    assert "NOT SAFE as far as is known" in str(answer["unsafe"])
    print(f"from silence to the end of the run: {took_s:.1f} s")
    assert took_s < 20


# The streams and the terminal


@POSIX
@pytest.mark.parametrize("name", ["short"])
def test_a_standard_output_that_is_full(name: str, place: Path) -> None:
    with Path("/dev/full").open("w") as full, on_the_wire(place) as port:
        found = ended(started(run_words(place, name), stdout=full))
        assert outputs_at(port) == 0
    assert found.status == 4
    assert found.err.splitlines() == [
        "panelproof: standard output cannot be written: No space left on device"
    ]
    (folder,) = (place / "logs").iterdir()
    assert main(["verify", str(folder)]) == 0


@POSIX
@pytest.mark.parametrize("number", [1, 2], ids=["standard output", "standard error"])
def test_a_stream_that_is_closed(number: int, place: Path) -> None:
    """As with `>&-` in a shell: the run is what it is; nothing else may land in its files."""
    command = ["sh", "-c", f'exec "$@" {number}>&-', "sh", *run_words(place, "short")]
    with on_the_wire(place) as port:
        found = ended(started(command))
        assert outputs_at(port) == 0
    (folder,) = (place / "logs").iterdir()
    assert main(["verify", str(folder)]) == 0
    assert journal_kinds(folder)[-1] == "sealed"
    assert found.status == (4 if number == 1 else 0)
    assert (found.err if number == 1 else found.out) != ""


@pytest.fixture
def terminal() -> Iterator[tuple[int, int]]:
    import pty

    near, far = pty.openpty()
    yield near, far
    for end in (near, far):
        with suppress(OSError):
            os.close(end)


@POSIX
def test_a_terminal_that_is_closed_in_mid_run(place: Path, terminal: tuple[int, int]) -> None:
    """A real one: its far end is the run's own terminal, and then the window is gone."""
    near, far = terminal
    before = "import fcntl, os, termios; os.setsid(); fcntl.ioctl(0, termios.TIOCSCTTY, 0)"
    with on_the_wire(place) as port:
        command = run_words(place, "long", before=before)
        process = started(command, stdin=far, stdout=far, stderr=far)
        os.close(far)
        folder = wait_for_steps(place / "logs", 3)
        os.close(near)
        assert ended(process).status == 143
        assert outputs_at(port) == 0
    assert journal_kinds(folder)[-3:] == ["made safe", "run ended", "sealed"]
    assert main(["verify", str(folder)]) == 0


# Serial ports


@pytest.fixture
def plugged(place: Path) -> Path:
    """The bench on a pseudo terminal, named `adapter`, as a USB adapter would be."""
    settings = f"driver: modbus-rtu\n    settings: {{port: {place / 'adapter'}, unit: 1}}"
    edit(place / "th-s0.bench.yaml", r"^simulated: true\n", "")
    edit(place / "th-s0.bench.yaml", r"driver: simulated", settings)
    return place


def adapter(place: Path) -> served:  # type: ignore[valid-type]
    """Plug it in."""
    link = place / "adapter"
    link.unlink(missing_ok=True)
    return served(place, "--modbus-rtu", f"pty:{link}", "--unpaced")


@POSIX
def test_a_serial_port_that_another_program_has(plugged: Path) -> None:
    import fcntl

    with adapter(plugged):
        with (plugged / "adapter").open("rb+", buffering=0) as other:
            fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
            found = ended(started(run_words(plugged, "short", "--json")))
        answer = is_error(found, "is taken by another program; end that one")
        assert "written" not in journal_kinds(str(answer["run"]))
        assert ended(started(run_words(plugged, "short"))).status == 0, "and it can be had again"


@POSIX
def test_an_adapter_that_is_pulled_out_and_put_back(plugged: Path) -> None:
    with adapter(plugged) as (server, _):
        process = started(run_words(plugged, "long", "--json"))
        wait_for_steps(plugged / "logs", 3)
        server.kill()
        found = ended(process)
    answer = found.answer
    assert (found.status, answer["verdict"]) == (4, "error")
    assert "NOT SAFE as far as is known" in str(answer["unsafe"])
    assert str(answer["error"]).startswith("board IO1 on ")
    assert ended(started(run_words(plugged, "short", logs=plugged / "gone"))).status == 4
    with adapter(plugged):
        tries = [ended(started(run_words(plugged, "short", logs=plugged / "again")))]
        while tries[-1].status == 4 and len(tries) < 10:  # while the first one's guardian is at work on it
            tries.append(ended(started(run_words(plugged, "short", logs=plugged / "again"))))
    assert tries[-1].status == 0, [(found.out, found.err) for found in tries]
