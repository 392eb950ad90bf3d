"""Frames of the serial line against printed and catalogued values, and against a second implementation."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from drivers.rtu_frame import answer_size, crc16, request_size, sealed, sound

FRAMES = [
    # printed in MODBUS over Serial Line V1.02, 6.2.2
    ("02 07", "41 12"),
    # a public test vector
    ("11 03 00 6B 00 03", "76 87"),
    # recomputed by hand-written division from the polynomial x^16 + x^15 + x^2 + 1
    ("11 01 00 13 00 25", "0E 84"),
    ("11 01 00 13 00 13", "8E 92"),
    ("11 02 00 C4 00 16", "BA A9"),
    ("11 04 00 08 00 01", "B2 98"),
    ("11 05 00 AC FF 00", "4E 8B"),
    ("11 06 00 01 00 03", "9A 9B"),
    ("11 0F 00 13 00 0A 02 CD 01", "BF 0B"),
    ("11 10 00 01 00 02 04 00 0A 01 02", "C6 F0"),
    ("0A 01 04 A1 00 01", "AC 63"),
    ("0A 81 02", "B0 53"),
    ("01 03 00 00 00 01", "84 0A"),
]


@pytest.mark.parametrize(("frame", "sent"), FRAMES)
def test_checksum_as_sent(frame: str, sent: str) -> None:
    data, wanted = bytes.fromhex(frame), bytes.fromhex(sent)
    assert crc16(data) == wanted
    assert sealed(data) == data + wanted
    assert FramerRTU.compute_CRC(data).to_bytes(2, "big") == wanted


def test_checksum_of_the_digits() -> None:
    """Catalogued check value of this checksum over "123456789": 0x4B37, sent 37 4B."""
    assert crc16(b"123456789") == bytes.fromhex("37 4B")


@given(st.binary(max_size=254))
def test_checksum_agrees_with_the_library(data: bytes) -> None:
    assert int.from_bytes(crc16(data), "big") == FramerRTU.compute_CRC(data)


@given(st.binary(min_size=2, max_size=40), st.integers(0, 335))
def test_every_single_flipped_bit_is_seen(data: bytes, place: int) -> None:
    frame = bytearray(sealed(data))
    assert sound(bytes(frame))
    place %= 8 * len(frame)
    frame[place // 8] ^= 1 << place % 8
    assert not sound(bytes(frame))


@pytest.mark.parametrize("data", [b"", b"\1", b"\xff\xff", b"\1\xbf\x40", sealed(bytes(255))])
def test_what_is_too_short_or_too_long_is_not_sound(data: bytes) -> None:
    assert not sound(data)


@pytest.mark.parametrize(
    ("frame", "known_from"),
    [(frame, 7 if frame[3:5] in ("0F", "10") else 2) for frame, _ in FRAMES[1:11]] + [("01 2B 0E 01 00", 2)],
)
def test_size_of_a_request(frame: str, known_from: int) -> None:
    whole = sealed(bytes.fromhex(frame))
    sizes = [request_size(whole[:count]) for count in range(len(whole) + 1)]
    assert sizes == known_from * [0] + (len(whole) + 1 - known_from) * [len(whole)]


@pytest.mark.parametrize(
    ("frame", "known_from"),
    [
        ("11 01 03 CD 6B 05", 3),
        ("11 02 03 AC DB 35", 3),
        ("11 03 06 02 2B 00 00 00 64", 3),
        ("11 04 02 00 0A", 3),
        ("11 05 00 AC FF 00", 2),
        ("11 06 00 01 00 03", 2),
        ("11 0F 00 13 00 0A", 2),
        ("11 10 00 01 00 02", 2),
        ("0A 81 02", 2),
        ("0A FF 02", 2),
        # AP 6.21: three objects of 1, 2 and 0 bytes
        ("01 2B 0E 01 81 00 00 03 00 01 41 01 02 42 43 02 00", 17),
        ("01 2B 0E 01 81 00 00 00", 8),
    ],
)
def test_size_of_an_answer(frame: str, known_from: int) -> None:
    whole = sealed(bytes.fromhex(frame))
    sizes = [answer_size(whole[:count]) for count in range(len(whole) + 1)]
    assert sizes == known_from * [0] + (len(whole) + 1 - known_from) * [len(whole)]


@pytest.mark.parametrize("function", [0, 7, 8, 17, 22, 23, 24, 99])
def test_size_with_another_function(function: int) -> None:
    for size in (request_size, answer_size):
        with pytest.raises(ValueError, match=f"function {function}: the length"):
            size(bytes([1, function]))
