"""Times of a serial line, against the printed figures of MODBUS over Serial Line V1.02 ("SL")."""

from __future__ import annotations

import pytest

from drivers.serial_timing import BITS, character_bits, serial_timing

# baud, character, t1.5, t3.5 in ms. SL 2.5.1.1 fixes the two silences above 19200. 1.71875 and 4.0104 at 9600
# are printed by makers; the others worked out by hand from 11 bits.
FIGURES = [
    (1200, 9.16667, 13.75000, 32.08333),
    (2400, 4.58333, 6.87500, 16.04167),
    (4800, 2.29167, 3.43750, 8.02083),
    (9600, 1.14583, 1.71875, 4.01042),
    (19200, 0.57292, 0.85938, 2.00521),
    (38400, 0.28646, 0.750, 1.750),
    (57600, 0.19097, 0.750, 1.750),
    (115200, 0.09549, 0.750, 1.750),
]


@pytest.mark.parametrize(
    ("baud", "character", "inside", "between"), FIGURES, ids=[str(f[0]) for f in FIGURES]
)
def test_times_at_a_baud(baud: int, character: float, inside: float, between: float) -> None:
    timing = serial_timing(baud)
    for is_ns, printed_ms in (
        (timing.character_ns, character),
        (timing.inside_ns, inside),
        (timing.between_ns, between),
    ):
        assert is_ns / 1e6 == pytest.approx(printed_ms, abs=6e-6)  # the figures have five decimals


@pytest.mark.parametrize("baud", [f[0] for f in FIGURES])
def test_never_faster_than_the_wire(baud: int) -> None:
    assert serial_timing(baud).character_ns * baud >= 11 * 1_000_000_000


@pytest.mark.parametrize(("parity", "bit"), [("even", 0), ("odd", 1)])
def test_parity_example(parity: str, bit: int) -> None:
    """SL 2.6.1: 1100 0101 has four ones."""
    assert character_bits(0b1100_0101, parity) == (0, 1, 0, 1, 0, 0, 0, 1, 1, bit, 1)


def test_without_parity_a_second_stop_bit_keeps_eleven_bits() -> None:
    """SL 2.5.1."""
    assert character_bits(0, "none") == (0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1)
    assert BITS == 11


@pytest.mark.parametrize(("baud", "floor_ms"), [(19200, 12.03), (115200, 4.84)])
def test_least_time_of_a_poll_of_eight_inputs(baud: int, floor_ms: float) -> None:
    """Worked out by hand: 8 + 6 characters and two silences."""
    timing = serial_timing(baud)
    assert (14 * timing.character_ns + 2 * timing.between_ns) / 1e6 == pytest.approx(floor_ms, abs=0.005)
