"""YAML text to plain data with the place of every key and value; every refusal is one located line.

YAML is data only here: no tags, anchors, aliases or merge keys, no key twice, one document, and every scalar
stays the text that was written (`on`, `12:30`, `010` are text; models convert). An unquoted empty value,
`null` or `~` is None. This module knows nothing of what a file means: see `harness.models` for that.
"""

from __future__ import annotations

import codecs
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn, Protocol

import yaml

from harness.errors import FileError, Problem
from harness.wording import nearest, quoted

__all__ = [
    "KeyPath",
    "Source",
    "decode",
    "load_file",
    "load_text",
    "nearest",
    "quoted",
    "read_bytes",
    "refuse",
]

MAX_BYTES = 1_000_000
MAX_VALUES = 200_000
MAX_LEVELS = 50

KeyPath = tuple[str | int, ...]
_Place = tuple[int, int, int, int]  # line and column of the key, line and column of the value

# Some builds of PyYAML come without libyaml; the pure parser gives the same events, 10 times slower.
_Loader: type = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

_NULLS = frozenset({"", "~", "null"})
_FOREIGN = (
    (codecs.BOM_UTF32_LE, "UTF-32"),
    (codecs.BOM_UTF32_BE, "UTF-32"),
    (codecs.BOM_UTF16_LE, "UTF-16"),
    (codecs.BOM_UTF16_BE, "UTF-16"),
)
_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_TOO_DEEP = f"nested deeper than {MAX_LEVELS} levels; no file needs that"
# What the parsers say, in words that tell a person what to change. Both parsers' wordings are listed.
_INDENTATION = "indentation that fits no line above; entries of one list start in one column"
_PLAIN_WORDS = (
    ("nesting depth", _TOO_DEEP),
    ("mapping values are not allowed", "a second ': ' in one line; put text that holds ': ' in quotes"),
    (
        "cannot start any token",
        "a value that starts with a tab, @, % or `; indent with spaces, quote such text",
    ),
    ("tab character", "a tab at the start of a line; indent with spaces"),
    ("could not find expected ':'", "text without 'key: value'; expected ': ' after the key"),
    ("expected ',' or '}'", "'{' that is not closed or lacks a comma; expected ',' or '}'"),
    ("expected ',' or ']'", "'[' that is not closed or lacks a comma; expected ',' or ']'"),
    ("unexpected end of stream", "quotes that are not closed before the end of the file"),
    ("node content", "no value where one is expected; check commas and brackets"),
    ("expected <block end>", _INDENTATION),
    ("did not find expected key", _INDENTATION),
    (
        "sequence entries are not allowed",
        "a '- ' entry inside a line; start each entry on its own line",
    ),
    (
        "<document start>",
        "a line that belongs to nothing above it; expected 'key: value' in the first column",
    ),
    ("found unexpected ':'", "a ':' in unquoted text inside [ ] or { }; put that text in quotes"),
    ("did not find expected '-' indicator", "a line that is no '- ' entry in a list; check the indentation"),
)
# For these the place where the thing starts helps more than the place where the parser gave up.
_FROM_START = ("could not find expected ':'", "expected ',' or", "unexpected end of stream")


@dataclass(frozen=True, slots=True)
class Source:
    """A file as plain data (dict, list, str, None), with the place of everything in it."""

    name: str
    data: object
    places: dict[KeyPath, _Place]

    def place(self, path: KeyPath, *, key: bool = False) -> tuple[int, int]:
        """Line and column, from 1, of the value at `path` or of its key; else of the nearest known parent."""
        while path and path not in self.places:
            path = path[:-1]
        key_line, key_column, line, column = self.places.get(path, (1, 1, 1, 1))
        return (key_line, key_column) if key else (line, column)

    def problem(self, path: KeyPath, message: str, *, key: bool = False) -> Problem:
        """A Problem at the value at `path`, or at its key."""
        line, column = self.place(path, key=key)
        return Problem(self.name, line, column, message)


def refuse(name: str, message: str, line: int = 1, column: int = 1) -> NoReturn:
    """Raise a FileError with one problem."""
    raise FileError([Problem(name, line, column, message)])


def load_file(path: Path) -> Source:
    """Load a YAML file. Raises FileError: missing, not a file, not readable, or not plain YAML."""
    return load_text(read_bytes(path), str(path))


def read_bytes(path: Path) -> bytes:
    """The bytes of an ordinary file of at most MAX_BYTES; nothing is read of a larger one."""
    name = str(path)
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            refuse(name, "is a directory; expected a file")
        if not stat.S_ISREG(status.st_mode):
            refuse(name, "is a device or a pipe; expected an ordinary file")
        if status.st_size > MAX_BYTES:
            _too_large(name)
        with path.open("rb") as stream:
            return stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        refuse(name, f"no such file{nearest(path.name, _names_beside(path))}")
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        refuse(name, f"cannot be read: {reason}")


def _names_beside(path: Path) -> list[str]:
    try:
        return sorted(entry.name for entry in path.parent.iterdir())
    except OSError:
        return []


def load_text(text: bytes, name: str) -> Source:
    """Load YAML text; `name` stands for the file in messages. Raises FileError."""
    if len(text) > MAX_BYTES:
        _too_large(name)
    return _Builder(name).build(decode(text, name))


def _too_large(name: str) -> NoReturn:
    refuse(name, f"larger than {MAX_BYTES} bytes; no file of this kind is")


def decode(text: bytes, name: str) -> str:
    """UTF-8 bytes, with or without a byte order mark, to printable text. Raises FileError with the place."""
    for mark, encoding in _FOREIGN:
        if text.startswith(mark):
            refuse(name, f"text in {encoding}; save the file as UTF-8")
    text = text.removeprefix(codecs.BOM_UTF8)
    zeros = text.count(0)
    if zeros and zeros * 3 >= len(text) and max(text[::2].count(0), text[1::2].count(0)) == zeros:
        refuse(name, "text in UTF-16 without its mark; save the file as UTF-8")
    if zeros:
        before = text[: text.index(0)].decode("utf-8", "replace")
        refuse(name, "a zero byte: a binary file, not YAML text", *_end_of(before))
    try:
        decoded = text.decode("utf-8")
    except UnicodeDecodeError as error:
        before = text[: error.start].decode("utf-8")
        message = f"byte 0x{text[error.start]:02x} is not UTF-8; save the file as UTF-8"
        refuse(name, message, *_end_of(before))
    if found := _UNPRINTABLE.search(decoded):
        message = f"control character U+{ord(found[0]):04X} in the text; remove it"
        refuse(name, message, *_end_of(decoded[: found.start()]))
    return decoded


def _end_of(text: str) -> tuple[int, int]:
    """Line and column just after `text`."""
    lines = re.split("\r\n|\r|\n", text)
    return len(lines), len(lines[-1]) + 1


class _Mark(Protocol):
    """A place as both parsers give it, counted from 0."""

    @property
    def line(self) -> int: ...

    @property
    def column(self) -> int: ...


def _place_of(mark: _Mark | None) -> tuple[int, int]:
    return (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)


class _Builder:
    """Plain data from parser events. Recursion is bounded by MAX_LEVELS, work by MAX_VALUES."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._places: dict[KeyPath, _Place] = {}

    def build(self, text: str) -> Source:
        self._events: Iterator[yaml.Event] = iter(yaml.parse(text, _Loader))
        try:
            data = self._document()
        except yaml.MarkedYAMLError as error:
            refuse(self._name, *_plain_refusal(error))
        except yaml.YAMLError as error:
            refuse(self._name, _plain_words(str(error)))
        if data is None:
            refuse(self._name, "the file is empty; expected keys and values, first of all 'format: 1'")
        return Source(self._name, data, self._places)

    def _document(self) -> object:
        data: object = None
        seen = False
        for event in self._events:
            if not isinstance(event, yaml.DocumentStartEvent):
                continue
            if seen:
                self._refuse(event, "a second document ('---'); expected one document per file")
            if event.tags:
                self._refuse(event, "a %TAG line; tags are not allowed")
            seen = True
            data = self._value(next(self._events), (), None)
        return data

    def _value(self, event: yaml.Event, path: KeyPath, key: yaml.Event | None) -> object:
        self._check(event, path)
        place = _place_of(event.start_mark)
        self._places[path] = (*(_place_of(key.start_mark) if key else place), *place)
        if isinstance(event, yaml.ScalarEvent):
            return self._text(event)
        if isinstance(event, yaml.SequenceStartEvent):
            return self._sequence(path)
        return self._mapping(path)

    def _check(self, event: yaml.Event, path: KeyPath) -> None:
        if len(self._places) >= MAX_VALUES:
            self._refuse(event, f"more than {MAX_VALUES} values; no file needs that")
        if len(path) > MAX_LEVELS:
            self._refuse(event, _TOO_DEEP)
        anchor, tag = getattr(event, "anchor", None), getattr(event, "tag", None)
        if isinstance(event, yaml.AliasEvent):
            self._refuse(event, f"alias {quoted(f'*{anchor}')}; aliases are not allowed, write the value out")
        if anchor:
            self._refuse(event, f"anchor {quoted(f'&{anchor}')}; anchors are not allowed")
        if tag:
            short = tag.replace("tag:yaml.org,2002:", "!!")
            self._refuse(event, f"tag {quoted(short)}; tags are not allowed, YAML is data only")

    def _text(self, event: yaml.ScalarEvent) -> str | None:
        text: str = event.value
        if event.implicit[0] and text in _NULLS:
            return None
        if found := _UNPRINTABLE.search(text):
            self._refuse(event, f"control character U+{ord(found[0]):04X} in quotes; remove it")
        return text

    def _sequence(self, path: KeyPath) -> list[object]:
        items: list[object] = []
        while not isinstance(event := next(self._events), yaml.SequenceEndEvent):
            items.append(self._value(event, (*path, len(items)), None))
        return items

    def _mapping(self, path: KeyPath) -> dict[str, object]:
        entries: dict[str, object] = {}
        while not isinstance(event := next(self._events), yaml.MappingEndEvent):
            key = self._key(event, path)
            if key in entries:
                first = self._places[*path, key][0]
                self._refuse(event, f"key {quoted(key)} given twice (first on line {first})")
            entries[key] = self._value(next(self._events), (*path, key), event)
        return entries

    def _key(self, event: yaml.Event, path: KeyPath) -> str:
        self._check(event, path)
        if not isinstance(event, yaml.ScalarEvent):
            self._refuse(event, "a key that is a list; expected text")
        if event.implicit[0] and event.value == "<<":
            self._refuse(event, "merge key '<<'; merging is not allowed, write the values out")
        key = self._text(event)
        if not key:
            self._refuse(event, "a key without text; expected 'key: value'")
        return key

    def _refuse(self, event: yaml.Event, message: str) -> NoReturn:
        refuse(self._name, message, *_place_of(event.start_mark))


def _plain_refusal(error: yaml.MarkedYAMLError) -> tuple[str, int, int]:
    """Message, line and column for what a parser complains about."""
    mark = error.problem_mark or error.context_mark
    if error.context_mark and any(wording in (error.problem or "") for wording in _FROM_START):
        mark = error.context_mark
    return (_plain_words(error.problem or "not readable"), *_place_of(mark))


def _plain_words(problem: str) -> str:
    for wording, plain in _PLAIN_WORDS:
        if wording in problem:
            return plain
    return f"not YAML: {' '.join(problem.split())}"
