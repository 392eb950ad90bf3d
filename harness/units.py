"""Quantities as people write them: a number and a unit from a closed list, to SI floats and back.

Grammar: `NUMBER UNIT`, with one space or none between them. NUMBER is digits with an optional minus and an
optional decimal point between digits: `72 V`, `0.5 ms`, `1.2kohm`, `-10 C`. Refused, each with its reason: a
number without its unit, a decimal comma, an exponent (`1e3`), `nan`, `inf`, leading zeros (`010`), a plus
sign, a unit of another dimension, a unit in the wrong case (`mohm` and `Mohm` are a factor of 10^9 apart).

The arithmetic is the standard library's `decimal`, so `0.1 ms` is the float nearest to 0.0001. A quantity
library stands nowhere here: quantiphy 2.23 was tried and reads `0,5 V` as 5 V, `3 min` as 3 milli-inches and
`1.2 Kohm` as kohm, and takes 17 ms to import (decimal: 3 ms); all that it would leave to do is this list.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from harness.wording import either, quoted, with_article

_OHM_SIGNS = ("\N{GREEK CAPITAL LETTER OMEGA}", "\N{OHM SIGN}")
_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?", re.ASCII)
_SPLIT = re.compile(r"(?P<number>[-+0-9.,]*[0-9.,](?:[eE][-+]?[0-9]+)?)(?P<space> *)(?P<unit>.*)", re.ASCII)
_MAX_DIGITS = 30


@dataclass(frozen=True, slots=True)
class Dimension:
    """A kind of quantity. `units` maps each allowed unit to its size in the SI unit; `shown` are those that
    `show` picks from, smallest first."""

    name: str
    units: dict[str, Decimal]
    shown: tuple[str, ...]
    example: str
    signed: bool = False

    @property
    def pattern(self) -> str:
        """The grammar as a regular expression for editors (JSON Schema)."""
        sign = "-?" if self.signed else ""
        number = rf"{sign}(0|[1-9][0-9]*)(\.[0-9]+)?"
        return f"^{number} ?({'|'.join(self.units)})$"


def _sizes(**sizes: str) -> dict[str, Decimal]:
    return {unit: Decimal(size) for unit, size in sizes.items()}


def _with_signs(sizes: dict[str, Decimal]) -> dict[str, Decimal]:
    signs = {unit.replace("ohm", sign): size for unit, size in sizes.items() for sign in _OHM_SIGNS}
    return sizes | signs


VOLTAGE = Dimension("voltage", _sizes(mV="1e-3", V="1", kV="1e3"), ("mV", "V", "kV"), "72 V")
TIME = Dimension("time", _sizes(us="1e-6", ms="1e-3", s="1", min="60"), ("us", "ms", "s"), "20 ms")
RESISTANCE = Dimension(
    "resistance",
    _with_signs(_sizes(mohm="1e-3", ohm="1", kohm="1e3", Mohm="1e6")),
    ("mohm", "ohm", "kohm", "Mohm"),
    "900 ohm",
)
INDUCTANCE = Dimension("inductance", _sizes(mH="1e-3", H="1"), ("mH", "H"), "4 H")
CURRENT = Dimension("current", _sizes(mA="1e-3", A="1"), ("mA", "A"), "6 A")
TEMPERATURE = Dimension("temperature", _sizes(C="1"), ("C",), "20 C", signed=True)
DIMENSIONS = (VOLTAGE, TIME, RESISTANCE, INDUCTANCE, CURRENT, TEMPERATURE)


def parse(text: str, dimension: Dimension) -> float:
    """The SI value (volts, seconds, ohms, henries, amperes; degrees Celsius) of a quantity as written.

    Raises ValueError with one sentence: what was found, what is expected.
    """
    found = _SPLIT.fullmatch(text)
    if not found:
        raise ValueError(
            f"{quoted(text)} is not a quantity; expected {_a(dimension)} such as {_like(dimension)}"
        )
    number, unit = _number(found["number"], text, dimension), found["unit"]
    if not unit:
        raise ValueError(f"{quoted(text)} has no unit; expected {_a(dimension)} such as {_like(dimension)}")
    if unit not in dimension.units:
        raise ValueError(_wrong_unit(text, unit, dimension))
    if len(found["space"]) > 1:
        raise ValueError(f"{quoted(text)} has more than one space before its unit; write one or none")
    if number.is_signed() and not dimension.signed:
        raise ValueError(f"{quoted(text)} is negative; {_a(dimension)} here is zero or more")
    return float(number * dimension.units[unit])


def parse_count(text: str) -> int:
    """A whole number without a unit, zero or more, no leading zeros. Raises ValueError."""
    if not re.fullmatch(r"0|[1-9][0-9]{0,8}", text, re.ASCII):
        raise ValueError(f"{quoted(text)} is not a count; expected a whole number such as 5, without a unit")
    return int(text)


def show(value: float, dimension: Dimension, digits: int = 6) -> str:
    """A finite SI value as text in the unit that gives the fewest zeros: 0.028 s as `28 ms`.

    Rounded to `digits` significant digits, so that `parse(show(x))` is x within one part in 10^(digits - 1).
    """
    exact = Decimal(repr(value))
    if not exact.is_finite():
        raise ValueError(f"{value} cannot be shown as {_a(dimension)}")
    if exact.is_zero():
        return f"0 {_si_unit(dimension)}"
    rounded = Decimal(f"{exact:.{digits - 1}e}")
    sizes = [(unit, dimension.units[unit]) for unit in dimension.shown]
    unit, size = next((pair for pair in reversed(sizes) if abs(rounded) >= pair[1]), sizes[0])
    return f"{_plain(rounded / size)} {unit}"


def _plain(number: Decimal) -> str:
    text = f"{number:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _si_unit(dimension: Dimension) -> str:
    return next(unit for unit, size in dimension.units.items() if size == 1)


def _number(number: str, text: str, dimension: Dimension) -> Decimal:
    if "," in number:
        raise ValueError(f"{quoted(text)} has a decimal comma; write a decimal point as in '0.5'")
    if "e" in number.lower():
        raise ValueError(f"{quoted(text)} has an exponent; write the digits out or use a larger unit")
    if number.startswith("+"):
        raise ValueError(f"{quoted(text)} has a plus sign; leave it out")
    if re.match(r"-?0[0-9]", number):
        raise ValueError(f"{quoted(text)} starts with a zero; leave the leading zero out")
    if not _NUMBER.fullmatch(number):
        raise ValueError(
            f"{quoted(text)} is not a number; expected {_a(dimension)} such as {_like(dimension)}"
        )
    if len(number) > _MAX_DIGITS:
        raise ValueError(f"{quoted(text)} has more than {_MAX_DIGITS} digits; no quantity needs them")
    return Decimal(number)


def _wrong_unit(text: str, unit: str, dimension: Dimension) -> str:
    allowed = either([unit for unit in dimension.units if not unit.endswith(_OHM_SIGNS)])
    for other in DIMENSIONS:
        if unit in other.units:
            return f"{quoted(text)} is {_a(other)}; expected {_a(dimension)} in {allowed}"
    same = [known for known in dimension.units if known.casefold() == unit.casefold()]
    hint = f"; did you mean {either(same)}?" if same else ""
    return f"{quoted(text)} has an unknown unit; expected {_a(dimension)} in {allowed}{hint}"


def _like(dimension: Dimension) -> str:
    return f"'{dimension.example}'"


def _a(dimension: Dimension) -> str:
    return with_article(dimension.name)
