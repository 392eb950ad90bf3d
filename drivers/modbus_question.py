"""Modbus questions prepared once, with the exact answer that each may get. Pure: bytes in, values out.

A question holds its request without the transaction identifier, and how a good answer must begin and how
long it must be. A write's good answer is known to the last byte; a read's up to its data. Whatever differs
is explained by `fault_of`, with pymodbus as the decoder. Sources: MODBUS Application Protocol V1.1b3 ("AP")
and MODBUS Messaging on TCP/IP Implementation Guide V1.0b ("TG").
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU, ExceptionResponse, ModbusPDU
from pymodbus.pdu import bit_message as bit
from pymodbus.pdu import register_message as register
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest, ReadDeviceInformationResponse

HEADER = 7  # MBAP: transaction 2, protocol 2, length 2, unit 1 (TG 3.1.3)
LARGEST = 260  # 7 + a PDU of at most 253 bytes (AP 4.1)
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
    """A request from its third byte on; the answer from its third byte on, and its full length in bytes.

    `size` 0: the length of a good answer is not known beforehand (identification).
    """

    name: str
    kind: Kind
    function: int
    tail: bytes
    head: bytes
    size: int

    @property
    def unit(self) -> int:
        return self.tail[4]


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
    return Question("identify", "identity", 43, _tail(request), b"", 0)


def frame_size(data: bytes) -> int:
    """Length of the answer that begins with `data`; 0 while that is not known yet.

    Raises ValueError for a header that no Modbus TCP answer has.
    """
    if len(data) >= 4 and data[2:4] != b"\0\0":
        raise ValueError(f"protocol identifier {int.from_bytes(data[2:4])} instead of 0")
    if len(data) < 6:
        return 0
    length = int.from_bytes(data[4:6])
    if not 3 <= length <= LARGEST - HEADER + 1:
        raise ValueError(f"length field {length} (3 to {LARGEST - HEADER + 1})")
    return HEADER - 1 + length


def fault_of(question: Question, transaction: int, frame: bytes) -> Fault | None:
    """What is wrong with a complete answer; None for a good one. `frame` has a header that is in order."""
    foreign = _foreign(question, transaction, frame)
    if foreign:
        return Fault(foreign)
    function, pdu = frame[HEADER], frame[HEADER:]
    if function == question.function | 0x80:
        return _refusal(pdu)
    if function != question.function:
        return Fault(f"answer to function {function & 0x7F}, asked {question.function}")
    if question.kind == "identity":
        return _identity_fault(frame)
    if len(frame) == question.size and frame.startswith(question.head, 2):
        return None
    return Fault(_difference(question, pdu))


def objects_of(frame: bytes) -> tuple[dict[int, bytes], int | None]:
    """Identification objects of a good answer and the object to ask for next, None when that was all."""
    answer = DecodePDU(False).decode(frame[HEADER:])
    assert isinstance(answer, ReadDeviceInformationResponse)
    return dict(answer.information), answer.next_object_id if answer.more_follows else None


def _identity_fault(frame: bytes) -> Fault | None:
    answer = DecodePDU(False).decode(frame[HEADER:])
    if not isinstance(answer, ReadDeviceInformationResponse) or answer.read_code != 1:
        return Fault(f"identification that cannot be decoded: {frame[HEADER:].hex(' ')}")
    objects = answer.information
    sound = all(isinstance(value, bytes) for value in objects.values())  # a list where a number comes twice
    said = [bytes([number, len(value)]) + value for number, value in objects.items()] if sound else []
    if b"".join(said) != frame[HEADER + 7 :]:  # the decoder cuts a value that is shorter than it says
        return Fault(f"identification whose objects do not fill it: {frame[HEADER:].hex(' ')}")
    if answer.number_of_objects != len(objects):
        return Fault(f"identification with {len(objects)} objects that says {answer.number_of_objects}")
    return None


def _foreign(question: Question, transaction: int, frame: bytes) -> str:
    answered = int.from_bytes(frame[:2])
    if answered != transaction:
        return f"answer to transaction {answered}, asked {transaction}: late or foreign"
    if frame[6] != question.unit:
        return f"answer from unit {frame[6]}, asked {question.unit}"
    return ""


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
        return f"write echo {pdu.hex(' ')} instead of {question.head[5:].hex(' ')}"
    wanted = question.head[6]
    if pdu[1] != wanted:
        return f"byte count {pdu[1]} instead of {wanted}"
    return f"{len(pdu) - 2} data bytes instead of {wanted}"


def _reading(name: str, kind: Kind, request: ModbusPDU, data_bytes: int) -> Question:
    tail = _tail(request)
    length = (3 + data_bytes).to_bytes(2)
    head = b"\0\0" + length + tail[4:6] + bytes([data_bytes])
    return Question(name, kind, request.function_code, tail, head, HEADER + 2 + data_bytes)


def _writing(name: str, request: ModbusPDU) -> Question:
    tail = _tail(request)
    head = b"\0\0\0\6" + tail[4:10]  # function, address and value or quantity come back as sent
    return Question(name, "echo", request.function_code, tail, head, HEADER + 5)


def _tail(request: ModbusPDU) -> bytes:
    return FramerSocket(DecodePDU(False)).buildFrame(request)[2:]


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
