"""Modbus questions prepared once, with the exact answer that each may get. Pure: bytes in, values out.

A question is a unit, a request PDU, and how the PDU of a good answer begins and how long it is: the same
question goes over TCP and over a serial line, and the same `fault_of` judges both answers. A write's good
answer is known to the last byte; a read's up to its data. Whatever differs is explained by `fault_of`, with
pymodbus as the decoder. Source: MODBUS Application Protocol V1.1b3 ("AP").
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu import bit_message as bit
from pymodbus.pdu import register_message as register
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest, ReadDeviceInformationResponse

from drivers.mbap_frame import HEADER, headed

MOST = {1: 2000, 2: 2000, 3: 125, 4: 125, 15: 1968, 16: 123}  # quantities, AP 6.1 to 6.12

# Exception codes, AP 7, each with what to try.
EXCEPTIONS = {
    1: ("illegal function", "the board does not know this request; check its driver in the bench file"),
    2: ("illegal data address", "check `first output`, `first input` and the numbers of channels"),
    3: ("illegal data value", "check the numbers of channels against the board's manual"),
    4: ("server device failure", "look at the board's fault lamp, then switch it off and on"),
    5: ("acknowledge", "the board is still at work; raise `timeout` and try again"),
    6: ("server device busy", "another client keeps the board busy; stop it and try again"),
    8: ("memory parity error", "the board's memory is bad; replace the board"),
    10: ("gateway path unavailable", "check the gateway's own set-up"),
    11: ("gateway target device failed to respond", "check `unit` and that board's power"),
}

Kind = Literal["bits", "registers", "echo", "identity"]


@dataclass(frozen=True, slots=True)
class Question:
    """A request PDU to a unit; how the PDU of a good answer starts, and its length in bytes.

    `length` 0: the length of a good answer is not known beforehand (identification). `tail`, `head` and
    `size` are made of the rest: the request and the answer's beginning on TCP, from the third byte on, and
    the answer's full length there. They are kept because a poll needs them every time.
    """

    name: str
    kind: Kind
    unit: int
    pdu: bytes
    start: bytes
    length: int
    tail: bytes = field(init=False)
    head: bytes = field(init=False)
    size: int = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "tail", headed(self.unit, self.pdu))
        object.__setattr__(self, "head", headed(self.unit, self.start, self.length))
        object.__setattr__(self, "size", HEADER + self.length if self.length else 0)

    @property
    def function(self) -> int:
        return self.pdu[0]


@dataclass(frozen=True, slots=True)
class Fault:
    """Why an answer is not the answer. `code` is the exception code where the board refused, else 0."""

    text: str
    code: int = 0


def read_bits(function: Literal[1, 2], address: int, count: int, unit: int) -> Question:
    """Read coils (1) or discrete inputs (2). Raises ValueError beyond 2000 bits or address 65535."""
    _check_span(function, address, count)
    maker = bit.ReadCoilsRequest if function == 1 else bit.ReadDiscreteInputsRequest
    name = f"read {'outputs' if function == 1 else 'inputs'} at {_span(address, count)}"
    return _reading(name, "bits", maker(address=address, count=count, dev_id=unit), (count + 7) // 8)


def read_registers(function: Literal[3, 4], address: int, count: int, unit: int) -> Question:
    """Read holding (3) or input registers (4). Raises ValueError beyond 125 registers or address 65535."""
    _check_span(function, address, count)
    maker = register.ReadHoldingRegistersRequest if function == 3 else register.ReadInputRegistersRequest
    name = f"read {'holding' if function == 3 else 'input'} registers at {_span(address, count)}"
    return _reading(name, "registers", maker(address=address, count=count, dev_id=unit), 2 * count)


def write_coil(address: int, on: bool, unit: int) -> Question:
    """Write one coil (5)."""
    _check_span(5, address, 1)
    request = bit.WriteSingleCoilRequest(unit, address=address, bits=[on])
    return _writing(f"write output at {address}", request)


def write_coils(address: int, count: int, image: int, unit: int) -> Question:
    """Write `count` coils (15), bit k of `image` to address + k. Raises ValueError beyond 1968."""
    _check_span(15, address, count)
    states = [bool(image >> k & 1) for k in range(count)]
    request = bit.WriteMultipleCoilsRequest(address=address, bits=states, dev_id=unit)
    return _writing(f"write outputs at {_span(address, count)}", request)


def write_register(address: int, value: int, unit: int) -> Question:
    """Write one holding register (6), value 0 to 65535."""
    _check_span(6, address, 1)
    _check_values([value])
    request = register.WriteSingleRegisterRequest(address=address, registers=[value], dev_id=unit)
    return _writing(f"write register at {address}", request)


def write_registers(address: int, values: Sequence[int], unit: int) -> Question:
    """Write holding registers (16), values 0 to 65535. Raises ValueError beyond 123."""
    _check_span(16, address, len(values))
    _check_values(values)
    request = register.WriteMultipleRegistersRequest(address=address, registers=list(values), dev_id=unit)
    return _writing(f"write registers at {_span(address, len(values))}", request)


def identify(unit: int, object_id: int = 0) -> Question:
    """Ask for the basic identification objects (43/14, AP 6.21), from `object_id` on."""
    request = ReadDeviceInformationRequest(read_code=1, object_id=object_id, dev_id=unit)
    return Question("identify", "identity", unit, _pdu(request), b"\x2b", 0)


def fault_of(question: Question, unit: int, pdu: bytes) -> Fault | None:
    """What is wrong with a whole answer PDU from `unit`; None for a good one."""
    if unit != question.unit:
        return Fault(f"answer from unit {unit}, asked {question.unit}")
    function = pdu[0]
    if function == question.function | 0x80:
        return _refusal(pdu)
    if function != question.function:
        return Fault(f"answer to function {function & 0x7F}, asked {question.function}")
    if question.kind == "identity":
        return _identity_fault(pdu)
    if len(pdu) == question.length and pdu.startswith(question.start):
        return None
    return Fault(_difference(question, pdu))


def objects_of(pdu: bytes) -> tuple[dict[int, bytes], int | None]:
    """Identification objects of a good answer and the object to ask for next, None when that was all."""
    answer = DecodePDU(False).decode(pdu)
    assert isinstance(answer, ReadDeviceInformationResponse)
    return dict(answer.information), answer.next_object_id if answer.more_follows else None


def bits_of(pdu: bytes) -> int:
    """The bits of a good answer to `read_bits`, the first as bit 0; what fills up the last byte is kept."""
    return int.from_bytes(pdu[2:], "little")


def values_of(pdu: bytes) -> tuple[int, ...]:
    """The registers of a good answer to `read_registers`."""
    return tuple(int.from_bytes(pdu[at : at + 2]) for at in range(2, len(pdu), 2))


def _identity_fault(pdu: bytes) -> Fault | None:
    answer = DecodePDU(False).decode(pdu)
    if not isinstance(answer, ReadDeviceInformationResponse) or answer.read_code != 1:
        return Fault(f"identification that cannot be decoded: {pdu.hex(' ')}")
    objects = answer.information
    sound = all(isinstance(value, bytes) for value in objects.values())  # a list where a number comes twice
    said = [bytes([number, len(value)]) + value for number, value in objects.items()] if sound else []
    if b"".join(said) != pdu[7:]:  # the decoder cuts a value that is shorter than it says
        return Fault(f"identification whose objects do not fill it: {pdu.hex(' ')}")
    if answer.number_of_objects != len(objects):
        return Fault(f"identification with {len(objects)} objects that says {answer.number_of_objects}")
    return None


def _refusal(pdu: bytes) -> Fault:
    answer = DecodePDU(False).decode(pdu)
    if len(pdu) != 2 or not isinstance(answer, ExceptionResponse):
        return Fault(f"malformed exception answer {pdu.hex(' ')}")
    code = int(answer.exception_code)
    if not code:
        return Fault("exception answer with code 0, which means nothing")
    return Fault(EXCEPTIONS.get(code, ("a code of its own", ""))[0], code)


def _difference(question: Question, pdu: bytes) -> str:
    if question.kind == "echo":
        return f"write echo {pdu.hex(' ')} instead of {question.start.hex(' ')}"
    wanted = question.start[1]
    if pdu[1] != wanted:
        return f"byte count {pdu[1]} instead of {wanted}"
    return f"{len(pdu) - 2} data bytes instead of {wanted}"


def _reading(name: str, kind: Kind, request: ModbusPDU, data_bytes: int) -> Question:
    pdu = _pdu(request)
    return Question(name, kind, request.dev_id, pdu, pdu[:1] + bytes([data_bytes]), 2 + data_bytes)


def _writing(name: str, request: ModbusPDU) -> Question:
    pdu = _pdu(request)
    return Question(name, "echo", request.dev_id, pdu, pdu[:5], 5)  # address and value or quantity come back


def _pdu(request: ModbusPDU) -> bytes:
    return bytes([request.function_code]) + request.encode()


def _check_span(function: int, address: int, count: int) -> None:
    most = MOST.get(function, 1)
    if not 1 <= count <= most:
        raise ValueError(f"{count} at once with function {function}: 1 to {most} are allowed")
    if not 0 <= address <= 0x10000 - count:
        raise ValueError(f"addresses {_span(address, count)}: 0 to 65535 are allowed")


def _check_values(values: Sequence[int]) -> None:
    for value in values:
        if not 0 <= value <= 0xFFFF:
            raise ValueError(f"register value {value}: 0 to 65535 are allowed")


def _span(address: int, count: int) -> str:
    return str(address) if count == 1 else f"{address} to {address + count - 1}"
