"""Where the expected states of a step come from: rows of a hand-written table, or the panel's own circuit."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from harness.panel.parts import Panel
from harness.panel.table_file import TableRow, TruthTable
from harness.sequence.steps import Positions, States
from harness.wording import quoted

Derive = Callable[[Panel, Positions], Mapping[str, bool | None]]
"""States of a panel's relays and loads at complete positions, from its own circuit; None where undecided."""


@dataclass(frozen=True, slots=True)
class Found:
    """Expected states at some positions, and the table row that states them, if any."""

    states: States
    row: TableRow | None = None


class Expected(Protocol):
    """Looks up expected states by positions. `notes` gathers what the certificate has to say about it."""

    notes: list[str]

    @property
    def table(self) -> TruthTable | None: ...

    def at(self, positions: Positions) -> Found | None: ...

    def missing(self, positions: Positions) -> str: ...


@dataclass(slots=True)
class FromTable:
    """Rows of a table. A supply without a column does not matter to the table: rows hold at any level."""

    table: TruthTable
    panel: Panel
    notes: list[str] = field(default_factory=list)

    def at(self, positions: Positions) -> Found | None:
        row = self.table.row_at(positions) or self.table.row_at(positions | self._any_level())
        return Found(row.states, row) if row else None

    def missing(self, positions: Positions) -> str:
        """In words: there is no such row, and which one comes nearest."""
        words = position_words(self.panel, positions)
        near = min(self.table.rows, key=lambda row: len(_differing(row, positions)))
        differing = ", ".join(f"{tag} {near.positions[tag]}" for tag in _differing(near, positions))
        return (
            f"no row of {self.table.name} is at {words} (nearest: {quoted(near.name)}, with {differing}); "
            "add a row, or state what is expected here"
        )

    def _any_level(self) -> Positions:
        rest = self.panel.rest
        return {s.tag: rest[s.tag] for s in self.panel.supplies if s.tag not in self.table.columns}


def _differing(row: TableRow, positions: Positions) -> list[str]:
    return [tag for tag, position in positions.items() if row.positions[tag] != position]


@dataclass(slots=True)
class FromPanel:
    """States derived from the circuit, for the relays and loads that the bench observes."""

    panel: Panel
    derive: Derive
    observed: Collection[str]
    notes: list[str] = field(default_factory=list)
    table: None = None
    _known: dict[tuple[str, ...], Found] = field(default_factory=dict)

    def at(self, positions: Positions) -> Found:
        key = tuple(positions[tag] for tag in sorted(positions))
        if key not in self._known:
            self._known[key] = self._derived(positions)
        return self._known[key]

    def missing(self, positions: Positions) -> str:
        """Never asked for: each position has derived states."""
        return f"no states at {position_words(self.panel, positions)}"

    def _derived(self, positions: Positions) -> Found:
        states = {tag: on for tag, on in self.derive(self.panel, positions).items() if tag in self.observed}
        undecided = sorted(tag for tag, on in states.items() if on is None)
        if undecided:
            words = position_words(self.panel, positions)
            self.notes.append(
                f"not judged at {words}, because the circuit leaves it open: {', '.join(undecided)}"
            )
        return Found({tag: on for tag, on in states.items() if on is not None})


def position_words(panel: Panel, positions: Mapping[str, str]) -> str:
    """`S1 pressed, S2 8`: what is not at rest; `rest` when everything is."""
    rest = panel.rest
    return ", ".join(f"{tag} {at}" for tag, at in positions.items() if rest.get(tag) != at) or "rest"
