"""Serial ports: settings, opening without a pulse, taken, missing, pulled out; by descriptor and without."""

from __future__ import annotations

import errno
import os
import select
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from drivers import adapters
from drivers.modbus_rtu import ModbusRtuBoard
from drivers.serial_line import PolledLine
from drivers.serial_port import (
    SerialSettings,
    adopt_serial,
    check_serial_settings,
    open_serial,
    serial_settings,
)
from drivers.text_line import TextLineBoard
from harness.bench.board import Identity
from harness.bench.parts import BoardSpec, SettingValue
from harness.cli.screen import lines_of
from harness.clock import NS, RealClock, VirtualClock
from harness.errors import BoardAbsent
from harness.record.recorder import to_data
from harness.run.engine import found

CLOCK = RealClock()
posix = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo terminals")


def soon(seconds: float = 2.0) -> int:
    return CLOCK.now_ns() + round(seconds * NS)


@pytest.fixture
def pair() -> Iterator[tuple[int, str]]:
    """A pseudo terminal: the descriptor of its near end, and the name of the far end."""
    import tty

    near, far = os.openpty()
    tty.setraw(far)
    name = os.ttyname(far)
    os.close(far)
    yield near, name
    with suppress(OSError):
        os.close(near)


@pytest.mark.parametrize(
    ("settings", "expected"),
    [
        pytest.param({"port": "COM3"}, SerialSettings("COM3", 19200, "even", 1, 8), id="defaults"),
        pytest.param(
            {"port": "x", "parity": "none"}, SerialSettings("x", 19200, "none", 2), id="none: two stop bits"
        ),
        pytest.param(
            {"port": "x", "parity": "none", "stop bits": 1},
            SerialSettings("x", 19200, "none", 1),
            id="stated",
        ),
        pytest.param(
            {"port": " x ", "baud": "9600", "parity": "odd", "stop bits": "2", "data bits": "7"},
            SerialSettings("x", 9600, "odd", 2, 7),
            id="as text, as bench files give it",
        ),
    ],
)
def test_settings_that_are_right(settings: dict[str, SettingValue], expected: SerialSettings) -> None:
    assert check_serial_settings(settings) == []
    assert serial_settings(settings) == expected


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        pytest.param({}, ["`port` is missing", "panelproof ports"], id="no port"),
        pytest.param({"port": "  "}, ["`port` is missing"], id="blank port"),
        pytest.param({"port": "a\0b"}, ["`port` holds characters"], id="port not printable"),
        pytest.param({"port": "x", "baud": 0}, ["`baud` is '0'", "300 to 4000000"], id="baud 0"),
        pytest.param({"port": "x", "baud": "fast"}, ["`baud` is 'fast'"], id="baud a word"),
        pytest.param({"port": "x", "baud": 9600.5}, ["`baud`"], id="baud not whole"),
        pytest.param({"port": "x", "baud": True}, ["`baud`"], id="baud true"),
        pytest.param({"port": "x", "baud": "9" * 5000}, ["`baud`"], id="baud endless"),
        pytest.param({"port": "x", "baud": "١٩٢٠٠"}, ["`baud`"], id="baud in other digits"),
        pytest.param(
            {"port": "x", "parity": "evn"},
            ["`parity` is 'evn'", "even, odd or none", "mean even?"],
            id="parity",
        ),
        pytest.param({"port": "x", "stop bits": 3}, ["`stop bits` is '3'", "1 or 2"], id="stop bits"),
        pytest.param({"port": "x", "data bits": 9}, ["`data bits` is '9'", "8 or 7"], id="data bits"),
    ],
)
def test_settings_that_are_wrong(settings: dict[str, SettingValue], words: list[str]) -> None:
    problems = check_serial_settings(settings)
    assert len(problems) == 1
    for word in words:
        assert word in problems[0]


@given(
    st.dictionaries(
        st.sampled_from(["port", "baud", "parity", "stop bits", "data bits"]),
        st.one_of(st.text(max_size=8), st.integers(), st.floats(), st.booleans()),
    )
)
def test_settings_without_a_problem_can_be_used(settings: dict[str, SettingValue]) -> None:
    if not check_serial_settings(settings):
        found = serial_settings(settings)
        assert found.parity in {"even", "odd", "none"}
        assert (found.stop_bits in {1, 2}, found.data_bits in {7, 8}, 300 <= found.baud <= 4_000_000) == (
            True,
        ) * 3


@posix
def test_bytes_go_both_ways(pair: tuple[int, str]) -> None:
    near, name = pair
    line = open_serial("board IO1", SerialSettings(name), CLOCK)
    assert line.is_pseudo
    line.send(b"\x01\x02\x00\xff\r\n\x03\x11\x13", soon())
    assert os.read(near, 100) == b"\x01\x02\x00\xff\r\n\x03\x11\x13"
    os.write(near, b"\x00\xff\x03\x04\x11\x13\r\n")
    assert line.receive(3, soon()) == b"\x00\xff\x03"
    assert line.receive(100, soon()) == b"\x04\x11\x13\r\n"
    line.close()
    line.close()
    assert line.descriptor is None


@posix
def test_a_byte_is_handed_on_when_it_comes_and_nothing_is_waited_for_in_the_past(
    pair: tuple[int, str],
) -> None:
    near, name = pair
    line = open_serial("board IO1", SerialSettings(name), CLOCK)
    threading.Timer(0.1, os.write, (near, b"x")).start()
    start = time.perf_counter()
    assert line.receive(100, soon(5)) == b"x"
    assert time.perf_counter() - start < 2  # far below the deadline
    start = time.perf_counter()
    assert line.receive(100, soon(0.05)) == b""
    assert 0.05 <= time.perf_counter() - start < 2
    start = time.perf_counter()
    assert line.receive(100, 0) == b""
    assert time.perf_counter() - start < 0.04
    line.close()


@posix
def test_what_came_before_opening_is_dropped(pair: tuple[int, str]) -> None:
    near, name = pair
    keep = os.open(name, os.O_RDWR | os.O_NOCTTY)
    os.write(near, b"stale")
    line = open_serial("board IO1", SerialSettings(name), CLOCK)
    assert line.receive(100, soon(0.05)) == b""
    os.write(near, b"new")
    assert line.receive(100, soon()) == b"new"
    line.close()
    os.close(keep)


@posix
def test_dtr_and_rts_are_asked_for_low_before_the_port_is_opened(
    pair: tuple[int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[tuple[bool, bool, bool | None]] = []
    really = serial.Serial.open

    def opening(self: serial.Serial) -> None:
        seen.append((self.dtr, self.rts, self.exclusive))
        really(self)

    monkeypatch.setattr(serial.Serial, "open", opening)
    open_serial("board IO1", SerialSettings(pair[1]), CLOCK).close()
    assert seen == [(False, False, True)]


@posix
def test_the_line_is_as_the_settings_say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pseudo terminal keeps no parity, so what is asked of the system is looked at instead."""
    import termios

    asked: list[list[object]] = []
    really = termios.tcsetattr

    def setting(descriptor: int, when: int, attributes: list[object]) -> None:
        asked.append(attributes)
        really(descriptor, when, attributes)  # type: ignore[arg-type]

    from drivers import serial_port

    near, far = os.openpty()
    monkeypatch.setattr(termios, "tcsetattr", setting)
    monkeypatch.setattr(serial_port, "names_pseudo", lambda _: False)
    open_serial("b", SerialSettings(os.ttyname(far), 9600, "odd", 2, 7), CLOCK).close()
    flags, speeds = asked[0][2], asked[0][4:6]
    assert isinstance(flags, int)
    assert flags & termios.PARENB
    assert flags & termios.PARODD
    assert flags & termios.CSTOPB
    assert flags & termios.CSIZE == termios.CS7
    assert speeds == [termios.B9600, termios.B9600]
    os.close(far)
    os.close(near)


@posix
@pytest.mark.parametrize(
    ("name", "words"),
    [
        pytest.param("nothing-here", "there is no", id="missing"),
        pytest.param("folder", "is not a serial port", id="a folder"),
        pytest.param("file", "is not a serial port", id="a file"),
        pytest.param("file/x", "there is no", id="below a file"),
        pytest.param("loop", "there is no", id="a link to itself"),
        pytest.param("x" * 5000, "there is no", id="too long a name"),
        pytest.param("a\0b", "does not accept these settings", id="no name at all"),
    ],
)
def test_what_is_no_port_is_refused_in_one_line(tmp_path: Path, name: str, words: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_text("kept")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with pytest.raises(BoardAbsent) as found:
        open_serial("board IO1", SerialSettings(str(tmp_path / name)), CLOCK)
    assert str(found.value).startswith("board IO1: ")
    assert words in str(found.value)
    assert "\n" not in str(found.value)
    assert (tmp_path / "file").read_text() == "kept"


@posix
@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EACCES, "dialout"),
        (errno.EPERM, "dialout"),
        (errno.EBUSY, "taken by another program"),
        (errno.EIO, "nothing behind"),
        (errno.ENXIO, "nothing behind"),
        (errno.EMFILE, "too many open files"),
    ],
    ids=lambda value: errno.errorcode[value] if isinstance(value, int) else "",
)
def test_what_the_system_refuses_is_said_in_words(
    monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    def refusing(*_: object) -> int:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "open", refusing)
    with pytest.raises(BoardAbsent) as found:
        open_serial("board IO1", SerialSettings("/dev/x"), CLOCK)
    monkeypatch.undo()
    assert words in str(found.value)
    assert "/dev/x" in str(found.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("could not open port 'COM3': PermissionError(13, 'Access is denied.', None, 5)", "taken by another"),
        ("could not open port 'COM9': FileNotFoundError(2, 'No such file', None, 2)", "there is no COM3"),
        ("Cannot configure port, something went wrong", "cannot open COM3 (cannot configure port"),
    ],
    ids=["taken", "missing", "else"],
)
def test_what_pyserial_says_on_windows_is_understood(
    monkeypatch: pytest.MonkeyPatch, text: str, words: str
) -> None:
    def refusing(_: serial.Serial) -> None:
        raise serial.SerialException(text)

    monkeypatch.setattr(serial.Serial, "open", refusing)
    with pytest.raises(BoardAbsent, match=words.replace("(", r"\(")):
        open_serial("board IO1", SerialSettings("COM3"), CLOCK)


@posix
def test_a_second_program_is_refused_and_let_in_afterwards(pair: tuple[int, str]) -> None:
    settings = SerialSettings(pair[1])
    first = open_serial("board IO1", settings, CLOCK)
    with pytest.raises(BoardAbsent, match="taken by another program; end that one"):
        open_serial("board IO2", settings, CLOCK)
    first.close()
    open_serial("board IO2", settings, CLOCK).close()


@posix
def test_a_line_whose_other_end_is_gone_is_an_error_at_once(pair: tuple[int, str]) -> None:
    near, name = pair
    line = open_serial("board IO1", SerialSettings(name), CLOCK)
    threading.Timer(0.1, os.close, (near,)).start()
    start = time.perf_counter()
    with pytest.raises(ConnectionResetError, match="gone"):
        line.receive(10, soon(20))
    with pytest.raises(OSError, match=r"\[Errno"):
        line.send(b"x", soon(20))
    assert time.perf_counter() - start < 5
    line.close()
    with pytest.raises(OSError, match="closed"):
        line.receive(1, soon())
    with pytest.raises(OSError, match="closed"):
        line.send(b"x", soon())


@posix
def test_a_port_that_takes_nothing_more_is_a_time_out(pair: tuple[int, str]) -> None:
    line = open_serial("board IO1", SerialSettings(pair[1]), CLOCK)
    start = time.perf_counter()
    with pytest.raises(TimeoutError, match="does not take"):
        line.send(bytes(1 << 20), soon(0.2))
    assert 0.2 <= time.perf_counter() - start < 5
    line.close()


@posix
def test_another_process_goes_on_with_the_port(pair: tuple[int, str]) -> None:
    near, name = pair
    settings = SerialSettings(name)
    first = open_serial("board IO1", settings, CLOCK)
    assert first.descriptor is not None
    second = adopt_serial("board IO1", os.dup(first.descriptor), settings, CLOCK)
    first.close()
    with pytest.raises(BoardAbsent, match="taken"):
        open_serial("board IO1", settings, CLOCK)  # the lock goes with the port
    second.send(b"safe", soon())
    assert os.read(near, 10) == b"safe"
    os.write(near, b"ok")
    assert second.receive(10, soon()) == b"ok"
    second.close()


@posix
def test_what_is_no_port_is_not_adopted_and_closed() -> None:
    reading, writing = os.pipe()
    with pytest.raises(BoardAbsent, match="cannot go on with /dev/x"):
        adopt_serial("board IO1", reading, SerialSettings("/dev/x"), CLOCK)
    with pytest.raises(OSError, match=r"\[Errno"):
        os.fstat(reading)
    os.close(writing)
    with pytest.raises(BoardAbsent):
        adopt_serial("board IO1", writing, SerialSettings("/dev/x"), CLOCK)


class Pieces:
    """A port like pyserial's without a descriptor: takes and gives few bytes at a time, then none."""

    def __init__(self, *, takes: int = 3, waiting: bytes = b"", stuck: int = 0) -> None:
        self.sent, self.waiting, self.out_waiting, self._takes = b"", waiting, stuck, takes
        self.closed = 0

    @property
    def in_waiting(self) -> int:
        return len(self.waiting)

    def write(self, data: bytes) -> int:
        self.sent += data[: self._takes]
        return min(self._takes, len(data))

    def read(self, size: int) -> bytes:
        data, self.waiting = self.waiting[:size], self.waiting[size:]
        return data

    def close(self) -> None:
        self.closed += 1


def polled(port: Pieces) -> tuple[PolledLine, VirtualClock]:
    clock = VirtualClock()
    return PolledLine(port, clock), clock  # type: ignore[arg-type]


def test_without_a_descriptor_all_is_sent_and_what_waits_is_read() -> None:
    port = Pieces(waiting=b"abc")
    line, clock = polled(port)
    line.send(b"0123456789", NS)
    assert (port.sent, line.descriptor) == (b"0123456789", None)
    assert (line.receive(2, NS), line.receive(9, NS)) == (b"ab", b"c")
    before_ns = clock.now_ns()
    assert line.receive(9, before_ns + NS) == b""
    assert clock.now_ns() == before_ns + NS
    assert line.receive(9, 0) == b""
    assert clock.now_ns() == before_ns + NS
    line.close()
    assert port.closed == 1


@pytest.mark.parametrize("port", [Pieces(takes=0), Pieces(stuck=5)], ids=["takes none", "keeps it back"])
def test_without_a_descriptor_a_stuck_port_is_a_time_out(port: Pieces) -> None:
    line, clock = polled(port)
    with pytest.raises(TimeoutError):
        line.send(b"01", NS)
    assert clock.now_ns() == NS


@posix
def test_without_a_descriptor_over_pyserial_itself(pair: tuple[int, str]) -> None:
    near, name = pair
    port = serial.Serial(name, timeout=0, write_timeout=0)
    line = PolledLine(port, CLOCK)
    line.send(b"hello", soon())
    assert os.read(near, 10) == b"hello"
    os.write(near, b"answer")
    assert line.receive(3, soon()) == b"ans"
    assert line.receive(9, soon()) == b"wer"
    line.close()
    with pytest.raises(OSError, match="closed"):
        line.receive(1, soon())


def sysfs(root: Path, name: str, text: str, *, bus: bool = False) -> Path:
    folder = root / (f"bus/usb-serial/devices/{name}" if bus else f"class/tty/{name}/device")
    folder.mkdir(parents=True)
    (folder / "latency_timer").write_text(text)
    return folder / "latency_timer"


@pytest.mark.parametrize("bus", [False, True], ids=["under class/tty", "under bus/usb-serial"])
def test_the_latency_timer_is_read_and_set(tmp_path: Path, bus: bool) -> None:
    found = sysfs(tmp_path, "ttyUSB0", "16\n", bus=bus)
    assert adapters.latency_ms("/dev/ttyUSB0", tmp_path) == 16
    assert adapters.quicken(None, "/dev/ttyUSB0", tmp_path) == ("latency timer set from 16 ms to 1 ms",)
    assert found.read_text().strip() == "1"
    assert adapters.quicken(None, "/dev/ttyUSB0", tmp_path) == ("latency timer 1 ms",)


def test_the_latency_timer_is_found_by_the_name_that_a_link_leads_to(tmp_path: Path) -> None:
    sysfs(tmp_path, "ttyUSB7", "16")
    (tmp_path / "ttyUSB7").touch()
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyUSB7")
    assert adapters.latency_ms(str(tmp_path / "by-id"), tmp_path) == 16


def test_no_timer_is_no_remark(tmp_path: Path) -> None:
    assert adapters.quicken(None, "/dev/ttyS0", tmp_path) == ()
    sysfs(tmp_path, "ttyUSB0", "many")
    assert adapters.latency_ms("/dev/ttyUSB0", tmp_path) is None
    assert adapters.quicken(None, "/dev/ttyUSB0", tmp_path) == ()


def test_a_timer_without_rights_is_said_to_be_coarse(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sysfs(tmp_path, "ttyUSB0", "16")

    def refusing(*_: object, **__: object) -> int:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "write_text", refusing)
    assert adapters.quicken(None, "/dev/ttyUSB0", tmp_path) == (
        "latency timer 16 ms, cannot be set: no rights; times below 16 ms are that coarse",
    )


def test_a_timer_that_keeps_its_value_is_said_to_be_coarse(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sysfs(tmp_path, "ttyUSB0", "16")
    monkeypatch.setattr(Path, "write_text", lambda *_, **__: 1)
    assert adapters.quicken(None, "/dev/ttyUSB0", tmp_path) == (
        "latency timer 16 ms, does not take 1 ms; times below 16 ms are that coarse",
    )


@pytest.mark.parametrize(
    ("error", "remark"),
    [
        (None, "low-latency mode set"),
        (ValueError("no"), "low-latency mode not offered by the port's driver"),
        (NotImplementedError(), "low-latency mode not offered by the port's driver"),
    ],
    ids=["set", "refused", "not on this system"],
)
def test_low_latency_is_asked_for_and_what_came_of_it_said(
    tmp_path: Path, error: Exception | None, remark: str
) -> None:
    asked: list[bool] = []

    def low_latency(on: bool) -> None:
        asked.append(on)
        if error is not None:
            raise error

    assert adapters.quicken(low_latency, "/dev/ttyUSB0", tmp_path) == (remark,)
    assert asked == [True]


@posix
def test_a_real_port_carries_its_remarks_and_is_claimed(
    tmp_path: Path, pair: tuple[int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pseudo terminal taken for a wire: its driver has no low-latency mode, its timer is made up."""
    import fcntl
    import termios

    from drivers import serial_port

    asked: list[int] = []
    really = fcntl.ioctl

    def ioctl(descriptor: int, request: int, *words: object) -> object:
        asked.append(request)
        return really(descriptor, request, *words)  # type: ignore[call-overload]

    monkeypatch.setattr(serial_port, "is_pseudo", lambda _: False)
    monkeypatch.setattr(fcntl, "ioctl", ioctl)
    sysfs(tmp_path, Path(pair[1]).name, "16")
    line = open_serial("board IO1", SerialSettings(pair[1]), CLOCK, sysfs=tmp_path)
    assert line.remarks == (
        "low-latency mode not offered by the port's driver",
        "latency timer set from 16 ms to 1 ms",
    )
    assert not line.is_pseudo
    assert termios.TIOCEXCL in asked
    line.close()


@posix
def test_select_is_what_waits() -> None:
    """Not the sleeping loop of systems without descriptors: on those with them the system wakes us."""
    from drivers.serial_line import DescriptorLine

    reading, writing = os.pipe()
    line = DescriptorLine(reading, VirtualClock(), lambda: os.close(reading))
    os.write(writing, b"x")
    assert line.receive(5, 0) == b"x"
    assert select.select([reading], [], [], 0)[0] == []
    line.close()
    os.close(writing)


class Remarked:
    """A line without a board behind it, which says something of its times."""

    remarks = ("latency timer 16 ms, cannot be set: no rights; times below 16 ms are that coarse",)
    descriptor = None

    def __init__(self, clock: VirtualClock) -> None:
        self._clock = clock

    def send(self, data: bytes, deadline_ns: int) -> None: ...

    def receive(self, most: int, deadline_ns: int) -> bytes:
        self._clock.sleep_until(deadline_ns)
        return b""

    def close(self) -> None: ...


@pytest.mark.parametrize("driver", [ModbusRtuBoard, TextLineBoard], ids=lambda driver: driver.__name__)
def test_what_the_line_says_of_its_times_is_recorded_with_the_board(
    driver: type[ModbusRtuBoard] | type[TextLineBoard],
) -> None:
    spec = BoardSpec(
        name="IO1", driver="x", settings={"port": driver.__name__}, output_count=8, input_count=8
    )
    clock = VirtualClock()
    board = driver(spec, clock, open_line=lambda: Remarked(clock))
    assert board.remarks == ()
    board.open()
    assert board.remarks == Remarked.remarks
    board.close()
    assert board.remarks == ()
    board.open()
    event = found(board, Identity(), 0)
    assert to_data(event)["remarks"] == list(Remarked.remarks)
    assert lines_of(event)[1] == f"board IO1: {Remarked.remarks[0]}"
    board.close()
