"""Quantities: the closed grammar, every refusal in one sentence, and the way back to text."""

from __future__ import annotations

import math
import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.units import (
    CURRENT,
    DIMENSIONS,
    INDUCTANCE,
    RESISTANCE,
    TEMPERATURE,
    TIME,
    VOLTAGE,
    Dimension,
    parse,
    parse_count,
    show,
)

READ = [
    ("72 V", VOLTAGE, 72.0),
    ("72V", VOLTAGE, 72.0),
    ("0 V", VOLTAGE, 0.0),
    ("35 mV", VOLTAGE, 0.035),
    ("1.5 kV", VOLTAGE, 1500.0),
    ("0.1 ms", TIME, 0.0001),
    ("250 us", TIME, 0.00025),
    ("28 ms", TIME, 0.028),
    ("10 s", TIME, 10.0),
    ("2.5 min", TIME, 150.0),
    ("50 mohm", RESISTANCE, 0.05),
    ("900 ohm", RESISTANCE, 900.0),
    ("1.2 kohm", RESISTANCE, 1200.0),
    ("2 Mohm", RESISTANCE, 2e6),
    ("1.2 k\u03a9", RESISTANCE, 1200.0),
    ("60 \u2126", RESISTANCE, 60.0),
    ("30 mH", INDUCTANCE, 0.03),
    ("4 H", INDUCTANCE, 4.0),
    ("20 mA", CURRENT, 0.02),
    ("6 A", CURRENT, 6.0),
    ("-10 C", TEMPERATURE, -10.0),
    ("20.5 C", TEMPERATURE, 20.5),
]


@pytest.mark.parametrize(("text", "dimension", "value"), READ, ids=[row[0] for row in READ])
def test_reads(text: str, dimension: Dimension, value: float) -> None:
    assert parse(text, dimension) == value
    assert re.fullmatch(dimension.pattern, text)


OHMS = "a resistance in mohm, ohm, kohm or Mohm"
VOLTS = "expected a voltage in mV, V or kV"
REFUSED = [
    ("72", VOLTAGE, "'72' has no unit; expected a voltage such as '72 V'"),
    ("0,5 V", VOLTAGE, "'0,5 V' has a decimal comma; write a decimal point as in '0.5'"),
    ("1,000 V", VOLTAGE, "'1,000 V' has a decimal comma; write a decimal point as in '0.5'"),
    ("nan V", VOLTAGE, "'nan V' is not a quantity; expected a voltage such as '72 V'"),
    ("inf V", VOLTAGE, "'inf V' is not a quantity; expected a voltage such as '72 V'"),
    ("-inf ms", TIME, "'-inf ms' is not a quantity; expected a time such as '20 ms'"),
    ("", VOLTAGE, "'' is not a quantity; expected a voltage such as '72 V'"),
    ("V", VOLTAGE, "'V' is not a quantity; expected a voltage such as '72 V'"),
    ("V 72", VOLTAGE, "'V 72' is not a quantity; expected a voltage such as '72 V'"),
    (" 72 V", VOLTAGE, "' 72 V' is not a quantity; expected a voltage such as '72 V'"),
    ("72 V ", VOLTAGE, f"'72 V ' has an unknown unit; {VOLTS}"),
    ("72  V", VOLTAGE, "'72  V' has more than one space before its unit; write one or none"),
    ("72\tV", VOLTAGE, f"'72\\tV' has an unknown unit; {VOLTS}"),
    ("72\u00a0V", VOLTAGE, f"'72\\xa0V' has an unknown unit; {VOLTS}"),
    ("\u0667\u0662 V", VOLTAGE, "'\u0667\u0662 V' is not a quantity; expected a voltage such as '72 V'"),
    ("1e3 V", VOLTAGE, "'1e3 V' has an exponent; write the digits out or use a larger unit"),
    ("1E-3 V", VOLTAGE, "'1E-3 V' has an exponent; write the digits out or use a larger unit"),
    ("+5 V", VOLTAGE, "'+5 V' has a plus sign; leave it out"),
    ("-5 V", VOLTAGE, "'-5 V' is negative; a voltage here is zero or more"),
    ("-0 V", VOLTAGE, "'-0 V' is negative; a voltage here is zero or more"),
    ("010 V", VOLTAGE, "'010 V' starts with a zero; leave the leading zero out"),
    (".5 V", VOLTAGE, "'.5 V' is not a number; expected a voltage such as '72 V'"),
    ("5. V", VOLTAGE, "'5. V' is not a number; expected a voltage such as '72 V'"),
    ("1.2.3 V", VOLTAGE, "'1.2.3 V' is not a number; expected a voltage such as '72 V'"),
    ("--5 V", VOLTAGE, "'--5 V' is not a number; expected a voltage such as '72 V'"),
    ("9" * 31 + " V", VOLTAGE, f"'{'9' * 31} V' has more than 30 digits; no quantity needs them"),
    ("5 ms", VOLTAGE, "'5 ms' is a time; expected a voltage in mV, V or kV"),
    ("72 V", RESISTANCE, "'72 V' is a voltage; expected a resistance in mohm, ohm, kohm or Mohm"),
    ("4 H", TIME, "'4 H' is an inductance; expected a time in us, ms, s or min"),
    ("5 C", CURRENT, "'5 C' is a temperature; expected a current in mA or A"),
    ("5 A", INDUCTANCE, "'5 A' is a current; expected an inductance in mH or H"),
    ("5 A", TEMPERATURE, "'5 A' is a current; expected a temperature in C"),
    ("72 v", VOLTAGE, f"'72 v' has an unknown unit; {VOLTS}; did you mean V?"),
    (
        "2 mOhm",
        RESISTANCE,
        f"'2 mOhm' has an unknown unit; expected {OHMS}; did you mean mohm or Mohm?",
    ),
    ("5 W", VOLTAGE, f"'5 W' has an unknown unit; {VOLTS}"),
    ("5 h", TIME, "'5 h' has an unknown unit; expected a time in us, ms, s or min"),
    ("5 V/s", VOLTAGE, f"'5 V/s' has an unknown unit; {VOLTS}"),
]


@pytest.mark.parametrize(
    ("text", "dimension", "message"), REFUSED, ids=[row[0] or "empty" for row in REFUSED]
)
def test_refuses_in_one_sentence(text: str, dimension: Dimension, message: str) -> None:
    with pytest.raises(ValueError, match=r".") as caught:
        parse(text, dimension)
    assert str(caught.value) == message
    if not text.startswith("9"):  # editors need not count digits
        assert not re.fullmatch(dimension.pattern, text)


def test_a_long_text_is_shortened() -> None:
    with pytest.raises(ValueError, match=r"^'x{54}\.\.\.' is not a quantity"):
        parse("x" * 10_000, VOLTAGE)


COUNTS = [("0", 0), ("5", 5), ("999999999", 999_999_999)]
NOT_COUNTS = ["", "-1", "+1", "1.0", "1e3", "010", "5 V", "1000000000", "\u0665", "five", " 5"]


@pytest.mark.parametrize(("text", "value"), COUNTS)
def test_counts(text: str, value: int) -> None:
    assert parse_count(text) == value


@pytest.mark.parametrize("text", NOT_COUNTS)
def test_what_is_no_count(text: str) -> None:
    with pytest.raises(ValueError, match=r".") as caught:
        parse_count(text)
    assert str(caught.value) == f"{text!r} is not a count; expected a whole number such as 5, without a unit"


SHOWN = [
    (0.028, TIME, "28 ms"),
    (0.0, TIME, "0 s"),
    (0.001, TIME, "1 ms"),
    (0.0009999996, TIME, "1 ms"),
    (0.000999, TIME, "999 us"),
    (1e-7, TIME, "0.1 us"),
    (90.0, TIME, "90 s"),
    (72.0, VOLTAGE, "72 V"),
    (1500.0, VOLTAGE, "1.5 kV"),
    (1 / 3, VOLTAGE, "333.333 mV"),
    (1234567.0, RESISTANCE, "1.23457 Mohm"),
    (1200.0, RESISTANCE, "1.2 kohm"),
    (-10.0, TEMPERATURE, "-10 C"),
    (-0.5, TEMPERATURE, "-0.5 C"),
    (1000.0, CURRENT, "1000 A"),
]


@pytest.mark.parametrize(("value", "dimension", "text"), SHOWN, ids=[row[2] for row in SHOWN])
def test_shows(value: float, dimension: Dimension, text: str) -> None:
    assert show(value, dimension) == text


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_not_shown(value: float) -> None:
    with pytest.raises(ValueError, match=r"cannot be shown as a voltage$"):
        show(value, VOLTAGE)


def test_fewer_digits_on_request() -> None:
    assert show(0.0030807, TIME, 3) == "3.08 ms"


@given(st.sampled_from(DIMENSIONS), st.floats(1e-9, 1e9), st.integers(1, 15))
def test_what_is_shown_reads_back_within_the_stated_digits(
    dimension: Dimension, value: float, digits: int
) -> None:
    back = parse(show(value, dimension, digits), dimension)
    assert math.isclose(back, value, rel_tol=10.0 ** (1 - digits))


@given(st.sampled_from(DIMENSIONS), st.integers(0, 999_999), st.integers(0, 4), st.data())
def test_what_is_written_is_the_nearest_float(
    dimension: Dimension, digits: int, point: int, data: st.DataObject
) -> None:
    unit = data.draw(st.sampled_from(sorted(dimension.units)))
    number = Decimal(digits).scaleb(-point)
    assert parse(f"{number:f} {unit}", dimension) == float(number * dimension.units[unit])


@given(
    st.sampled_from(DIMENSIONS), st.text(alphabet="0123456789.,-+eE \tmkMusVAHohminCnaf\u03a9", max_size=12)
)
def test_any_text_is_a_finite_value_or_one_sentence(dimension: Dimension, text: str) -> None:
    try:
        value = parse(text, dimension)
    except ValueError as error:
        value, message = 0.0, str(error)
    else:
        message = "read"
        assert re.fullmatch(dimension.pattern, text)
    assert math.isfinite(value)
    assert message
    assert "\n" not in message
