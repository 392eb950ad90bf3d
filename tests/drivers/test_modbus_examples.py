"""The worked examples of the MODBUS Application Protocol V1.1b3, as bytes on the wire, both sides.

Each row: section of that document, the request and the answer as printed there, the question of the
exchange that must put exactly that request on the wire, and the data that makes a device give that answer.
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from dataclasses import dataclass

import pytest
from modbus_models import TableDevice, bits_of
from scripted_line import ScriptedLine
from serving import FaultyDevice, serving

from drivers import modbus_question as ask
from drivers.modbus_device import answer_pdu
from drivers.modbus_exchange import Exchange
from drivers.modbus_question import Question
from drivers.outstanding import LATEST_NS
from drivers.rtu_exchange import Place, RtuExchange
from drivers.rtu_frame import sealed
from drivers.rtu_wire import Pace, RtuWire
from harness.clock import RealClock, VirtualClock
from harness.errors import BoardRefused

WHOLE = range(0x10000)
UNIT = 0x11


@dataclass(frozen=True)
class Example:
    section: str
    request: str
    answer: str
    question: Callable[[], Question]
    device: Callable[[], TableDevice]


def coils(first: int = 0, data: str = "") -> Callable[[], TableDevice]:
    return lambda: TableDevice({"coils": WHOLE}, {"coils": bits_of(data, first)})


EXAMPLES = [
    Example(
        "6.1 read coils 20 to 38",
        "01 00 13 00 13",
        "01 03 CD 6B 05",
        lambda: ask.read_bits(1, 0x13, 19, UNIT),
        coils(0x13, "CD 6B 05"),
    ),
    Example(
        "6.2 read discrete inputs 197 to 218",
        "02 00 C4 00 16",
        "02 03 AC DB 35",
        lambda: ask.read_bits(2, 0xC4, 22, UNIT),
        lambda: TableDevice({"inputs": WHOLE}, {"inputs": bits_of("AC DB 35", 0xC4)}),
    ),
    Example(
        "6.3 read holding registers 108 to 110",
        "03 00 6B 00 03",
        "03 06 02 2B 00 00 00 64",
        lambda: ask.read_registers(3, 0x6B, 3, UNIT),
        lambda: TableDevice(
            {"holding registers": WHOLE}, None, {"holding registers": {0x6B: 555, 0x6D: 100}}
        ),
    ),
    Example(
        "6.4 read input register 9",
        "04 00 08 00 01",
        "04 02 00 0A",
        lambda: ask.read_registers(4, 8, 1, UNIT),
        lambda: TableDevice({"input registers": WHOLE}, None, {"input registers": {8: 10}}),
    ),
    Example(
        "6.5 write coil 173 on",
        "05 00 AC FF 00",
        "05 00 AC FF 00",
        lambda: ask.write_coil(0xAC, True, UNIT),
        coils(),
    ),
    Example(
        "6.6 write register 2",
        "06 00 01 00 03",
        "06 00 01 00 03",
        lambda: ask.write_register(1, 3, UNIT),
        lambda: TableDevice({"holding registers": WHOLE}),
    ),
    Example(
        "6.11 write 10 coils from coil 20",
        "0F 00 13 00 0A 02 CD 01",
        "0F 00 13 00 0A",
        lambda: ask.write_coils(0x13, 10, 0x01CD, UNIT),
        coils(),
    ),
    Example(
        "6.12 write 2 registers from register 2",
        "10 00 01 00 02 04 00 0A 01 02",
        "10 00 01 00 02",
        lambda: ask.write_registers(1, [0x000A, 0x0102], UNIT),
        lambda: TableDevice({"holding registers": WHOLE}),
    ),
]
each_example = pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.section)


def header(transaction: int, pdu: bytes, unit: int = UNIT) -> bytes:
    """MBAP as in the MODBUS Messaging on TCP/IP guide V1.0b, 3.1.3, written out independently."""
    return transaction.to_bytes(2) + b"\0\0" + (1 + len(pdu)).to_bytes(2) + bytes([unit])


@each_example
def test_driver_puts_the_example_on_the_wire_and_takes_its_answer(example: Example) -> None:
    answer = bytes.fromhex(example.answer)
    with FaultyDevice(lambda line, request: line.sendall(header(1, answer) + answer)) as device:
        exchange = Exchange("board T", "127.0.0.1", device.port, RealClock())
        taken = exchange.ask(example.question(), 2.0)
        exchange.close()
    request = bytes.fromhex(example.request)
    assert device.requests == [header(1, request) + request]
    assert taken[2] == answer


@each_example
def test_serial_driver_puts_the_example_on_the_wire_and_takes_its_answer(example: Example) -> None:
    """The same PDU between the unit and the checksum, whose values tests/drivers/test_rtu_frame.py has."""
    request, answer = (
        sealed(bytes([UNIT]) + bytes.fromhex(pdu)) for pdu in (example.request, example.answer)
    )
    line = ScriptedLine(VirtualClock(), lambda _: [(5, answer)])
    pace = Pace(silence=2_005_209, quiet=50_000_000, adopted=30_000_000)
    wire = RtuWire(line.open, line.clock, pace)
    place = Place("examples", {}, lambda: wire, lambda _: line)
    question = example.question()
    exchange = RtuExchange("board T", place, line.clock, [question])
    exchange.connect(2.0)
    wire.owed(UNIT).forget(LATEST_NS)  # as if the line had long been in use
    taken = exchange.ask(question, 2.0)
    exchange.close()
    assert line.requests == [request]
    assert taken[2] == bytes.fromhex(example.answer)


@each_example
def test_server_gives_the_answer_of_the_example(example: Example) -> None:
    request, answer = bytes.fromhex(example.request), bytes.fromhex(example.answer)
    device = example.device()
    with serving({UNIT: device}) as port, socket.create_connection(("127.0.0.1", port), 2.0) as line:
        line.sendall(header(0x1501, request) + request)
        received = line.recv(300)
    assert received == header(0x1501, answer) + answer


@pytest.mark.parametrize(
    ("request_hex", "table", "read_hex", "value_hex"),
    [
        ("05 00 AC FF 00", "coils", "01 00 AC 00 01", "01 01 01"),
        ("0F 00 13 00 0A 02 CD 01", "coils", "01 00 13 00 0A", "01 02 CD 01"),
        ("06 00 01 00 03", "holding registers", "03 00 01 00 01", "03 02 00 03"),
        ("10 00 01 00 02 04 00 0A 01 02", "holding registers", "03 00 01 00 02", "03 04 00 0A 01 02"),
    ],
    ids=["6.5", "6.11", "6.12 single", "6.12"],
)
def test_written_examples_can_be_read_again(
    request_hex: str, table: str, read_hex: str, value_hex: str
) -> None:
    device = TableDevice({table: WHOLE})
    answer_pdu(device, bytes.fromhex(request_hex))
    assert answer_pdu(device, bytes.fromhex(read_hex)) == bytes.fromhex(value_hex)


def test_absent_coil_is_refused_as_printed() -> None:
    """Section 7: coil at address 0x04A1 (1185) read from a device that lacks it: exception 02."""
    device = TableDevice({"coils": range(0x04A1)})
    assert answer_pdu(device, bytes.fromhex("01 04 A1 00 01")) == bytes.fromhex("81 02")
    with serving({UNIT: device}) as port:
        exchange = Exchange("board T", "127.0.0.1", port, RealClock())
        with pytest.raises(BoardRefused) as refused:
            exchange.ask(ask.read_bits(1, 0x04A1, 1, UNIT), 2.0)
        exchange.close()
    assert refused.value.code == 2


@pytest.mark.parametrize(
    ("request_hex", "answer_hex"),
    [("03 00 60 00 04", "03 08 00 00 00 00 00 00 00 00"), ("03 00 60 00 05", "83 02")],
    ids=["96 quantity 4", "96 quantity 5"],
)
def test_device_with_100_registers(request_hex: str, answer_hex: str) -> None:
    """Section 7, exception 02: offset plus length decides."""
    device = TableDevice({"holding registers": range(100)})
    assert answer_pdu(device, bytes.fromhex(request_hex)) == bytes.fromhex(answer_hex)


def test_whole_frame_with_unit_ff() -> None:
    """Request of a public test vector: transaction 0x1501, length 6, unit FF, one register at 4."""
    device = TableDevice({"holding registers": WHOLE}, None, {"holding registers": {4: 5}})
    with serving({0xFF: device}) as port, socket.create_connection(("127.0.0.1", port), 2.0) as line:
        line.sendall(bytes.fromhex("15 01 00 00 00 06 FF 03 00 04 00 01"))
        assert line.recv(300) == bytes.fromhex("15 01 00 00 00 05 FF 03 02 00 05")
