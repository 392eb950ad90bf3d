"""The RTU boards: settings, contract, sharing, splitting, registers, watchdog, taking over."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import pytest
from modbus_models import TableDevice
from scripted_line import MS, Arrivals, ScriptedLine, answering
from serial_lines import served_line

import drivers
from drivers.modbus_rtu import ModbusRtuBoard, ModbusRtuTcpBoard
from drivers.pty_line import PtyLine
from drivers.rtu_frame import sealed
from drivers.rtu_server import RtuBus, RtuConnection, TolerantRtu
from drivers.serial_port import SerialSettings, adopt_serial
from drivers.tcp_server import TcpServer
from harness.bench.board import Identity
from harness.bench.contract import check_board
from harness.bench.parts import BoardSpec, SettingValue, Watchdog
from harness.bench.registry import check_settings
from harness.clock import RealClock, VirtualClock
from harness.errors import BenchError, BenchUnsafe, BoardAbsent, BoardTimeout

SPEC = BoardSpec(name="IO1", driver="modbus-rtu", settings={"port": "L"}, output_count=16, input_count=10)
WATCHDOG: dict[str, SettingValue] = {"watchdog register": "100", "watchdog count": "10 ms"}
OF_THE_LINE = "port, baud, parity, stop bits, quiet, soonest answer"


def device(outputs: int = 16, inputs: int = 10) -> TableDevice:
    tables = {"coils": range(outputs), "inputs": range(inputs), "holding registers": range(400)}
    return TableDevice({table: span for table, span in tables.items() if span})


def line_with(*devices: TableDevice) -> ScriptedLine:
    return ScriptedLine(VirtualClock(), answering(dict(enumerate(devices, start=1))))


def board(
    line: ScriptedLine, settings: dict[str, SettingValue] | None = None, **changes: object
) -> ModbusRtuBoard:
    spec = replace(SPEC, settings=SPEC.settings | (settings or {}), **changes)  # type: ignore[arg-type]
    return ModbusRtuBoard(spec, line.clock, open_line=line.open)


def functions(line: ScriptedLine) -> list[int]:
    return [frame[1] for frame in line.requests]


@pytest.mark.parametrize(
    ("driver", "settings"),
    [
        ("modbus-rtu", {"port": "/dev/ttyUSB0"}),
        ("modbus-rtu", {"port": "COM3", "baud": "115200", "parity": "none", "stop bits": "1", "unit": "247"}),
        ("modbus-rtu", {"port": "COM3", "quiet": "20 ms", "soonest answer": "0 ms"}),
        ("modbus-rtu", {"port": "COM3", "first output": "16", "most at once": "8"} | WATCHDOG),
        ("modbus-rtu-tcp", {"host": "10.0.0.5"}),
        ("modbus-rtu-tcp", {"host": "10.0.0.5", "port": "4001", "unit": "3", "soonest answer": "5 ms"}),
    ],
)
def test_settings_that_are_right(driver: str, settings: dict[str, SettingValue]) -> None:
    assert check_settings(driver, settings) == []


@pytest.mark.parametrize(
    ("driver", "settings", "problem"),
    [
        ("modbus-rtu", {"port": "L", "unit": "0"}, "`unit` is '0'; a whole number from 1 to 247 is needed"),
        (
            "modbus-rtu",
            {"port": "L", "unit": "248"},
            "`unit` is '248'; a whole number from 1 to 247 is needed",
        ),
        ("modbus-rtu", {"port": "L", "quiet": "-1 ms"}, "`quiet`: '-1 ms' is negative"),
        ("modbus-rtu", {"port": "L", "quiet": "50"}, "`quiet`: '50' has no unit"),
        ("modbus-rtu", {"port": "L", "parity": "evn"}, "`parity` is 'evn'"),
        ("modbus-rtu", {"port": "L", "host": "h"}, f"no setting `host`; allowed: {OF_THE_LINE}, unit"),
        ("modbus-rtu", {}, "`port` is missing"),
        ("modbus-rtu-tcp", {}, "`host` is missing; give the board's IP address or host name"),
        ("modbus-rtu-tcp", {"host": "h", "unit": "0"}, "`unit` is '0'; a whole number from 1 to 247"),
        ("modbus-rtu-tcp", {"host": "h", "baud": "9600"}, "no setting `baud`; allowed: host, port, quiet,"),
        ("modbus-rtu-tcp", {"host": "h", "port": "0"}, "`port` is '0'; a whole number from 1 to 65535"),
    ],
)
def test_settings_that_are_wrong(driver: str, settings: dict[str, SettingValue], problem: str) -> None:
    (found,) = check_settings(driver, settings)
    assert found.startswith(problem)
    make = ModbusRtuBoard if driver == "modbus-rtu" else ModbusRtuTcpBoard
    with pytest.raises(BenchError) as caught:
        make(replace(SPEC, driver=driver, settings=settings), VirtualClock())
    assert str(caught.value) == f"board IO1: {found}"


@pytest.mark.parametrize(("outputs", "inputs"), [(16, 10), (1, 1), (0, 8), (8, 0), (33, 70), (0, 0)])
@pytest.mark.parametrize("most", ["2000", "7", "1"])
def test_keeps_the_contract(outputs: int, inputs: int, most: str) -> None:
    line = line_with(device(outputs, inputs))
    changes = {"output_count": outputs, "input_count": inputs}
    assert check_board(lambda: board(line, {"most at once": most}, **changes)) == []
    assert line.opened == line.closed


@pytest.mark.parametrize(("outputs", "inputs"), [(8, 8), (33, 70)])
def test_keeps_the_contract_on_a_pseudo_terminal(outputs: int, inputs: int) -> None:
    spec = replace(SPEC, output_count=outputs, input_count=inputs)
    bus = RtuBus({1: device(outputs, inputs)})
    with served_line(TolerantRtu(bus.answer)) as port:
        settings: dict[str, SettingValue] = {"port": port, "baud": "115200", "quiet": "5 ms"}
        assert check_board(lambda: ModbusRtuBoard(replace(spec, settings=settings), RealClock())) == []


@contextmanager
def converter(bus: RtuBus) -> Iterator[int]:
    """RTU frames on a TCP connection, as a network converter passes them; gives the port."""
    server = TcpServer("127.0.0.1", 0, lambda: RtuConnection(bus.answer, RealClock()))
    thread = threading.Thread(target=server.serve, args=(lambda: None, 0.01))
    thread.start()
    try:
        yield server.address[1]
    finally:
        server.stop()
        thread.join(5)
        assert not thread.is_alive()


def over_tcp(port: int, unit: int = 1) -> ModbusRtuTcpBoard:
    settings: dict[str, SettingValue] = {"host": "127.0.0.1", "port": str(port), "unit": str(unit)}
    spec = replace(SPEC, driver="modbus-rtu-tcp", settings=settings | {"quiet": "5 ms"})
    return ModbusRtuTcpBoard(spec, RealClock())


def test_keeps_the_contract_behind_a_converter() -> None:
    with converter(RtuBus({1: device()})) as port:
        assert check_board(lambda: over_tcp(port)) == []


def test_boards_behind_a_converter_share_its_connection_and_hand_it_on() -> None:
    devices = {1: device(), 2: device()}
    with converter(RtuBus(devices)) as port:
        boards = [over_tcp(port, unit) for unit in devices]
        for io in boards:
            io.open()
            io.write({3: True})
        assert boards[0].descriptor == boards[1].descriptor
        assert boards[0].descriptor is not None
        spare = os.dup(boards[0].descriptor)
        script = "import sys; from pathlib import Path; sys.path.insert(0, sys.argv[1])\n" + HEIR
        place = str(Path(drivers.__file__).resolve().parents[1])
        os.set_inheritable(spare, True)
        found = subprocess.run(
            [sys.executable, "-c", script, place, str(port), str(spare)],
            check=False,
            pass_fds=[spare],
            capture_output=True,
            text=True,
        )
        assert (found.stdout, found.stderr) == ("0\n", "")
        assert not any(devices[2].bits["coils"].values())
        os.close(spare)
        for io in boards:
            with suppress(BenchError):
                io.close()


HEIR = """
import drivers
from drivers.modbus_rtu import ModbusRtuTcpBoard
from harness.bench.parts import BoardSpec
from harness.clock import RealClock
settings = {"host": "127.0.0.1", "port": sys.argv[2], "unit": "2"}
spec = BoardSpec(name="IO2", driver="modbus-rtu-tcp", settings=settings, output_count=16, input_count=10)
board = ModbusRtuTcpBoard(spec, RealClock())
board.adopt(int(sys.argv[3]))
board.make_safe()
print(board.read_back())
board.close()
"""


def test_converter_that_is_not_there() -> None:
    with converter(RtuBus({1: device()})) as port:
        pass
    with pytest.raises(
        BoardAbsent, match=r"cannot open the line \(connection refused\); check the cable, and"
    ):
        over_tcp(port).open()


def test_converter_that_goes_away() -> None:
    with converter(RtuBus({1: device()})) as port:
        io1 = over_tcp(port)
        io1.open()
        io1.read()
    with pytest.raises(BoardAbsent, match=r"line lost \(closed by the other end\)|line lost"):
        io1.read()
    io1.close()


class KeptOpen(PtyLine):
    """A line that boards may close and open again; `end` closes it."""

    is_pseudo = True

    def close(self) -> None:
        """Not yet."""

    def end(self) -> None:
        super().close()


@contextmanager
def library_slave(outputs: int, inputs: int) -> Iterator[KeptOpen]:
    """pymodbus's own RTU server at the far end of a pseudo terminal, in a thread."""
    from pymodbus.server import ModbusSerialServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    line = KeptOpen(RealClock())
    bits = [SimData(0, values=[False] * count, datatype=DataType.BITS) for count in (outputs, inputs)]
    registers = [SimData(0, count=8, values=0, datatype=DataType.REGISTERS) for _ in range(2)]
    slave = SimDevice(id=1, simdata=tuple([block] for block in (*bits, *registers)))  # type: ignore[arg-type]
    loop, up, servers = asyncio.new_event_loop(), threading.Event(), []

    async def start() -> None:
        servers.append(ModbusSerialServer(slave, port=line.name, baudrate=115200))
        await servers[0].serve_forever(background=True)
        up.set()

    def run() -> None:
        asyncio.set_event_loop(loop)
        loop.run_until_complete(start())
        loop.run_forever()

    thread = threading.Thread(target=run)
    thread.start()
    assert up.wait(10)
    try:
        yield line
    finally:
        asyncio.run_coroutine_threadsafe(servers[0].shutdown(), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()
        line.end()


def test_keeps_the_contract_against_the_library_s_own_server() -> None:
    settings: dict[str, SettingValue] = {"baud": "115200", "quiet": "5 ms"}
    spec = replace(SPEC, settings=SPEC.settings | settings, output_count=16, input_count=16)
    with library_slave(16, 16) as line:
        assert check_board(lambda: ModbusRtuBoard(spec, RealClock(), open_line=lambda: line)) == []


def test_identity_and_a_board_that_keeps_silent_about_it() -> None:
    one = device()
    one.objects = {0: b"panelproof", 1: b"SIMULATED BOARD", 2: b"1"}
    line = line_with(one)
    with board(line) as io1:
        assert io1.identify() == Identity("panelproof", "SIMULATED BOARD", "1", simulated=True)
    line.requests.clear()
    with board(line, {"identification": "no"}) as io1:
        assert io1.identify() == Identity()
    assert 43 not in functions(line)


def test_board_that_keeps_silent_about_what_it_does_not_know() -> None:
    """With one function to read by, it is not checked by another, and not asked what it is."""
    line = line_with(device(8, 0))
    answers = line.script
    line.script = lambda frame: answers(frame) if frame[1] in (1, 15) else []
    hint = "if it is silent to this alone, set `identification: no`"
    with board(line, output_count=8, input_count=0) as io1, pytest.raises(BoardTimeout, match=hint):
        io1.identify()
    line.requests.clear()
    with board(line, {"identification": "no"}, output_count=8, input_count=0) as io1:
        assert io1.identify() == Identity()
        io1.write({0: True})
        assert io1.read_back() == 1
    assert functions(line) == [15, 1, 15]


def test_addresses_and_unit_of_the_settings_are_used() -> None:
    there = TableDevice({"coils": range(100, 116), "inputs": range(7, 17)}, {"inputs": {7: True, 16: True}})
    line = ScriptedLine(VirtualClock(), answering({17: there}))
    with board(line, {"first output": "100", "first input": "7", "unit": "17"}) as io1:
        io1.write({0: True, 15: True})
        assert there.bits["coils"] == {100 + k: k in (0, 15) for k in range(16)}
        assert io1.read_back() == 0x8001
        assert io1.read().bits == 0b10_0000_0001


def test_more_than_one_request_holds_is_split() -> None:
    """2000 inputs, 1968 outputs and 125 registers are the most (MODBUS Application Protocol V1.1b3, 6)."""
    many = TableDevice(
        {"coils": range(2100), "inputs": range(4100), "holding registers": range(300)},
        {"inputs": {0: True, 1999: True, 2000: True, 4099: True}},
        {"holding registers": {k: k + 1000 for k in range(300)}},
    )
    line = line_with(many)
    with board(line, output_count=2100, input_count=4100) as io1:
        io1.read()  # past the first check
        line.requests.clear()
        sample = io1.read()
        assert sample.bits == 1 | 1 << 1999 | 1 << 2000 | 1 << 4099
        assert [int.from_bytes(frame[4:6]) for frame in line.requests] == [2000, 2000, 100]
        assert sample.sent_ns == line.sent_ns[-3]
        assert sample.received_ns == line.clock.now_ns() - 2_005_209  # t3.5 at 19200 baud follows
        line.requests.clear()
        io1.write({0: True, 1967: True, 1968: True, 2099: True})
        assert [int.from_bytes(frame[4:6]) for frame in line.requests] == [1968, 132]
        assert io1.read_back() == 1 | 1 << 1967 | 1 << 1968 | 1 << 2099
        assert io1.read_registers("holding", 10, 280) == tuple(range(1010, 1290))
        line.requests.clear()
        io1.write_registers(0, range(130))
        assert [(frame[1], int.from_bytes(frame[4:6])) for frame in line.requests] == [(16, 123), (16, 7)]
        assert io1.read_registers("holding", 120, 12) == (*range(120, 130), 1130, 1131)


def test_every_part_is_tried_to_make_safe_but_not_to_switch() -> None:
    one = device()
    line = line_with(one)
    with board(line, {"most at once": "8"}, timeout_s=0.1) as io1:
        io1.write(dict.fromkeys(range(16), True))
        healthy = line.script
        line.script = lambda frame: [] if frame[1:4] == b"\x0f\0\0" else healthy(frame)
        with pytest.raises(BoardTimeout):
            io1.make_safe()
        assert one.bits["coils"] == {k: k < 8 for k in range(16)}
        line.requests.clear()
        with pytest.raises(BoardTimeout):
            io1.write({0: True, 8: True})
        assert b"\x0f\0\x08" not in [frame[1:4] for frame in line.requests]
        line.script = healthy


def test_registers() -> None:
    there = device()
    there.tables["input registers"] = range(8)
    there.registers["input registers"] = {3: 0xFFFE}
    line = line_with(there)
    with board(line) as io1:
        assert io1.read_registers("input", 2, 3) == (0, 0xFFFE, 0)
        io1.write_registers(5, [7])
        io1.write_registers(6, [8, 9])
        assert io1.read_registers("holding", 4, 5) == (0, 7, 8, 9, 0)
        assert [f for f in functions(line) if f in (6, 16)] == [6, 16]
        for wrong in (
            lambda: io1.read_registers("holding", 65530, 10),
            lambda: io1.write_registers(0, [70000]),
        ):
            with pytest.raises(BenchError, match=r"^board IO1: registers: .*0 to 65535 are allowed"):
                wrong()


def watched(line: ScriptedLine, time_out_s: float, **more: SettingValue) -> ModbusRtuBoard:
    settings = WATCHDOG | {key.replace("_", " "): value for key, value in more.items()}
    return board(line, settings, watchdog=Watchdog(time_out_s=time_out_s, proof_output=0))


@pytest.mark.parametrize(
    ("time_out_s", "counts", "armed_s"), [(0.5, 50, 0.5), (0.3, 30, 0.3), (0.509, 50, 0.5), (0.004, 1, 0.01)]
)
def test_watchdog_is_armed_and_read_back(time_out_s: float, counts: int, armed_s: float) -> None:
    there = device()
    with watched(line_with(there), time_out_s) as io1:
        assert io1.arm_watchdog() == armed_s
        assert there.registers["holding registers"] == {100: counts}


def test_watchdog_is_cleared_and_fed_where_it_has_to_be() -> None:
    line = line_with(device())
    more = {"clear_register": "101", "clear_value": "1", "feed_register": "102", "feed_value": "255"}
    with watched(line, 1.0, **{f"watchdog_{key}": value for key, value in more.items()}) as io1:
        io1.arm_watchdog()
        io1.feed_watchdog()
    written = [frame[2:6].hex(" ") for frame in line.requests if frame[1] == 6]
    assert written == ["00 65 00 01", "00 64 00 64", "00 66 00 ff"]


@pytest.mark.parametrize("held", [0, 49, 51])
def test_watchdog_that_reads_back_otherwise_is_refused(held: int) -> None:
    class Stubborn(TableDevice):
        def write_registers(self, address: int, values: object) -> None:
            self.registers["holding registers"] = {100: held}

    with (
        watched(line_with(Stubborn(device().tables)), 0.5) as io1,
        pytest.raises(BenchUnsafe, match=f"watchdog register 100 reads back {held}, written 50"),
    ):
        io1.arm_watchdog()


def test_watchdog_time_that_does_not_fit() -> None:
    with watched(line_with(device()), 700.0) as io1, pytest.raises(BenchError, match="65535 are the most"):
        io1.arm_watchdog()


def test_watchdog_without_registers_is_refused() -> None:
    with pytest.raises(BenchError, match="a watchdog is wanted, but the settings lack `watchdog register`"):
        board(line_with(device()), watchdog=Watchdog(time_out_s=1.0, proof_output=0))
    with board(line_with(device())) as io1, pytest.raises(BenchError, match="has no watchdog"):
        io1.arm_watchdog()


def test_two_boards_share_a_line() -> None:
    first, second = device(), device()
    line = line_with(first, second)
    io1, io2 = board(line), board(line, {"unit": "2"})
    io1.open()
    io2.open()
    io1.write({0: True})
    io2.write({1: True})
    assert (io1.read_back(), io2.read_back()) == (1, 2)
    assert line.opened == 1
    io1.close()
    assert io2.read_back() == 2
    assert line.closed == 0
    io2.close()
    assert line.closed == 1
    assert (first.bits["coils"][0], second.bits["coils"][1]) == (False, False)


def test_late_answer_of_one_board_is_not_the_other_s() -> None:
    line = line_with(device(), device())
    io1, io2 = board(line, timeout_s=0.1), board(line, {"unit": "2"}, timeout_s=0.1)
    with io1, io2:
        io1.read()
        io2.read()
        healthy, line.script = line.script, lambda _: [(151, sealed(bytes.fromhex("01 02 02 FF 03")))]
        with pytest.raises(BoardTimeout):
            io1.read()
        line.script = healthy
        with pytest.raises(BenchError, match="answer from unit 1, asked 2"):
            io2.read()
        assert (io2.read().bits, io1.read().bits) == (0, 0)


@pytest.mark.parametrize(
    ("other", "words"),
    [
        ({"baud": "9600"}, "baud 19200, asked 9600"),
        ({"parity": "odd"}, "parity even, asked odd"),
        ({"quiet": "80 ms"}, "quiet 50 ms, asked 80 ms"),
    ],
)
def test_boards_on_one_line_need_the_same_settings(other: dict[str, SettingValue], words: str) -> None:
    line = line_with(device(), device())
    with board(line), pytest.raises(BenchError) as caught:
        board(line, {"unit": "2"} | other).open()
    assert words in str(caught.value)
    assert str(caught.value).startswith("port L: is open already with ")


def test_line_that_cannot_be_opened() -> None:
    line = line_with(device())
    line.lost = FileNotFoundError(2, "No such file or directory")
    for _ in range(2):
        with pytest.raises(BoardAbsent, match=r"board IO1 on L unit 1: cannot open the line \(no such file"):
            board(line).open()
    line.lost = None
    with board(line) as io1:
        io1.read()
    assert line.closed == line.opened == 1


def test_port_that_is_not_there(tmp_path: Path) -> None:
    spec = replace(SPEC, settings={"port": str(tmp_path / "none")})
    with pytest.raises(BoardAbsent, match=r"board IO1 on .*none unit 1: "):
        ModbusRtuBoard(spec, RealClock()).open()


def test_connections_and_descriptor() -> None:
    line = line_with(device())
    line.descriptor = 7
    with board(line) as io1:
        assert (io1.connections, io1.descriptor) == (1, 7)


class Adopted(ModbusRtuBoard):
    """Takes over a line in memory."""

    line: ScriptedLine

    def _adopted(self, descriptor: int) -> ScriptedLine:
        assert descriptor == 7
        return self.line


def adopted(line: ScriptedLine) -> Adopted:
    line.descriptor = 7
    io1 = Adopted(SPEC, line.clock, open_line=line.open)
    io1.line = line
    io1.adopt(7)
    return io1


def owes(line: ScriptedLine, stale_ms: float, stale: str) -> None:
    """The device answers somebody else's question then, and ours after it, because it is orderly."""
    prompt = line.script

    def script(frame: bytes) -> Arrivals:
        busy_ms = max(0.0, stale_ms - line.clock.now_ns() / MS)
        return [(busy_ms + after_ms, answer) for after_ms, answer in prompt(frame)]

    line.bring(stale_ms, sealed(bytes.fromhex(stale)))
    line.script = script


@pytest.mark.parametrize("stale_ms", [None, 1, 29, 35, 50, 90])
@pytest.mark.parametrize("stale", ["01 0F 00 00 00 10", "01 01 02 00 00", "01 02 02 00 00"])
def test_taken_over_it_is_safe_in_time_whatever_is_still_to_come(stale_ms: float | None, stale: str) -> None:
    """The outputs are on, and the dead process may still be owed any answer, also one that says "all off"."""
    there = device()
    there.bits["coils"] = dict.fromkeys(range(16), True)
    line = line_with(there)
    if stale_ms is not None:
        owes(line, stale_ms, stale)
    io1 = adopted(line)
    written_ns = None
    for _ in range(3):
        try:
            io1.make_safe()
            written_ns = line.clock.now_ns()
            assert io1.read_back() == 0
            break
        except BenchError:
            continue
    assert not any(there.bits["coils"].values())
    first_write = next(k for k, frame in enumerate(line.requests) if frame[1] == 15)
    assert line.sent_ns[first_write] <= 100 * MS
    assert written_ns is not None
    io1.close()


@pytest.mark.parametrize("stale_ms", [1, 29, 31, 35, 40, 45, 50, 60, 70, 80, 90])
@pytest.mark.parametrize("first", ["make safe", "read back"])
def test_taken_over_a_late_answer_never_says_that_outputs_are_off(stale_ms: float, first: str) -> None:
    """The board takes every write and switches nothing; the dead process is owed an "all off" from before."""

    class Stuck(TableDevice):
        def write_bits(self, address: int, count: int, bits: int) -> None:
            pass

    line = line_with(Stuck(device().tables, {"coils": dict.fromkeys(range(16), True)}))
    owes(line, stale_ms, "01 01 02 00 00")
    io1 = adopted(line)
    for _ in range(3):
        with suppress(BenchError):
            if first == "make safe":
                io1.make_safe()
            assert io1.read_back() == 0xFFFF
    assert io1.read_back() == 0xFFFF


def test_taken_over_quietly_it_is_safe_and_read_back_within_the_time() -> None:
    """30 ms of quiet, and 5 ms with t3.5 for each of three answers: write, check, read-back."""
    line = line_with(device())
    io1 = adopted(line)
    io1.make_safe()
    assert io1.read_back() == 0
    assert functions(line) == [15, 2, 1]
    assert line.clock.now_ns() <= 55 * MS
    io1.close()


def test_taken_over_on_a_pseudo_terminal() -> None:
    there = device()
    there.bits["coils"] = dict.fromkeys(range(16), True)
    with served_line(TolerantRtu(RtuBus({1: there}).answer)) as port:
        io1 = ModbusRtuBoard(replace(SPEC, settings={"port": port}), RealClock())
        io1.adopt(os.open(port, os.O_RDWR | os.O_NOCTTY))
        io1.make_safe()
        assert io1.read_back() == 0
        io1.close()
    assert not any(there.bits["coils"].values())


def test_descriptor_that_is_refused_is_closed_all_the_same() -> None:
    line = line_with(device(), device())
    near, far = os.pipe()
    with board(line), pytest.raises(BenchError, match="baud 19200, asked 9600"):
        board(line, {"unit": "2", "baud": "9600"}).adopt(near)
    with pytest.raises(OSError, match=r"[Bb]ad file descriptor"):
        os.fstat(near)
    os.close(far)


def test_two_boards_take_over_one_port() -> None:
    devices = {1: device(), 2: device()}
    with served_line(TolerantRtu(RtuBus(devices).answer)) as port:
        line = adopt_serial("L", os.open(port, os.O_RDWR | os.O_NOCTTY), SerialSettings(port), RealClock())
        assert line.descriptor is not None
        boards = [
            ModbusRtuBoard(replace(SPEC, settings={"port": port, "unit": str(unit)}), RealClock())
            for unit in devices
        ]
        spare = os.dup(line.descriptor)
        boards[0].adopt(line.descriptor)
        boards[1].adopt(spare)
        for io in boards:
            io.make_safe()
            assert io.read_back() == 0
        with pytest.raises(OSError, match=r"[Bb]ad file descriptor"):
            os.fstat(spare)
        for io in boards:
            io.close()
