"""Templates of text-line commands and replies: literal text with placeholders out of a closed list.

A template is data, never code: it is cut up by the scanner below, and neither `str.format` nor a regular
expression ever sees it. What a placeholder stands for is a field, bound when the template is made. A reply is
read from left to right and fits only as a whole: every literal, every digit, nothing before and nothing
behind. So a field must end by itself, or be followed by text that ends it; anything else is refused.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

from harness.wording import either, nearest_name, quoted

LONGEST = 200
_DIGITS = "0123456789ABCDEF"
_MOST_DIGITS = 600  # of a number that says itself how long it is; more than any board has channels
Value = int | str


class Field(Protocol):
    """What a placeholder stands for. `size`: its characters, None where they differ from value to value.

    `ends_with`: characters that it may go on with, so that text behind it must not begin with one of them;
    empty for a field that ends by itself, None for one that goes on to the text behind it, whatever that is.
    """

    @property
    def size(self) -> int | None: ...

    @property
    def ends_with(self) -> str | None: ...

    def write(self, value: Value) -> str: ...

    def read(self, text: str, at: int, until: str) -> tuple[Value, int] | None:
        """The value at `at`, and where it ends; None where there is none. `until`: the text behind it."""


@dataclass(frozen=True, slots=True)
class Number:
    """A whole number of `digits` digits with leading zeros, or, for 0, of as many as it needs.

    `upper`: which letters; `mirrored`: the first digit is the lowest one, as where channel 0 stands left.
    """

    base: int = 10
    digits: int = 0
    upper: bool = True
    mirrored: bool = False

    @property
    def size(self) -> int | None:
        return self.digits or None

    @property
    def ends_with(self) -> str | None:
        return "" if self.digits else self._alphabet

    @property
    def _alphabet(self) -> str:
        return _DIGITS[: self.base] if self.upper else _DIGITS[: self.base].lower()

    def write(self, value: Value) -> str:
        """Raises ValueError for a number that needs more digits than there are."""
        number, text = int(value), ""
        while number or not text:
            number, digit = divmod(number, self.base)
            text = self._alphabet[digit] + text
        if self.digits and len(text) > self.digits:
            raise ValueError(f"{value} does not fit into {self.digits} digits")
        text = text.rjust(self.digits, "0")
        return text[::-1] if self.mirrored else text

    def read(self, text: str, at: int, until: str) -> tuple[Value, int] | None:  # noqa: ARG002
        end = at
        while end < len(text) and end - at < (self.digits or _MOST_DIGITS) and text[end] in self._alphabet:
            end += 1
        found = text[at:end]
        wrong_size = len(found) != self.digits if self.digits else found[:1] in ("", "0") and found != "0"
        if wrong_size:
            return None
        value = 0
        for digit in reversed(found) if self.mirrored else found:
            value = value * self.base + self._alphabet.index(digit)
        return value, end


@dataclass(frozen=True, slots=True)
class Word:
    """One of two words; neither begins with the other."""

    on: str
    off: str

    @property
    def size(self) -> int | None:
        return len(self.on) if len(self.on) == len(self.off) else None

    @property
    def ends_with(self) -> str | None:
        return ""

    def write(self, value: Value) -> str:
        return self.on if value else self.off

    def read(self, text: str, at: int, until: str) -> tuple[Value, int] | None:  # noqa: ARG002
        for value, word in ((1, self.on), (0, self.off)):
            if text.startswith(word, at):
                return value, at + len(word)
        return None


@dataclass(frozen=True, slots=True)
class Words:
    """Any text, also none, up to the first place where what follows in the template stands."""

    @property
    def size(self) -> int | None:
        return None

    @property
    def ends_with(self) -> str | None:
        return None

    def write(self, value: Value) -> str:
        return str(value)

    def read(self, text: str, at: int, until: str) -> tuple[Value, int] | None:
        end = text.find(until, at) if until else len(text)
        return None if end < 0 else (text[at:end], end)


@dataclass(frozen=True, slots=True)
class Slot:
    """A placeholder in a template."""

    name: str
    field: Field


@dataclass(frozen=True, slots=True)
class Template:
    """Text and placeholders in turn. `names`: all placeholders, also those that are text by now."""

    parts: tuple[str | Slot, ...]
    names: frozenset[str]

    def write(self, values: Mapping[str, Value]) -> str:
        """The line, with a value for each placeholder. Raises ValueError for one that does not fit."""
        return "".join(
            part if isinstance(part, str) else part.field.write(values[part.name]) for part in self.parts
        )

    def read(self, line: str) -> dict[str, Value] | None:
        """The value of each placeholder; None where the line, as a whole, is not of this form."""
        found: dict[str, Value] = {}
        at = 0
        for part, behind in zip(self.parts, (*self.parts[1:], ""), strict=True):
            if isinstance(part, str):
                if not line.startswith(part, at):
                    return None
                at += len(part)
                continue
            taken = part.field.read(line, at, behind if isinstance(behind, str) else "")
            if taken is None:
                return None
            found[part.name], at = taken
        return found if at == len(line) else None


def parse(text: str, fields: Mapping[str, Field | str]) -> Template:
    """The template that a text means; a field that is a text already stands for itself.

    Raises ValueError with what is wrong, without saying where the text came from.
    """
    _check_text(text)
    names: set[str] = set()
    parts: list[str | Slot] = []
    for name, literal in _scan(text):
        if not name:
            _join(parts, literal)
            continue
        if name not in fields:
            raise ValueError(_unknown(name, fields))
        if name in names:
            raise ValueError(f"has {{{name}}} twice")
        names.add(name)
        field = fields[name]
        _join(parts, field if isinstance(field, str) else Slot(name, field))
    _check_ends(parts)
    return Template(tuple(parts), frozenset(names))


def may_be_same(one: Template, other: Template) -> bool:
    """Whether one line could be of both forms, as far as beginning, end and length tell; in doubt yes."""
    sizes = {_size(one), _size(other)}
    if None not in sizes and len(sizes) == 2:
        return False
    heads, tails = (_edge(one, 0), _edge(other, 0)), (_edge(one, -1)[::-1], _edge(other, -1)[::-1])
    return all(first.startswith(second) or second.startswith(first) for first, second in (heads, tails))


def _size(template: Template) -> int | None:
    sizes = [len(part) if isinstance(part, str) else part.field.size for part in template.parts]
    known = [size for size in sizes if size is not None]
    return sum(known) if len(known) == len(sizes) else None


def _edge(template: Template, place: int) -> str:
    part = template.parts[place]
    return part if isinstance(part, str) else ""


def _check_text(text: str) -> None:
    if not text:
        raise ValueError("is empty; give the command or reply as the board's manual prints it")
    if len(text) > LONGEST:
        raise ValueError(f"has {len(text)} characters; {LONGEST} are the most")
    for place, character in enumerate(text, start=1):
        if not " " <= character <= "~":
            raise ValueError(
                f"has {character!a} as character {place}; only printable ASCII is allowed,"
                " and `line end` says how a line ends"
            )


def _scan(text: str) -> Iterator[tuple[str, str]]:
    """Placeholders as (name, "") and what stands between them as ("", text)."""
    at = 0
    while at < len(text):
        if text[at] == "{":
            end = text.find("}", at)
            if end < 0:
                raise ValueError(f"has a {{ at character {at + 1} that is not closed")
            name = text[at + 1 : end]
            if not name or "{" in name:
                raise ValueError(f"has a {{ at character {at + 1} with no placeholder in it")
            yield name, ""
            at = end + 1
            continue
        end = min(
            (place for place in (text.find("{", at), text.find("}", at)) if place >= 0), default=len(text)
        )
        if end == at:
            raise ValueError(f"has a }} at character {at + 1} without a {{ before it")
        yield "", text[at:end]
        at = end


def _join(parts: list[str | Slot], part: str | Slot) -> None:
    if parts and isinstance(parts[-1], str) and isinstance(part, str):
        parts[-1] += part
    else:
        parts.append(part)


def _unknown(name: str, fields: Mapping[str, Field | str]) -> str:
    allowed = either([f"{{{field}}}" for field in fields])
    near = nearest_name(name, fields)
    hint = f"; did you mean {{{near}}}?" if near else ""
    return f"has a placeholder {quoted(name, 30)}; {allowed} may stand there{hint}"


def _check_ends(parts: list[str | Slot]) -> None:
    """Refuse a placeholder whose end could not be told."""
    for part, behind in pairwise(parts):
        if isinstance(part, str) or part.field.ends_with == "":
            continue
        if isinstance(behind, Slot):
            text = f"has {{{behind.name}}} right behind {{{part.name}}}, whose end cannot be told"
            raise ValueError(text)  # noqa: TRY004 - it is about the template's text
        if part.field.ends_with is not None and behind[0] in part.field.ends_with:
            raise ValueError(f"has {behind[0]!r} right behind {{{part.name}}}, which may end with it itself")
