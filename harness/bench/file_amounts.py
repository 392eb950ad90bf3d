"""Values of bench files about registers and watchdogs: amounts, shares, addresses, a time to trip in."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Annotated

from pydantic import AfterValidator

from harness.fields import Count, Read, SomeSeconds
from harness.units import CURRENT, TEMPERATURE, VOLTAGE, Dimension, parse
from harness.wording import either, quoted

HIGHEST_ADDRESS = 0xFFFF
LONGEST_TRIP_S = 60.0
AMOUNTS = {"V": VOLTAGE, "A": CURRENT, "C": TEMPERATURE}
_SIGNED = {unit: replace(dimension, signed=True) for unit, dimension in AMOUNTS.items()}
_UNSIGNED = {unit: replace(dimension, signed=False) for unit, dimension in AMOUNTS.items()}
_SHARE = Dimension("share", {"%": Decimal("0.01")}, ("%",), "5 %")
_EXPECTED = "a voltage, a current or a temperature such as '0.1 V'"


@dataclass(frozen=True, slots=True)
class Measured:
    """A value in its SI unit: V, A or C."""

    value: float
    unit: str


def _amount(dimensions: dict[str, Dimension], *, zero: bool) -> Read:
    def read(value: object) -> Measured:
        written = re.search("[A-Za-z]+$", value) if isinstance(value, str) else None
        for unit, dimension in dimensions.items():
            if written and written[0] in dimension.units:
                number = parse(str(value), dimension)
                if number == 0 and not zero:
                    break
                return Measured(number, unit)
        raise ValueError(f"found {quoted(value)}; expected {_EXPECTED}")

    patterns = [{"pattern": dimension.pattern} for dimension in dimensions.values()]
    return Read(read, {"type": "string", "anyOf": patterns, "examples": ["0.1 V"]})


def _read_share(value: object) -> float:
    share = parse(value, _SHARE) if isinstance(value, str) else 0.0
    if not 0 < share <= 0.5:
        raise ValueError(f"found {quoted(value)}; expected more than 0 % and at most 50 %")
    return share


def _address(number: int) -> int:
    if number > HIGHEST_ADDRESS:
        raise ValueError(f"found {number}; expected a register from 0 to {HIGHEST_ADDRESS}")
    return number


def _words(number: int) -> int:
    if number not in (1, 2):
        raise ValueError(f"found {number}; expected {either(['1', '2'])} registers")
    return number


def _each_once(channels: tuple[int, ...]) -> tuple[int, ...]:
    twice = [str(channel) for channel, count in Counter(channels).items() if count > 1]
    if twice:
        raise ValueError(f"output {', '.join(twice)} stands in the list twice")
    return channels


def _not_too_long(seconds: float) -> float:
    if seconds > LONGEST_TRIP_S:
        raise ValueError(f"found {seconds:g} s; expected at most {LONGEST_TRIP_S:g} s, or it protects nobody")
    return seconds


Amount = Annotated[Measured, _amount(_UNSIGNED, zero=False)]
SignedAmount = Annotated[Measured, _amount(_SIGNED, zero=True)]
Share = Annotated[float, Read(_read_share, {"type": "string", "pattern": _SHARE.pattern})]
Address = Annotated[Count, AfterValidator(_address)]
Registers = Annotated[Count, AfterValidator(_words)]
Channels = Annotated[tuple[Count, ...], AfterValidator(_each_once)]
TripTime = Annotated[SomeSeconds, AfterValidator(_not_too_long)]
