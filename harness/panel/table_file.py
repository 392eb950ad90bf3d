"""Hand-written truth tables: CSV rows of device positions against expected relay and load states.

Columns, in any order: `row` (a unique name), tags of devices, breakers and supplies (a position; an empty
cell is at rest), tags of relays and loads (`on` picked up or energised, `off` not, `-` either), and, if
needed, `stop from`, `after` and `note`. Device columns that are missing are at rest; output columns that are
missing are not stated. The first line may name the panel: `# panel: th-p1.panel.yaml`, relative to the table.

Stop rows. A row whose `stop from` names another row is a stop row: it proves the stop from that running row.
`after` names the row whose states show once the demand is released; left empty it is the running row. Only
the states of the `after` row are used: positions are the running row's again. When the panel says what
`stopped` means, every row that states all of it (of one way, where there are several) must fill `stop from`
with the name of its running row, or with the word `none`, which says that the row is stopped without having
been running (idle before the start, for example); and a stop row must state all of it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from harness.errors import FileError, Problem
from harness.panel.parts import Panel
from harness.panel.stop_patterns import rules_out_stop, shows_stop, stop_words
from harness.panel.table_cells import Cell, read_records
from harness.source import decode, read_bytes, refuse
from harness.wording import either, nearest, quoted

STATE_WORDS = {"on": True, "off": False, "-": None}
NO_RUNNING_STATE = "none"
_OWN_COLUMNS = ("row", "stop from", "after", "note")
_MAX_PROBLEMS = 100
_PANEL_LINE = re.compile(r"#\s*panel:\s*(\S.*?)\s*")


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRow:
    """One row. `positions` is complete; `states` holds only what is stated.

    `stop_from` is the running row of a stop row, else empty; `after` is then the row whose states follow the
    release of the demand. `line` counts from 1.
    """

    name: str
    positions: dict[str, str]
    states: dict[str, bool]
    stop_from: str = ""
    after: str = ""
    note: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class TruthTable:
    """A table as loaded. `name` is its file; `columns` the place of each header cell."""

    rows: tuple[TableRow, ...]
    name: str
    columns: dict[str, tuple[int, int]] = field(default_factory=dict, compare=False)

    def row(self, name: str) -> TableRow:
        """Raises KeyError when there is no such row."""
        return {row.name: row for row in self.rows}[name]

    def row_at(self, positions: Mapping[str, str]) -> TableRow | None:
        """The first row at exactly these (complete) positions."""
        return next((row for row in self.rows if row.positions == positions), None)


@dataclass(frozen=True, slots=True)
class _Entry:
    """A row with the cells it was read from, by column."""

    row: TableRow
    cells: dict[str, Cell]


def panel_named_in(path: Path) -> Path | None:
    """The panel file that the table's first line names (`# panel: ...`), or None. Raises FileError."""
    first = decode(read_bytes(path), str(path)).split("\n", 1)[0].rstrip("\r")
    found = _PANEL_LINE.fullmatch(first)
    return path.parent / found[1] if found else None


def load_table(path: Path, panel: Panel) -> TruthTable:
    """Load a truth table of `panel`. Raises FileError with every problem at its cell."""
    return read_table(decode(read_bytes(path), str(path)), str(path), panel)


def read_table(text: str, name: str, panel: Panel) -> TruthTable:
    """Read CSV text; `name` stands for the file in messages. Raises FileError."""
    return _Reader(name, panel).read(text)


class _Reader:
    """Entries from records, one cell at a time, gathering problems as it goes."""

    def __init__(self, name: str, panel: Panel) -> None:
        self._name = name
        self._panel = panel
        self._places = panel.positions
        self._problems: list[Problem] = []

    def read(self, text: str) -> TruthTable:
        records = read_records(text, self._name)
        header = next(records, None)
        if header is None:
            refuse(self._name, "no rows; expected a header line with 'row', devices and outputs, then rows")
        self._check_header(header)
        self._refuse_if_any()
        entries = self._entries(header, records)
        if not entries and not self._problems:
            self._found(header[0], "no rows under the header; expected at least one")
        self._check_names(entries)
        self._refuse_if_any()
        self._problems += (
            _same_positions(self._name, entries) + _Stops(self._name, self._panel, entries).check()
        )
        self._refuse_if_any()
        columns = {cell.text: (cell.line, cell.column) for cell in header}
        return TruthTable(tuple(entry.row for entry in entries), self._name, columns)

    def _found(self, cell: Cell, message: str) -> None:
        self._problems.append(cell.problem(self._name, message))

    def _refuse_if_any(self) -> None:
        if self._problems:
            raise FileError(self._problems[:_MAX_PROBLEMS])

    def _check_header(self, header: list[Cell]) -> None:
        known = (*_OWN_COLUMNS, *self._places, *self._panel.outputs)
        seen: set[str] = set()
        for cell in header[:_MAX_PROBLEMS]:
            if cell.text in seen:
                self._found(cell, f"column {quoted(cell.text)} given twice")
            elif cell.text not in known:
                self._found(cell, self._unknown_column(cell.text, known))
            seen.add(cell.text)
        if self._problems:
            return
        if "row" not in seen:
            self._found(header[0], "no column 'row'; expected one that gives each row its name")
        if not seen & set(self._panel.outputs):
            tags = either(self._panel.outputs)
            self._found(header[0], f"no column of a relay or load; expected {tags}")

    def _unknown_column(self, text: str, known: tuple[str, ...]) -> str:
        if not text:
            return "a column without a name; give it a tag of the panel, or take it out"
        if ";" in text or "\t" in text:
            return f"{quoted(text)} is not a column; separate cells with commas"
        return (
            f"{quoted(text)} is no device, supply, relay or load of {self._panel.tag}{nearest(text, known)}"
        )

    def _entries(self, header: list[Cell], records: Iterator[list[Cell]]) -> list[_Entry]:
        entries: list[_Entry] = []
        for record in records:
            if len(self._problems) > _MAX_PROBLEMS:
                break
            if len(record) == len(header):
                cells = {head.text: cell for head, cell in zip(header, record, strict=True)}
                entries.append(_Entry(self._row(cells), cells))
            else:
                place = record[min(len(header), len(record) - 1)]
                self._found(place, f"{len(record)} cells; the header has {len(header)}")
        return entries

    def _row(self, cells: dict[str, Cell]) -> TableRow:
        own = {column: cells[column].text if column in cells else "" for column in _OWN_COLUMNS}
        if not own["row"]:
            self._found(cells["row"], "a row without a name")
        elif own["row"] == NO_RUNNING_STATE:
            self._found(
                cells["row"], f"'{NO_RUNNING_STATE}' cannot be the name of a row; 'stop from' uses it"
            )
        states = self._states(cells)
        stop_from = "" if own["stop from"] == NO_RUNNING_STATE else own["stop from"]
        return TableRow(
            name=own["row"],
            positions=self._panel.rest | self._positions(cells),
            states=states,
            stop_from=stop_from,
            after=own["after"] or stop_from,
            note=own["note"],
            line=cells["row"].line,
        )

    def _positions(self, cells: dict[str, Cell]) -> dict[str, str]:
        stated = {tag: cells[tag] for tag in self._places if tag in cells and cells[tag].text}
        for tag, cell in stated.items():
            if cell.text not in (allowed := self._places[tag]):
                expected = either(allowed) + nearest(cell.text, allowed)
                self._found(cell, f"{quoted(cell.text)} is no position of {tag}; expected {expected}")
        return {tag: cell.text for tag, cell in stated.items()}

    def _states(self, cells: dict[str, Cell]) -> dict[str, bool]:
        states: dict[str, bool] = {}
        stated = {tag: cells[tag] for tag in self._panel.outputs if tag in cells}
        for tag, cell in stated.items():
            word = STATE_WORDS.get(cell.text)
            if word is not None:
                states[tag] = word
            elif cell.text not in STATE_WORDS:
                self._found(cell, f"{quoted(cell.text)} is no state of {tag}; expected on, off or -")
        if all(cell.text == "-" for cell in stated.values()):
            self._found(cells["row"], "a row that states nothing; expected on or off for a relay or load")
        return states

    def _check_names(self, entries: list[_Entry]) -> None:
        first: dict[str, int] = {}
        for entry in entries:
            name, line = entry.row.name, entry.row.line
            if name and first.setdefault(name, line) != line:
                found = f"row {quoted(name)} given twice (first on line {first[name]})"
                self._found(entry.cells["row"], found)


def _same_positions(name: str, entries: list[_Entry]) -> list[Problem]:
    """Rows at the positions of an earlier row whose states differ: one of the two must be wrong."""
    first: dict[tuple[tuple[str, str], ...], TableRow] = {}
    problems = []
    for entry in entries:
        row = entry.row
        other = first.setdefault(tuple(sorted(row.positions.items())), row)
        if other.states != row.states:
            tags = sorted(tag for tag in {**other.states, **row.states} if _differ(tag, other, row))
            message = f"same positions as row {quoted(other.name)} (line {other.line}), other states of "
            problems.append(entry.cells["row"].problem(name, message + ", ".join(tags)))
    return problems


def _differ(tag: str, one: TableRow, other: TableRow) -> bool:
    return one.states.get(tag) != other.states.get(tag)


class _Stops:
    """The rules of stop rows, over all rows."""

    def __init__(self, name: str, panel: Panel, entries: list[_Entry]) -> None:
        self._name = name
        self._stopped = panel.stopped
        self._entries = entries
        self._rows = {entry.row.name: entry.row for entry in entries}

    def check(self) -> list[Problem]:
        found = (self._of(entry) for entry in self._entries)
        return [problem for problems in found for problem in problems]

    def _of(self, entry: _Entry) -> list[Problem]:
        row = entry.row
        stated = entry.cells["stop from"].text if "stop from" in entry.cells else ""
        if not row.stop_from:
            problems = self._after_without_stop(entry)
            if shows_stop(row.states, self._stopped) and stated != NO_RUNNING_STATE:
                place = entry.cells.get("stop from", entry.cells["row"])
                problems.append(place.problem(self._name, self._without_running(row)))
            return problems
        messages = {"stop from": self._wrong_running(row), "after": self._unknown(row.after)}
        if self._stopped and not shows_stop(row.states, self._stopped):
            messages["row"] = (
                f"a stop row that does not state the stop; stopped means {stop_words(self._stopped)}"
            )
        if row.after == row.stop_from:
            del messages["after"]
        return [entry.cells[at].problem(self._name, said) for at, said in messages.items() if said]

    def _after_without_stop(self, entry: _Entry) -> list[Problem]:
        if not entry.row.after:
            return []
        message = "'after' without 'stop from'; name the running row, or leave 'after' empty"
        return [entry.cells["after"].problem(self._name, message)]

    def _without_running(self, row: TableRow) -> str:
        stopped = stop_words(self._stopped)
        return (
            f"row {quoted(row.name)} is stopped ({stopped}): a stop row without its running state; "
            f"put the running row's name in 'stop from', or '{NO_RUNNING_STATE}' if nothing ran before"
        )

    def _unknown(self, name: str) -> str:
        return "" if name in self._rows else f"no row {quoted(name)}{nearest(name, self._rows)}"

    def _wrong_running(self, row: TableRow) -> str:
        """What is wrong with the running row that a stop row names, or empty text."""
        running = self._rows.get(row.stop_from)
        if running is None:
            return self._unknown(row.stop_from)
        if running is row:
            return "a stop row that comes from itself; name the row of the running state"
        shown = f"row {quoted(running.name)}"
        if running.stop_from:
            return f"{shown} is a stop row itself; name a row of a running state"
        if self._stopped and not rules_out_stop(running.states, self._stopped):
            return f"{shown} states nothing that differs from stopped; name a row of a running state"
        if running.positions == row.positions:
            return f"{shown} has the same positions, so there is no demand; expected another position"
        return ""
