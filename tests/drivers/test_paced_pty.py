"""The emulated serial line on a real pseudo terminal: never faster than a wire, and close to one.

Lower bounds hold always. Upper ones are for the best of many, because the computer may be busy: within 0.6 ms
of the wire for a poll, within 2 ms for a long answer.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest
from modbus_models import TableDevice
from serial_lines import FarEnd, served_line

from drivers.pty_line import PtyLine
from drivers.rtu_frame import sealed, sound
from drivers.rtu_server import PacedRtu, RtuBus, TolerantRtu
from drivers.serial_timing import SerialTiming, serial_timing
from harness.clock import RealClock
from harness.errors import BenchError

pytest.importorskip("pty", reason="this system has no pseudo terminals")

POLL = sealed(bytes.fromhex("01 02 00 00 00 08"))
ANSWER = sealed(bytes.fromhex("01 02 01 A5"))
REGISTERS = sealed(bytes.fromhex("01 03 00 00 00 7D"))  # 125 of them: an answer of 255 characters
CLOSE_MS = 0.6


def device() -> TableDevice:
    inputs = {place: bool(0xA5 >> place & 1) for place in range(8)}
    tables = {"coils": range(8), "inputs": range(8), "holding registers": range(125)}
    return TableDevice(tables, bits={"inputs": inputs})


class Spy(PacedRtu):
    """Says how much it has heard, so that a test can wait for it."""

    heard = 0

    def hear(self, data: bytes, now_ns: int) -> None:
        super().hear(data, now_ns)
        self.heard += len(data)


def paced(baud: int, turnaround_ms: float = 0) -> Spy:
    return Spy(RtuBus({1: device()}).answer, serial_timing(baud), round(turnaround_ms * 1e6))


def until_heard(talk: Spy, count: int) -> None:
    give_up = time.monotonic() + 5
    while talk.heard < count:
        assert time.monotonic() < give_up
        time.sleep(0.0005)


@pytest.mark.parametrize(
    ("baud", "turnaround_ms", "least_ms"),
    # worked out by hand: 14 characters of 11 bits and twice t3.5
    [(19200, 0, 12.03), (115200, 0, 4.836), (19200, 3, 15.03)],
    ids=["19200", "115200", "19200 and a turnaround of 3 ms"],
)
def test_poll_of_eight_inputs(baud: int, turnaround_ms: float, least_ms: float) -> None:
    between_s = serial_timing(baud).between_ns / 1e9
    with served_line(paced(baud, turnaround_ms)) as name, FarEnd(name) as line:
        took_ms: list[float] = []
        while len(took_ms) < 25 or (min(took_ms) > least_ms + CLOSE_MS and len(took_ms) < 200):
            assert line.ask(POLL, len(ANSWER)) == ANSWER
            took_ms.append((line.came[-1][0] + between_s) * 1e3)
            time.sleep(between_s)
    assert min(took_ms) >= least_ms
    assert min(took_ms) <= least_ms + CLOSE_MS, took_ms


@pytest.mark.parametrize("baud", [19200, 115200])
def test_no_character_of_a_long_answer_is_early_and_lateness_does_not_add_up(baud: int) -> None:
    timing = serial_timing(baud)
    late_ms: list[float] = []
    with served_line(paced(baud)) as name, FarEnd(name) as line:
        while len(late_ms) < 3 or (min(late_ms) > 2 and len(late_ms) < 30):
            assert sound(line.ask(REGISTERS, 255))
            late = [after_s * 1e3 - wire_ms(timing, 8, count) for after_s, count in line.came]
            assert min(late) >= 0
            late_ms.append(late[-1])
            time.sleep(timing.between_ns / 1e9)
    assert min(late_ms) <= 2, late_ms


def wire_ms(timing: SerialTiming, asked: int, answered: int) -> float:
    return ((asked + answered) * timing.character_ns + timing.between_ns) / 1e6


def test_a_hole_in_a_request_spoils_it_and_the_next_one_is_answered() -> None:
    """At 1200 baud a hole of 22 ms lies between t1.5 (13.8 ms) and t3.5 (32.1 ms)."""
    talk = paced(1200)
    with served_line(talk) as name, FarEnd(name) as line:
        line.write(POLL[:4])
        until_heard(talk, 4)
        time.sleep((4 * talk._timing.character_ns + 22_000_000) / 1e9)
        assert line.ask(POLL[4:], 6, 0.25) == b""
        assert line.ask(POLL, 6) == ANSWER


def test_two_frames_without_silence_are_one_and_no_good() -> None:
    with served_line(paced(19200)) as name, FarEnd(name) as line:
        assert line.ask(POLL + POLL, 6, 0.1) == b""
        assert line.ask(POLL, 6) == ANSWER


def test_an_unpaced_line_is_faster_than_any_wire() -> None:
    with served_line(TolerantRtu(RtuBus({1: device()}).answer)) as name, FarEnd(name) as line:
        took_ms = []
        for _ in range(20):
            assert line.ask(POLL, 6) == ANSWER
            took_ms.append(line.came[-1][0] * 1e3)
    assert min(took_ms) < 2


def test_a_client_that_never_reads_stops_nobody() -> None:
    with served_line(TolerantRtu(RtuBus({1: device()}).answer)) as name, FarEnd(name) as line:
        for _ in range(100):
            line.write(REGISTERS)
            time.sleep(0.001)
        with FarEnd(name) as second:
            os.set_blocking(second._line, False)
            give_up = time.monotonic() + 5
            while drained(second) and time.monotonic() < give_up:
                time.sleep(0.1)
            assert second.ask(POLL, 6) == ANSWER


def drained(line: FarEnd) -> int:
    """How much was left lying about, thrown away."""
    try:
        return len(os.read(line._line, 65536))
    except BlockingIOError:
        return 0


def test_clients_may_come_and_go() -> None:
    with served_line(paced(115200)) as name:
        for _ in range(3):
            with FarEnd(name) as line:
                assert line.ask(POLL, 6) == ANSWER
            time.sleep(0.002)


def test_link_is_made_and_removed(tmp_path: Path) -> None:
    link = tmp_path / "line"
    with served_line(paced(115200), link) as name:
        assert name == str(link)
        with FarEnd(name) as line:
            assert line.ask(POLL, 6) == ANSWER
    assert not link.is_symlink()


def test_link_left_behind_is_replaced_and_what_is_someone_elses_is_not(tmp_path: Path) -> None:
    link, file = tmp_path / "line", tmp_path / "file"
    link.symlink_to("/dev/pts/no-such-terminal")
    file.write_text("mine")
    clock = RealClock()
    line = PtyLine(clock, link)
    assert str(link.readlink()) == line.name
    for taken in (link, file):
        with pytest.raises(BenchError, match=r"\(file exists\); choose another path$"):
            PtyLine(clock, taken)
    with pytest.raises(BenchError, match=r"\(no such file or directory\); choose another path$"):
        PtyLine(clock, tmp_path / "nowhere" / "line")
    link.unlink()
    link.symlink_to(file)
    line.close()
    line.close()
    assert link.readlink() == file  # no longer ours
    assert file.read_text() == "mine"


def test_nothing_comes_by_the_deadline() -> None:
    clock = RealClock()
    line = PtyLine(clock)
    try:
        start_ns = clock.now_ns()
        assert line.receive(10, start_ns - 1) == b""
        assert line.receive(10, start_ns + 5_000_000) == b""
        assert clock.now_ns() - start_ns >= 5_000_000
        with pytest.raises(TimeoutError):
            line.send(bytes(1_000_000), clock.now_ns() + 5_000_000)
    finally:
        line.close()


@pytest.mark.parametrize("missing", ["tty", "openpty"])
def test_a_system_without_pseudo_terminals(missing: str, monkeypatch: pytest.MonkeyPatch) -> None:
    if missing == "tty":
        monkeypatch.setitem(__import__("sys").modules, "tty", None)
    else:
        monkeypatch.delattr(os, "openpty")
    with pytest.raises(BenchError, match="has no pseudo terminals; give a serial port, or serve on TCP"):
        PtyLine(RealClock())
