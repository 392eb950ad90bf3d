"""The cells of a CSV text with the line and column where each one starts.

Comma-separated cells; blanks before and after a cell do not count; double quotes stand round a cell that
holds a comma or a line end, `""` for a quote inside (RFC 4180). Empty lines and lines that start with `#`
are skipped between records.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass

from harness.errors import Problem
from harness.source import refuse

_BLANKS = re.compile(" *")
_CELL = re.compile(r'"[^"]*(?:""[^"]*)*"|[^,\r\n]*')
_LINE_END = re.compile(r"\r\n|\r|\n")


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell without the blanks around it; line and column, from 1, of where the cell starts."""

    text: str
    line: int
    column: int

    def problem(self, name: str, message: str) -> Problem:
        """A Problem at this cell of the file `name`."""
        return Problem(name, self.line, self.column, message)


def read_records(text: str, name: str) -> Iterator[list[Cell]]:
    """The records of a CSV text, one by one. Raises FileError where the text is not CSV."""
    lines = list(io.StringIO(text, newline=""))
    at = 0
    while at < len(lines):
        if lines[at].startswith("#") or not lines[at].strip():
            at += 1
            continue
        reader = csv.reader((lines[k] for k in range(at, len(lines))), strict=True, skipinitialspace=True)
        try:
            texts = next(reader)
        except csv.Error as error:
            refuse(name, _plain_words(str(error)), at + 1)
        after = at + reader.line_num
        places = _places("".join(lines[at:after]), at + 1)
        yield [Cell(cell.strip(), *place) for cell, place in zip(texts, places, strict=True)]
        at = after


def _plain_words(problem: str) -> str:
    if "unexpected end of data" in problem:
        return "quotes that are not closed before the end of the file"
    if "expected after" in problem:
        return "text after a closing quote; expected a comma, or a doubled quote for a quote inside the cell"
    return f"not CSV: {problem}"


def _places(record: str, line: int) -> Iterator[tuple[int, int]]:
    """Line and column of each cell of one record that the csv module has accepted."""
    at = line_start = 0
    while True:
        at = _end(_BLANKS, record, at)
        yield line, at - line_start + 1
        after = _end(_CELL, record, at)
        for line_end in _LINE_END.finditer(record, at, after):
            line, line_start = line + 1, line_end.end()
        if record[after : after + 1] != ",":
            return
        at = after + 1


def _end(pattern: re.Pattern[str], text: str, at: int) -> int:
    """Where a pattern that matches everywhere ends when matched at `at`."""
    found = pattern.match(text, at)
    assert found is not None
    return found.end()
