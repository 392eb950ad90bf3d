"""A hand-written truth table against the panel's own circuit: every state on which the two disagree."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from harness.panel.parts import Panel
from harness.panel.table import DerivedRow, Deriver
from harness.panel.table_file import TableRow, TruthTable

WORDS = {True: "on", False: "off", None: "undecided"}


@dataclass(frozen=True, slots=True)
class Difference:
    """One state of one row: `expected` by the table, `derived` from the circuit (None: undecided)."""

    row: str
    line: int
    positions: dict[str, str]
    output: str
    expected: bool
    derived: bool | None
    note: str = ""

    def __str__(self) -> str:
        found = f"the table says {self.output} {WORDS[self.expected]}, the circuit {WORDS[self.derived]}"
        because = f" ({self.note})" if self.note else ""
        places = ", ".join(f"{tag} {place}" for tag, place in self.positions.items()) or "all at rest"
        return f"row '{self.row}' ({places}): {found}{because}"

    def as_json(self) -> dict[str, Any]:
        """The difference for a JSON answer."""
        return {
            "row": self.row,
            "line": self.line,
            "positions": self.positions,
            "output": self.output,
            "expected": self.expected,
            "derived": self.derived,
            "note": self.note,
        }


def compare(
    panel: Panel,
    table: TruthTable,
    *,
    volts: Mapping[str, float] | None = None,
    coil_temperature_c: float = 20.0,
) -> tuple[Difference, ...]:
    """Every stated state that the circuit does not give, in the order of the table.

    A stop row is taken from its running row; what follows the release of its demand is compared with the
    row named `after`. A state that the circuit leaves undecided is a difference.
    """
    deriver = Deriver(panel, volts=volts, coil_temperature_c=coil_temperature_c)
    found: list[Difference] = []
    for row in table.rows:
        found.extend(_differences(panel, row, row.states, _derived(deriver, table, row), ""))
        if row.stop_from:
            running = table.row(row.stop_from)
            after = deriver.after_row(running.positions, row.positions, running.positions)
            states = table.row(row.after).states
            found.extend(_differences(panel, row, states, after, "after the demand is released"))
    return tuple(found)


def _derived(deriver: Deriver, table: TruthTable, row: TableRow) -> DerivedRow:
    if row.stop_from:
        return deriver.stop_row(table.row(row.stop_from).positions, row.positions)
    return deriver.row(row.positions)


def _differences(
    panel: Panel, row: TableRow, expected: Mapping[str, bool], derived: DerivedRow, when: str
) -> Iterator[Difference]:
    moved = {tag: place for tag, place in row.positions.items() if place != panel.rest[tag]}
    for output, state in expected.items():
        if derived.states[output] is not state:
            note = ", ".join(filter(None, (when, *derived.notes)))
            yield Difference(row.name, row.line, moved, output, state, derived.states[output], note)
