"""Frames of Modbus on a serial line: the checksum, and how long a request or an answer must be. Pure.

An RTU frame carries no length: where it ends follows from its function, and on the wire from a silence.
Sources: MODBUS over Serial Line V1.02 ("SL"), 2.5.1 and 6.2.2; MODBUS Application Protocol V1.1b3 ("AP"), 6.
"""

from __future__ import annotations

LARGEST = 256  # unit 1, PDU at most 253, checksum 2 (SL 2.5.1)
SMALLEST = 4
REFUSAL = 5  # unit, function + 80h, exception code, checksum
_READS, _SHORT_WRITES, _LONG_WRITES, _IDENTIFY = (1, 2, 3, 4), (5, 6), (15, 16), 43
_OBJECTS = 8  # where the identification objects begin: unit, 43, 14, code, conformity, more, next, number


def _table() -> tuple[int, ...]:
    """The checksum's step for each byte: eight shifts right, x^16 + x^15 + x^2 + 1 mirrored is A001h."""
    steps = []
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
        steps.append(value)
    return tuple(steps)


_STEPS = _table()


def crc16(data: bytes) -> bytes:
    """The checksum over `data` as it is sent: two bytes, low byte first."""
    value = 0xFFFF
    for byte in data:
        value = value >> 8 ^ _STEPS[(value ^ byte) & 0xFF]
    return value.to_bytes(2, "little")


def sealed(data: bytes) -> bytes:
    """Unit and PDU with their checksum: a whole frame."""
    return data + crc16(data)


def sound(frame: bytes) -> bool:
    """Whether `frame` is as long as a frame may be and its checksum is right."""
    return SMALLEST <= len(frame) <= LARGEST and crc16(frame[:-2]) == frame[-2:]


def request_size(data: bytes) -> int:
    """Length of the request that begins with `data`; 0 while that is not known yet.

    Raises ValueError for a function whose requests have no length that is known here.
    """
    if len(data) < 2:
        return 0
    function = data[1]
    if function in _READS + _SHORT_WRITES:
        return 8
    if function in _LONG_WRITES:
        return 9 + data[6] if len(data) > 6 else 0
    if function == _IDENTIFY:
        return 7
    raise ValueError(f"function {function}: the length of a request is not known")


def answer_size(data: bytes) -> int:
    """Length of the answer that begins with `data`; 0 while that is not known yet.

    Raises ValueError for a function whose answers have no length that is known here.
    """
    if len(data) < 2:
        return 0
    function = data[1]
    if function & 0x80:
        return REFUSAL
    if function in _READS:
        return 5 + data[2] if len(data) > 2 else 0
    if function in _SHORT_WRITES + _LONG_WRITES:
        return 8
    if function == _IDENTIFY:
        return _identification_size(data)
    raise ValueError(f"function {function}: the length of an answer is not known")


def _identification_size(data: bytes) -> int:
    """AP 6.21: the number of objects, then each with its number and length; it grows as they come."""
    if len(data) < _OBJECTS:
        return 0
    end = _OBJECTS
    for _ in range(data[_OBJECTS - 1]):
        if len(data) < end + 2:
            return 0
        end += 2 + data[end + 1]
    return end + 2
