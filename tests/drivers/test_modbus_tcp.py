"""The Modbus TCP board: its settings, its limits, what it writes at once, and the contract over the wire."""

from __future__ import annotations

import socket
from dataclasses import replace

import pytest
from modbus_models import TableDevice
from serving import FaultyDevice, serving

from drivers.modbus_tcp import ModbusTcpBoard
from harness.bench.board import Identity
from harness.bench.contract import check_board
from harness.bench.parts import BoardSpec, SettingValue, Watchdog
from harness.bench.registry import check_settings
from harness.clock import RealClock
from harness.errors import BenchError, BoardAbsent, BoardRefused

SPEC = BoardSpec(
    name="IO1", driver="modbus-tcp", settings={"host": "127.0.0.1"}, output_count=16, input_count=10
)

ALLOWED = (
    "allowed: host, port, unit, first output, first input, most at once, watchdog register, watchdog clear"
    " register, watchdog clear value, watchdog feed register, watchdog feed value, watchdog count,"
    " identification"
)
WATCHDOG: dict[str, SettingValue] = {"host": "h", "watchdog register": "100", "watchdog count": "10 ms"}


def board(port: int, **changes: object) -> ModbusTcpBoard:
    settings = SPEC.settings | {"port": port} | dict(changes.pop("settings", {}))  # type: ignore[call-overload]
    return ModbusTcpBoard(replace(SPEC, settings=settings, **changes), RealClock())  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "settings",
    [
        {"host": "10.0.0.5"},
        {"host": "io1.example", "port": "1", "unit": "0", "first output": "65520", "first input": "0"},
        {"host": "10.0.0.5", "port": "65535", "unit": "255"},
        {"host": "10.0.0.5", "port": 502, "unit": 1},
        {"host": "10.0.0.5", "most at once": "16", "identification": "no"},
        {
            "host": "10.0.0.5",
            "watchdog register": "100",
            "watchdog count": "10 ms",
            "watchdog clear register": "101",
            "watchdog clear value": "1",
            "watchdog feed register": "102",
            "watchdog feed value": "65535",
        },
    ],
)
def test_settings_that_are_right(settings: dict[str, SettingValue]) -> None:
    assert check_settings("modbus-tcp", settings) == []


@pytest.mark.parametrize(
    ("settings", "problem"),
    [
        ({}, "`host` is missing; give the board's IP address or host name"),
        ({"host": " "}, "`host` is missing; give the board's IP address or host name"),
        ({"host": "h", "port": "0"}, "`port` is '0'; a whole number from 1 to 65535 is needed"),
        ({"host": "h", "port": "65536"}, "`port` is '65536'; a whole number from 1 to 65535 is needed"),
        ({"host": "h", "port": "five"}, "`port` is 'five'; a whole number from 1 to 65535 is needed"),
        ({"host": "h", "port": "5.0"}, "`port` is '5.0'; a whole number from 1 to 65535 is needed"),
        ({"host": "h", "unit": "256"}, "`unit` is '256'; a whole number from 0 to 255 is needed"),
        ({"host": "h", "unit": "-1"}, "`unit` is '-1'; a whole number from 0 to 255 is needed"),
        ({"host": "h", "unit": "²"}, "`unit` is '²'; a whole number from 0 to 255 is needed"),
        (
            {"host": "h", "first input": "65536"},
            "`first input` is '65536'; a whole number from 0 to 65535 is needed",
        ),
        (
            {"host": "h", "first ouput": "0"},
            f"no setting `first ouput`; {ALLOWED}; did you mean `first output`?",
        ),
        ({"host": "h", "baud": "9600"}, f"no setting `baud`; {ALLOWED}"),
        ({"host": "h", "quiet": "50 ms"}, f"no setting `quiet`; {ALLOWED}; did you mean `unit`?"),
        (
            {"host": "h", "most at once": "0"},
            "`most at once` is '0'; a whole number from 1 to 2000 is needed",
        ),
        ({"host": "h", "identification": "maybe"}, "`identification` is 'maybe'; yes or no is needed"),
        (
            {"host": "h", "watchdog register": "7"},
            "`watchdog register` is given, but not `watchdog count`; give both or neither",
        ),
        (
            {"host": "h", "watchdog feed register": "7", "watchdog feed value": "1"},
            "`watchdog feed register` is given, but not `watchdog register`; give that too",
        ),
        (
            WATCHDOG | {"watchdog clear register": "7"},
            "`watchdog clear register` is given, but not `watchdog clear value`; give both or neither",
        ),
        (
            WATCHDOG | {"watchdog count": "10"},
            "`watchdog count`: '10' has no unit; expected a time such as '20 ms'",
        ),
        (WATCHDOG | {"watchdog count": "0 ms"}, "`watchdog count` is '0 ms'; a time above 0 is needed"),
        (
            WATCHDOG | {"watchdog register": "70000"},
            "`watchdog register` is '70000'; a whole number from 0 to 65535 is needed",
        ),
    ],
)
def test_settings_that_are_wrong(settings: dict[str, SettingValue], problem: str) -> None:
    assert check_settings("modbus-tcp", settings) == [problem]
    with pytest.raises(BenchError) as caught:
        ModbusTcpBoard(replace(SPEC, settings=settings), RealClock())
    assert str(caught.value) == f"board IO1: {problem}"


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"input_count": -1}, "-1 inputs; 0 or more are needed"),
        ({"output_count": 65537}, "65537 outputs from `first output` go beyond address 65535"),
        (
            {"watchdog": Watchdog(time_out_s=1.0, proof_output=0)},
            (
                "a watchdog is wanted, but the settings lack `watchdog register` and `watchdog count`;"
                " take them from the board's manual"
            ),
        ),
        (
            {"settings": {"host": "h", "first output": 65521}},
            "16 outputs from `first output` go beyond address 65535",
        ),
    ],
)
def test_channels_that_do_not_fit(changes: dict[str, object], problem: str) -> None:
    with pytest.raises(BenchError) as caught:
        ModbusTcpBoard(replace(SPEC, **changes), RealClock())  # type: ignore[arg-type]
    assert str(caught.value) == f"board IO1: {problem}"


@pytest.mark.parametrize(("outputs", "inputs"), [(16, 10), (1, 1), (0, 8), (8, 0), (33, 70), (0, 0)])
def test_keeps_the_contract(outputs: int, inputs: int) -> None:
    tables = {"coils": range(outputs), "inputs": range(inputs)}
    device = TableDevice({table: span for table, span in tables.items() if span})
    with serving({1: device}) as port:
        assert check_board(lambda: board(port, output_count=outputs, input_count=inputs)) == []


def test_most_channels_in_one_transaction() -> None:
    device = TableDevice({"coils": range(1968), "inputs": range(2000)}, {"inputs": {1999: True}})
    with serving({1: device}) as port, board(port, output_count=1968, input_count=2000) as io1:
        io1.write({1967: True})
        assert io1.read_back() == 1 << 1967
        assert io1.read().bits == 1 << 1999


def test_more_than_one_request_holds_is_split() -> None:
    device = TableDevice(
        {"coils": range(2100), "inputs": range(2100), "holding registers": range(300)},
        {"inputs": {1999: True, 2000: True, 2099: True}},
        {"holding registers": {k: k for k in range(300)}},
    )
    with serving({1: device}) as port, board(port, output_count=2100, input_count=2100) as io1:
        io1.write({1967: True, 1968: True})
        assert io1.read_back() == 1 << 1967 | 1 << 1968
        assert io1.read().bits == 1 << 1999 | 1 << 2000 | 1 << 2099
        assert io1.read_registers("holding", 0, 300) == tuple(range(300))
        io1.write_registers(0, [7] * 200)
        assert io1.read_registers("holding", 0, 201) == (*[7] * 200, 200)


def test_most_at_once_of_the_board_is_kept() -> None:
    device = TableDevice({"coils": range(16), "inputs": range(10)}, {"inputs": {9: True}})
    with serving({1: device}) as port:
        assert check_board(lambda: board(port, settings={"most at once": "3"})) == []
        with board(port, settings={"most at once": "3"}) as io1:
            assert io1.read().bits == 1 << 9


def test_watchdog_is_armed_cleared_and_fed() -> None:
    device = TableDevice({"coils": range(16), "inputs": range(10), "holding registers": range(10)})
    settings = {
        "watchdog register": "4",
        "watchdog count": "100 ms",
        "watchdog clear register": "5",
        "watchdog clear value": "1",
        "watchdog feed register": "6",
        "watchdog feed value": "9",
    }
    with (
        serving({1: device}) as port,
        board(port, settings=settings, watchdog=Watchdog(time_out_s=1.05, proof_output=0)) as io1,
    ):
        assert io1.arm_watchdog() == 1.0
        assert device.registers["holding registers"] == {4: 10, 5: 1}
        io1.feed_watchdog()
        assert device.registers["holding registers"][6] == 9


def test_connection_in_memory() -> None:
    """What tests of faults need: a board on a connection that is not a socket."""

    class Pipe:
        answer = b""

        def sendall(self, data: bytes) -> None:
            self.answer = data[:2] + bytes.fromhex("0000 0005 01 02 02 01 02")

        def recv(self, most: int) -> bytes:
            return self.answer

        def settimeout(self, seconds: float | None) -> None:
            pass

        def setsockopt(self, level: int, option: int, value: int | bytes) -> None:
            pass

        def close(self) -> None:
            pass

    dialled: list[tuple[tuple[str, int], float]] = []

    def dial(address: tuple[str, int], timeout_s: float) -> Pipe:
        dialled.append((address, timeout_s))
        return Pipe()

    io1 = ModbusTcpBoard(replace(SPEC, output_count=0), RealClock(), dial=dial)
    with io1:
        assert io1.read().bits == 0x201
        assert io1.descriptor is None
    assert dialled == [(("127.0.0.1", 502), 0.5)]


def test_addresses_and_unit_of_the_settings_are_used() -> None:
    device = TableDevice({"coils": range(100, 116), "inputs": range(7, 17)}, {"inputs": {7: True, 16: True}})
    settings = {"first output": "100", "first input": "7", "unit": "17"}
    with serving({17: device}) as port, board(port, settings=settings) as io1:
        io1.write({0: True, 15: True})
        assert device.bits["coils"] == {100 + k: k in (0, 15) for k in range(16)}
        assert io1.read_back() == 0x8001
        assert io1.read().bits == 0b10_0000_0001


def test_bits_of_padding_are_not_inputs() -> None:
    def answer(line: socket.socket, request: bytes) -> None:
        line.sendall(request[:2] + bytes.fromhex("0000 0005 01 02 02 FF FF"))

    with FaultyDevice(answer) as device:
        io1 = board(device.port, output_count=0)
        io1.open()
        assert io1.read().bits == 0x3FF
        io1.close()


def test_all_outputs_go_in_one_request() -> None:
    def echo(line: socket.socket, request: bytes) -> None:
        line.sendall(request[:4] + b"\0\6" + request[6:12])

    with FaultyDevice(echo) as device:
        io1 = board(device.port)
        io1.open()
        io1.write({0: True, 9: True})
        io1.close()
    assert [request[7:].hex(" ") for request in device.requests] == [
        "0f 00 00 00 10 02 01 02",
        "0f 00 00 00 10 02 00 00",
    ]


def test_one_output_is_written_as_a_single_coil() -> None:
    def echo(line: socket.socket, request: bytes) -> None:
        line.sendall(request)

    with FaultyDevice(echo) as device:
        io1 = board(device.port, output_count=1, settings={"first output": 172})
        io1.open()
        io1.write({0: True})
        io1.close()
    assert [request[7:].hex(" ") for request in device.requests] == ["05 00 ac ff 00", "05 00 ac 00 00"]


@pytest.mark.parametrize(
    ("objects", "identity"),
    [
        ({}, Identity()),
        ({0: b"maker", 1: b"product", 2: b"1.0"}, Identity("maker", "product", "1.0")),
        (
            {0: b"panelproof", 1: b"SIMULATED BOARD", 2: b"1"},
            Identity("panelproof", "SIMULATED BOARD", "1", simulated=True),
        ),
        ({0: b"caf\xe9\0\0", 1: b" x ", 2: b""}, Identity("café", "x", "")),
    ],
)
def test_identity(objects: dict[int, bytes], identity: Identity) -> None:
    device = TableDevice({"coils": range(16), "inputs": range(10)}, objects=objects)
    with serving({1: device}) as port, board(port) as io1:
        assert io1.identify() == identity


def test_identity_in_several_answers() -> None:
    """Application Protocol V1.1b3, 6.21: more follows FF, next object id says where to go on."""
    pages = {
        0: "2B 0E 01 01 FF 01 01 00 01 41",
        1: "2B 0E 01 01 FF 02 01 01 01 42",
        2: "2B 0E 01 01 00 00 01 02 01 43",
    }

    def answer(line: socket.socket, request: bytes) -> None:
        body = bytes.fromhex(pages[request[10]])
        line.sendall(request[:4] + (len(body) + 1).to_bytes(2) + b"\1" + body)

    with FaultyDevice(answer) as device:
        io1 = board(device.port, output_count=0)
        io1.open()
        assert io1.identify() == Identity("A", "B", "C")
        io1.close()


def test_identity_that_never_ends_is_left() -> None:
    def answer(line: socket.socket, request: bytes) -> None:
        body = bytes.fromhex("2B 0E 01 01 FF 00 01 00 01 41")
        line.sendall(request[:4] + (len(body) + 1).to_bytes(2) + b"\1" + body)

    with FaultyDevice(answer) as device:
        io1 = board(device.port, output_count=0)
        io1.open()
        assert io1.identify() == Identity("A")
        io1.close()
    assert len(device.requests) == 2


def test_unit_that_is_not_there() -> None:
    devices = {2: TableDevice({"coils": range(16)})}
    with serving(devices) as port, board(port) as io1, pytest.raises(BoardRefused) as caught:
        io1.identify()
    assert str(caught.value) == (
        f"board IO1 at 127.0.0.1:{port} unit 1: identify: refused with exception 0B (gateway target device"
        " failed to respond); check `unit` and that board's power"
    )


def test_board_that_is_not_there() -> None:
    with serving({}) as port:
        pass
    with pytest.raises(BoardAbsent) as caught:
        board(port).open()
    assert str(caught.value) == (
        f"board IO1 at 127.0.0.1:{port} unit 1: cannot connect (connection refused); check its power,"
        " the network cable, and `host` and `port` in the bench file"
    )


def test_failed_write_leaves_the_image() -> None:
    """A write that was refused is not what the outputs are commanded to."""
    with serving({1: TableDevice({"coils": range(8), "inputs": range(10)})}) as port:
        io1 = board(port)
        io1.open()
        with pytest.raises(BoardRefused):
            io1.write({0: True})
        assert io1.outputs == 0
        io1.close()
