"""How long characters and silences last on a Modbus serial line. Pure figures, in ns.

Source: MODBUS over Serial Line V1.02 ("SL"). A character is always 11 bits (SL 2.5.1: 8 data bits, and a
second stop bit stands in where there is no parity). Up to 19200 baud the silences follow the character;
above, SL 2.5.1.1 fixes them, to spare the devices' processors.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.clock import NS

_FIXED_ABOVE_BAUD = 19200
_FIXED_INSIDE_NS, _FIXED_BETWEEN_NS = 750_000, 1_750_000


def character_bits(byte: int, parity: str) -> tuple[int, ...]:
    """A character as sent: start bit, data from the lowest bit, parity or a second stop bit, stop bit."""
    data = tuple(byte >> place & 1 for place in range(8))
    odd = sum(data) % 2
    return (0, *data, {"even": odd, "odd": 1 - odd, "none": 1}[parity], 1)


BITS = len(character_bits(0, "even"))


@dataclass(frozen=True, slots=True)
class SerialTiming:
    """One character, the longest silence inside a frame (t1.5), the least between frames (t3.5)."""

    character_ns: int
    inside_ns: int
    between_ns: int


def serial_timing(baud: int) -> SerialTiming:
    """The figures at `baud`, rounded up to the ns: an emulation may be slower than a wire, never faster."""
    if baud > _FIXED_ABOVE_BAUD:
        return SerialTiming(_characters(2, baud), _FIXED_INSIDE_NS, _FIXED_BETWEEN_NS)
    return SerialTiming(_characters(2, baud), _characters(3, baud), _characters(7, baud))


def _characters(halves: int, baud: int) -> int:
    return -(-halves * BITS * NS // (2 * baud))
