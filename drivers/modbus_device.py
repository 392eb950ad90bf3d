"""What a Modbus device answers to a request, over any data model. Pure but for the model's own doings.

Order of the checks as in the state diagrams of the MODBUS Application Protocol V1.1b3 ("AP"), 6: function
(exception 01), then quantity, byte count and value (03), then address (02), then the work itself (04). A
device that lacks a whole table, as a relay board lacks registers, does not know the functions on it: 01.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE = 1, 2, 3, 4
COILS, INPUTS, HOLDING, INPUT_REGISTERS = "coils", "inputs", "holding registers", "input registers"
_TABLES = {1: COILS, 5: COILS, 15: COILS, 2: INPUTS, 3: HOLDING, 6: HOLDING, 16: HOLDING, 4: INPUT_REGISTERS}
_MOST = {1: 2000, 2: 2000, 3: 125, 4: 125, 15: 1968, 16: 123}  # AP 6.1 to 6.12
_MEI_IDENTIFICATION, _CONFORMITY = 0x0E, 0x81  # AP 6.21: basic objects, as a stream and one by one


class Device(Protocol):
    """A device's data. `tables` maps each table it has to its range of addresses on the wire (from 0).

    `objects` are the identification objects by number, empty for a device that cannot say what it is. A
    RefusedError out of the four methods is answered as it says, any other exception with exception 04.
    """

    @property
    def tables(self) -> dict[str, range]: ...

    @property
    def objects(self) -> dict[int, bytes]: ...

    def read_bits(self, table: str, address: int, count: int) -> int: ...

    def write_bits(self, address: int, count: int, bits: int) -> None: ...

    def read_registers(self, table: str, address: int, count: int) -> Sequence[int]: ...

    def write_registers(self, address: int, values: Sequence[int]) -> None: ...


class RefusedError(Exception):
    """The request gets an exception answer."""

    def __init__(self, code: int) -> None:
        super().__init__(f"exception {code:02X}")
        self.code = code


def answer_pdu(device: Device, pdu: bytes) -> bytes:
    """The answer to a request PDU of at least one byte; an exception answer where it is refused."""
    function = pdu[0]
    try:
        return pdu[:1] + _work(device, function, pdu[1:])
    except RefusedError as refusal:
        return bytes([function | 0x80, refusal.code])


def _work(device: Device, function: int, body: bytes) -> bytes:
    if function == 43:
        return _identify(device, body)
    table = _TABLES.get(function)
    if table is None or table not in device.tables:
        raise RefusedError(ILLEGAL_FUNCTION)
    if len(body) < 4:
        raise RefusedError(ILLEGAL_VALUE)
    address, second = int.from_bytes(body[:2]), int.from_bytes(body[2:4])
    count = 1 if function in (5, 6) else second
    if not 1 <= count <= _MOST.get(function, 1) or not _body_fits(function, second, body[4:]):
        raise RefusedError(ILLEGAL_VALUE)
    have = device.tables[table]
    if address < have.start or address + count > have.stop:
        raise RefusedError(ILLEGAL_ADDRESS)
    try:
        return _WORK[function](device, table, address, count, body)
    except RefusedError:
        raise
    except Exception as error:  # whatever fails inside a device, its client gets this answer (AP 7)
        raise RefusedError(DEVICE_FAILURE) from error


def _body_fits(function: int, second: int, rest: bytes) -> bool:
    """Whether what follows address and quantity (or value) is as long, and as said, as it has to be."""
    if function == 5:
        return second in (0x0000, 0xFF00) and not rest
    if function in (15, 16):
        wanted = (second + 7) // 8 if function == 15 else 2 * second
        return bool(rest) and rest[0] == wanted == len(rest) - 1
    return not rest


def _read_bits(device: Device, table: str, address: int, count: int, _body: bytes) -> bytes:
    size = (count + 7) // 8
    bits = device.read_bits(table, address, count) & ((1 << count) - 1)
    return bytes([size]) + bits.to_bytes(size, "little")


def _read_registers(device: Device, table: str, address: int, count: int, _body: bytes) -> bytes:
    values = device.read_registers(table, address, count)
    return bytes([2 * count]) + b"".join(value.to_bytes(2) for value in values)


def _write_coil(device: Device, _table: str, address: int, _count: int, body: bytes) -> bytes:
    device.write_bits(address, 1, int(body[2] == 0xFF))
    return body


def _write_coils(device: Device, _table: str, address: int, count: int, body: bytes) -> bytes:
    device.write_bits(address, count, int.from_bytes(body[5:], "little") & ((1 << count) - 1))
    return body[:4]


def _write_register(device: Device, _table: str, address: int, _count: int, body: bytes) -> bytes:
    device.write_registers(address, [int.from_bytes(body[2:4])])
    return body


def _write_registers(device: Device, _table: str, address: int, count: int, body: bytes) -> bytes:
    device.write_registers(address, [int.from_bytes(body[5 + 2 * k : 7 + 2 * k]) for k in range(count)])
    return body[:4]


_WORK: dict[int, Callable[[Device, str, int, int, bytes], bytes]] = {
    1: _read_bits,
    2: _read_bits,
    3: _read_registers,
    4: _read_registers,
    5: _write_coil,
    6: _write_register,
    15: _write_coils,
    16: _write_registers,
}


def _identify(device: Device, body: bytes) -> bytes:
    """AP 6.21. Levels beyond basic are answered with what there is, at the conformity level stated."""
    if not body or body[0] != _MEI_IDENTIFICATION or not device.objects:
        raise RefusedError(ILLEGAL_FUNCTION)
    if len(body) != 3 or body[1] not in (1, 2, 3, 4):
        raise RefusedError(ILLEGAL_VALUE)
    code, wanted, objects = body[1], body[2], device.objects
    if code == 4 and wanted not in objects:
        raise RefusedError(ILLEGAL_ADDRESS)
    first = wanted if wanted in objects else 0
    chosen = {first: objects[first]} if code == 4 else {k: v for k, v in objects.items() if k >= first}
    data = b"".join(bytes([number, len(text)]) + text for number, text in chosen.items())
    return bytes([_MEI_IDENTIFICATION, code, _CONFORMITY, 0, 0, len(chosen)]) + data
