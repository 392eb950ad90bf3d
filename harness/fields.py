"""The kinds of value that files hold, as pydantic types over text: quantities, counts, names, ranges.

Each type says in its JSON schema what an editor may offer. An editor's own YAML reader turns `1` into a
number and `true` into a truth value where ours keeps the text, so a name may be any of these in a schema.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BeforeValidator,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    WithJsonSchema,
)
from pydantic_core import CoreSchema, core_schema

from harness import units
from harness.wording import listed, quoted, with_article

_SCALAR = {"type": ["string", "number", "boolean"]}


@dataclass(frozen=True)
class Read:
    """Pydantic annotation: `reader` turns the file's value into the field's, `schema` is what editors see."""

    reader: Callable[[object], object]
    schema: dict[str, Any] = field(hash=False)

    def __get_pydantic_core_schema__(self, source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        del source, handler
        return core_schema.no_info_plain_validator_function(self.reader)

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        del core, handler
        return dict(self.schema)


def _text(value: object, expected: str) -> str:
    if not isinstance(value, str):
        raise ValueError(f"found {quoted(value)}; expected {expected}")  # noqa: TRY004 - what pydantic collects
    return value


def _quantity(dimension: units.Dimension, *, zero: bool = True) -> Read:
    """Text with a unit to an SI float; `zero` says whether 0 is allowed."""
    expected = f"{with_article(dimension.name)} such as '{dimension.example}'"

    def read(value: object) -> float:
        number = units.parse(_text(value, expected), dimension)
        if number == 0 and not zero:
            raise ValueError(f"{quoted(value)} is zero; expected {expected}")
        return number

    return Read(read, {"type": "string", "pattern": dimension.pattern, "examples": [dimension.example]})


def _read_text(value: object) -> str:
    return _text(value, "text")


def _read_count(value: object) -> int:
    return units.parse_count(_text(value, "a whole number such as 5"))


def _read_suppression(value: object) -> tuple[str, float]:
    if value in ("none", "diode"):
        return str(value), 0.0
    expected = "none, diode or the resistance of a resistor such as '1.2 kohm'"
    try:
        return "resistor", units.parse(_text(value, expected), units.RESISTANCE)
    except ValueError:
        raise ValueError(f"found {quoted(value)}; expected {expected}") from None


def _read_flag(value: object) -> bool:
    if value not in ("true", "false"):
        raise ValueError(f"found {quoted(value)}; expected true or false")
    return value == "true"


def _named(what: str, pattern: str, example: str) -> Read:
    """Text that matches `pattern` whole."""
    shape = re.compile(pattern, re.ASCII)

    def read(value: object) -> str:
        if not isinstance(value, str) or not shape.fullmatch(value):
            raise ValueError(f"{quoted(value)} is no {what}; expected {example}")
        return value

    return Read(read, {"type": ["string", "number"], "pattern": f"^(?:{pattern})$"})


def _pair(value: object) -> object:
    if not isinstance(value, list) or len(value) != 2:
        found = f"a list of {len(value)}" if isinstance(value, list) else quoted(value)
        cut = isinstance(value, list) and any(isinstance(end, str) and end.isdecimal() for end in value)
        hint = "; write a decimal point, not a comma" if cut else ""
        raise ValueError(f"found {found}; expected a range, lowest and highest, such as [15 ms, 35 ms]{hint}")
    return tuple(value)


def two_terminals(value: object) -> object:
    """For BeforeValidator: a list of two terminals."""
    if not isinstance(value, list) or len(value) != 2:
        found = f"a list of {len(value)}" if isinstance(value, list) else quoted(value)
        raise ValueError(f"found {found}; expected two terminals such as [X1:6, X1:7]")
    return tuple(value)


def _read_imitated(value: object) -> tuple[str, str]:
    if not isinstance(value, str) or not re.fullmatch(_IMITATED, value, re.ASCII):
        raise ValueError(f"{quoted(value)} is no contact of a device; expected TAG.CONTACT such as S1.13-14")
    tag, _, contact = value.partition(".")
    return tag, contact


def _in_order(pair: tuple[float, float]) -> tuple[float, float]:
    if pair[0] > pair[1]:
        raise ValueError("a range that runs backwards; write the lower value first")
    return pair


def _unique(names: tuple[str, ...]) -> tuple[str, ...]:
    twice = [quoted(name) for name, count in Counter(names).items() if count > 1]
    if twice:
        raise ValueError(f"{listed(twice)} {'stands' if len(twice) == 1 else 'stand'} in the list twice")
    return names


def _some(names: tuple[str, ...]) -> tuple[str, ...]:
    if not names:
        raise ValueError("an empty list; expected at least one entry")
    return names


FormatOne = Annotated[Literal["1"], WithJsonSchema({"enum": [1, "1"]})]
Text = Annotated[str, Read(_read_text, _SCALAR)]
Count = Annotated[
    int,
    Read(_read_count, {"type": ["integer", "string"], "minimum": 0, "pattern": "^(0|[1-9][0-9]*)$"}),
]
Flag = Annotated[bool, Read(_read_flag, {"enum": [True, False, "true", "false"]})]

_TAG = "[0-9]*[A-Za-z][A-Za-z0-9_]{0,15}"
_NUMBER = "[A-Za-z0-9]{1,8}"
Name = Annotated[
    str, Read(_named("name", r"\S(?:[ -~]{0,78}\S)?", "one line of at most 80 characters").reader, _SCALAR)
]
Position = Annotated[
    str,
    Read(_named("position", r"[^\s=,](?:[^\n\r=,]{0,38}[^\s=,])?", "a word without = and ,").reader, _SCALAR),
]
Tag = Annotated[str, _named("tag", _TAG, "letters and digits such as K1 or S12")]
Pole = Annotated[str, _named("supply pole", "[A-Za-z0-9_]{1,16}[-+]?", "a name such as L+, L- or PE")]
Terminal = Annotated[
    str,
    _named(
        "terminal",
        f"{_TAG}:{_NUMBER}|[A-Za-z0-9_]{{1,16}}[-+]?",
        "TAG:NUMBER such as K1:13, or a supply pole",
    ),
]
PairName = Annotated[str, _named("contact", f"{_NUMBER}-{_NUMBER}", "two terminal numbers such as 13-14")]
_IMITATED = rf"{_TAG}\.{_NUMBER}-{_NUMBER}"
Imitated = Annotated[tuple[str, str], Read(_read_imitated, {"type": "string", "pattern": f"^{_IMITATED}$"})]
ContactName = Annotated[
    str,
    _named("contact", f"{_NUMBER}-{_NUMBER}(?:-{_NUMBER})?", "terminal numbers such as 13-14 or 31-32-34"),
]
OnOff = Literal["on", "off"]
State = Literal["on", "off", "either"]

Volts = Annotated[float, _quantity(units.VOLTAGE)]
Seconds = Annotated[float, _quantity(units.TIME)]
Ohms = Annotated[float, _quantity(units.RESISTANCE)]
Henries = Annotated[float, _quantity(units.INDUCTANCE)]
Amperes = Annotated[float, _quantity(units.CURRENT)]
Suppressed = Annotated[
    tuple[Literal["none", "diode", "resistor"], float],
    Read(
        _read_suppression,
        {"anyOf": [{"enum": ["none", "diode"]}, {"type": "string", "pattern": units.RESISTANCE.pattern}]},
    ),
]
SomeVolts = Annotated[float, _quantity(units.VOLTAGE, zero=False)]
SomeSeconds = Annotated[float, _quantity(units.TIME, zero=False)]
SomeOhms = Annotated[float, _quantity(units.RESISTANCE, zero=False)]
SomeHenries = Annotated[float, _quantity(units.INDUCTANCE, zero=False)]
SomeAmperes = Annotated[float, _quantity(units.CURRENT, zero=False)]
VoltRange = Annotated[tuple[SomeVolts, SomeVolts], BeforeValidator(_pair), AfterValidator(_in_order)]
TimeRange = Annotated[tuple[Seconds, Seconds], BeforeValidator(_pair), AfterValidator(_in_order)]
Names = Annotated[tuple[Name, ...], AfterValidator(_unique)]
Positions = Annotated[tuple[Position, ...], AfterValidator(_unique), AfterValidator(_some)]
