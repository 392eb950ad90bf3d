"""CRC values of serial-line frames against the library that will make them: what is sent, low byte first."""

from __future__ import annotations

import pytest
from pymodbus.framer import FramerRTU


@pytest.mark.parametrize(
    ("frame", "sent"),
    [
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
    ],
)
def test_crc_as_sent(frame: str, sent: str) -> None:
    assert FramerRTU.compute_CRC(bytes.fromhex(frame)).to_bytes(2, "big") == bytes.fromhex(sent)


def test_crc_of_the_digits() -> None:
    """Catalogued check value of this CRC over "123456789": 0x4B37, sent 37 4B."""
    assert FramerRTU.compute_CRC(b"123456789") == 0x374B
