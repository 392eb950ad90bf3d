"""The server on the wire: check order, limits, framing, several clients, and a client that is not ours."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from modbus_models import TableDevice
from pymodbus.client import ModbusTcpClient
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest
from serving import serving

from drivers.modbus_device import answer_pdu
from drivers.modbus_server import ModbusServer, split_requests
from harness.errors import BenchError

RELAY_BOARD = {"coils": range(16), "inputs": range(32)}
EVERYTHING = dict.fromkeys(("coils", "inputs", "holding registers", "input registers"), range(0x10000))
OBJECTS = {0: b"maker", 1: b"product", 2: b"1.0"}


def pdu_answer(device: TableDevice, request: str) -> str:
    return answer_pdu(device, bytes.fromhex(request)).hex(" ")


@pytest.mark.parametrize(
    ("request_hex", "answer_hex"),
    [
        # MODBUS Application Protocol V1.1b3, 6: function 01, then quantity 03, then address 02
        ("03 00 00 00 01", "83 01"),  # a relay board has no registers at all
        ("04 FF FF 00 00", "84 01"),
        ("06 00 00 00 01", "86 01"),
        ("10 00 00 00 00 00", "90 01"),
        ("07", "87 01"),
        ("00", "80 01"),
        ("01 FF FF 00 00", "81 03"),  # quantity is looked at before the address
        ("01 FF FF 07 D1", "81 03"),
        ("01 00 10 00 01", "81 02"),
        ("01 00 0F 00 02", "81 02"),
        ("01 FF FF 00 02", "81 02"),
        ("02 00 20 00 01", "82 02"),
        ("05 00 10 12 34", "85 03"),  # value before address
        ("05 00 10 FF 00", "85 02"),
        ("05 00 00 FF 00 00", "85 03"),
        ("0F 00 10 00 01 02 00 00", "8f 03"),
        ("0F 00 10 00 01 01 01", "8f 02"),
        ("0F 00 00 00 09 01 01", "8f 03"),  # byte count does not match the quantity
        ("0F 00 00 00 08 01", "8f 03"),  # byte count without its bytes
        ("0F 00 00 00 08", "8f 03"),
        ("01 00 00 00", "81 03"),
        ("01 00 00 00 01 00", "81 03"),
        ("2B", "ab 01"),
        ("2B 0D 01 00", "ab 01"),
        ("2B 0E 01", "ab 03"),
        ("2B 0E 05 00", "ab 03"),
        ("2B 0E 00 00", "ab 03"),
        ("2B 0E 04 03", "ab 02"),
    ],
)
def test_exceptions_of_a_relay_board(request_hex: str, answer_hex: str) -> None:
    assert pdu_answer(TableDevice(RELAY_BOARD, objects=OBJECTS), request_hex) == answer_hex


@pytest.mark.parametrize(
    ("function", "most"), [(1, 2000), (2, 2000), (3, 125), (4, 125)], ids=["6.1", "6.2", "6.3", "6.4"]
)
def test_quantity_limits_of_reads(function: int, most: int) -> None:
    """MODBUS Application Protocol V1.1b3: 0x07D0 bits, 0x007D registers."""
    device = TableDevice(EVERYTHING)
    request = bytes([function, 0, 0])
    assert answer_pdu(device, request + most.to_bytes(2))[0] == function
    for quantity in (0, most + 1, 0xFFFF):
        assert answer_pdu(device, request + quantity.to_bytes(2)) == bytes([function | 0x80, 3])


@pytest.mark.parametrize(
    ("function", "most", "per_byte"), [(15, 1968, 1 / 8), (16, 123, 2)], ids=["6.11", "6.12"]
)
def test_quantity_limits_of_writes(function: int, most: int, per_byte: float) -> None:
    """MODBUS Application Protocol V1.1b3: 0x07B0 coils, 0x007B registers."""
    device = TableDevice(EVERYTHING)

    def request(quantity: int) -> bytes:
        size = int(-(-quantity * per_byte // 1))
        return bytes([function, 0, 0]) + quantity.to_bytes(2) + bytes([size & 0xFF]) + bytes(size)

    assert answer_pdu(device, request(most)) == bytes([function, 0, 0]) + most.to_bytes(2)
    for quantity in (0, most + 1):
        assert answer_pdu(device, request(quantity)) == bytes([function | 0x80, 3])


def test_trouble_inside_the_device_is_exception_04() -> None:
    device = TableDevice(RELAY_BOARD)
    device.fails = True
    assert pdu_answer(device, "01 00 00 00 01") == "81 04"


@pytest.mark.parametrize(
    ("request_hex", "answer_hex"),
    [
        (
            "2B 0E 01 00",
            "2b 0e 01 81 00 00 03 00 05 6d 61 6b 65 72 01 07 70 72 6f 64 75 63 74 02 03 31 2e 30",
        ),
        ("2B 0E 01 02", "2b 0e 01 81 00 00 01 02 03 31 2e 30"),
        ("2B 0E 04 00", "2b 0e 04 81 00 00 01 00 05 6d 61 6b 65 72"),
        # an unknown object of a stream starts over, a level above the device's is answered with what it has
        (
            "2B 0E 03 7F",
            "2b 0e 03 81 00 00 03 00 05 6d 61 6b 65 72 01 07 70 72 6f 64 75 63 74 02 03 31 2e 30",
        ),
    ],
)
def test_identification(request_hex: str, answer_hex: str) -> None:
    """MODBUS Application Protocol V1.1b3, 6.21."""
    assert pdu_answer(TableDevice(RELAY_BOARD, objects=OBJECTS), request_hex) == answer_hex


def test_device_without_identification_does_not_know_the_function() -> None:
    assert pdu_answer(TableDevice(RELAY_BOARD), "2B 0E 01 00") == "ab 01"


@given(st.binary(min_size=1, max_size=253))
def test_any_pdu_gets_a_whole_answer(pdu: bytes) -> None:
    answer = answer_pdu(TableDevice(EVERYTHING, objects=OBJECTS), pdu)
    assert answer[0] in (pdu[0], pdu[0] | 0x80)
    assert 2 <= len(answer) <= 253


def frame(pdu: str, transaction: int = 1, unit: int = 1) -> bytes:
    body = bytes.fromhex(pdu)
    return transaction.to_bytes(2) + b"\0\0" + (len(body) + 1).to_bytes(2) + bytes([unit]) + body


@given(st.lists(st.binary(min_size=1, max_size=20), max_size=5), st.integers(0, 30))
def test_splitting_keeps_every_byte(pdus: list[bytes], cut: int) -> None:
    frames = [frame(pdu.hex()) for pdu in pdus]
    whole = b"".join(frames)
    first, rest, sound = split_requests(whole[: len(whole) - cut] if cut else whole)
    assert sound
    assert first == frames[: len(first)]
    assert b"".join(first) + rest == (whole[: len(whole) - cut] if cut else whole)


@pytest.fixture
def port() -> Iterator[int]:
    with serving({1: TableDevice(RELAY_BOARD, {"inputs": {3: True}}, objects=OBJECTS)}) as port:
        yield port


def talk(port: int, data: bytes) -> bytes:
    """Send, close the sending side, and collect everything until the server closes."""
    with socket.create_connection(("127.0.0.1", port), 2.0) as line:
        line.sendall(data)
        line.shutdown(socket.SHUT_WR)
        received = b""
        while more := line.recv(4096):
            received += more
        return received


GOOD = frame("02 00 00 00 08")
GOOD_ANSWER = frame("02 01 08")


def test_requests_are_answered_in_order(port: int) -> None:
    data = frame("02 00 00 00 08", 7) + frame("01 00 00 00 01", 3)
    assert talk(port, data) == frame("02 01 08", 7) + frame("01 01 00", 3)


@pytest.mark.parametrize(
    "bad",
    [
        bytes.fromhex("0002 0001 0006 01 02 0000 0008"),
        bytes.fromhex("0002 0000 0000 01 02 0000 0008"),
        bytes.fromhex("0002 0000 0001 01 02 0000 0008"),
        bytes.fromhex("0002 0000 00FF 01 02 0000 0008"),
    ],
    ids=["protocol 1", "length 0", "length 1", "length 255"],
)
def test_bad_header_ends_that_connection_only(port: int, bad: bytes) -> None:
    with socket.create_connection(("127.0.0.1", port), 2.0) as other:
        assert talk(port, GOOD + bad + GOOD) == GOOD_ANSWER
        other.sendall(GOOD)
        assert other.recv(100) == GOOD_ANSWER


def test_request_in_pieces(port: int) -> None:
    with socket.create_connection(("127.0.0.1", port), 2.0) as line:
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for byte in GOOD:
            line.sendall(bytes([byte]))
        assert line.recv(100) == GOOD_ANSWER


def test_unknown_unit_is_answered_as_by_a_gateway(port: int) -> None:
    assert talk(port, frame("02 00 00 00 08", unit=9)) == frame("82 0B", unit=9)


def test_address_in_use_is_one_line(port: int) -> None:
    with pytest.raises(BenchError) as caught:
        ModbusServer({}, "127.0.0.1", port)
    assert str(caught.value) == (
        f"cannot serve at 127.0.0.1:{port} (address already in use); choose another address, or port 0"
    )


def test_host_that_is_no_name_is_one_line() -> None:
    with pytest.raises(BenchError, match=r"^cannot serve at no-such-host\.invalid:0 \(.+\); choose another"):
        ModbusServer({}, "no-such-host.invalid", 0)


def test_client_that_is_not_ours(port: int) -> None:
    """pymodbus's own client reads, writes and is refused."""
    with ModbusTcpClient("127.0.0.1", port=port, timeout=2, retries=0) as client:
        assert client.read_discrete_inputs(0, count=32).bits == [k == 3 for k in range(32)]
        assert not client.write_coils(1, [True] * 9).isError()
        assert not client.write_coil(2, False).isError()
        assert client.read_coils(0, count=16).bits == [k in (1, 3, 4, 5, 6, 7, 8, 9) for k in range(16)]
        assert client.read_coils(10, count=10).exception_code == 2
        assert client.read_holding_registers(0).exception_code == 1
        assert client.write_register(0, 1).exception_code == 1
        assert client.read_coils(0, device_id=9).exception_code == 0x0B
        answer = client.execute(False, ReadDeviceInformationRequest(read_code=1, dev_id=1))
        assert answer.information == OBJECTS
