"""Frames of Modbus on TCP: seven bytes of header before unit and PDU. Pure.

Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b ("TG"), 3.1.3.
"""

from __future__ import annotations

HEADER = 7  # transaction 2, protocol 2, length 2, unit 1
LARGEST = 260  # 7 + a PDU of at most 253 bytes (MODBUS Application Protocol V1.1b3, 4.1)


def headed(unit: int, pdu: bytes, length: int | None = None) -> bytes:
    """A frame from its third byte on, after the transaction; `length` of the PDU where `pdu` is a part."""
    size = 1 + (len(pdu) if length is None else length)
    return b"\0\0" + size.to_bytes(2) + bytes([unit]) + pdu


def frame_size(data: bytes) -> int:
    """Length of the frame that begins with `data`; 0 while that is not known yet.

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
