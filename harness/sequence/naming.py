"""Names in a sequence file against a panel: positions and states as values, misnamed ones as problems."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.models import Problems
from harness.panel.parts import Panel
from harness.panel.table_file import TableRow, TruthTable
from harness.sequence.file_shape import NeverShape
from harness.sequence.steps import Positions, States, Watch
from harness.source import KeyPath
from harness.wording import either, nearest, quoted


@dataclass(frozen=True, slots=True)
class Naming:
    """Reads maps of one file; what is misnamed is added to `problems` and left out of the result."""

    panel: Panel
    problems: Problems

    def positions(self, path: KeyPath, written: Mapping[str, str]) -> Positions:
        """The positions written at `path`, and only those."""
        known = self.panel.positions
        for tag, position in written.items():
            if tag not in known:
                self.problems.add((*path, tag), self._no_device(tag), key=True)
            else:
                self.position((*path, tag), tag, position)
        return {tag: at for tag, at in written.items() if at in known.get(tag, ())}

    def position(self, path: KeyPath, tag: str, position: str) -> bool:
        """Whether a known device has such a position; a problem at `path` when not."""
        allowed = self.panel.positions[tag]
        if position in allowed:
            return True
        expected = either(allowed) + nearest(position, allowed)
        self.problems.add(path, f"{quoted(position)} is no position of {tag}; expected {expected}")
        return False

    def device(self, path: KeyPath, tag: str) -> bool:
        """Whether `tag` can be set; a problem at the key at `path` when not."""
        if tag in self.panel.positions:
            return True
        self.problems.add(path, self._no_device(tag), key=True)
        return False

    def _no_device(self, tag: str) -> str:
        if tag in self.panel.outputs:
            return f"{tag} is a relay or load; only devices, breakers and supplies can be set"
        return f"{quoted(tag)} is no device, breaker or supply of {self.panel.tag}{self._near_device(tag)}"

    def _near_device(self, tag: str) -> str:
        return nearest(tag, self.panel.positions) or f"; it has {', '.join(self.panel.positions)}"

    def states(self, path: KeyPath, written: Mapping[str, str]) -> States:
        """The states written at `path`; `either` states nothing."""
        for tag in written:
            self.output((*path, tag), tag, key=True)
        return {tag: word == "on" for tag, word in written.items() if word != "either"}

    def output(self, path: KeyPath, tag: str, *, key: bool = False) -> None:
        """A problem at `path` when `tag` is no relay or load."""
        outputs = self.panel.outputs
        if tag in outputs:
            return
        hint = nearest(tag, outputs) or f"; it has {', '.join(outputs)}"
        self.problems.add(path, f"{quoted(tag)} is no relay or load of {self.panel.tag}{hint}", key=key)

    def row(self, path: KeyPath, name: str, table: TruthTable | None) -> TableRow | None:
        """A row of the table by name, or None and a problem at `path`."""
        if table is None:
            self.problems.add(
                path, "no table to take rows from; expected states come from the panel, so write positions"
            )
            return None
        rows = {row.name: row for row in table.rows}
        if name not in rows:
            hint = nearest(name, rows)
            self.problems.add(path, f"no row {quoted(name)} in {table.name}{hint}")
        return rows.get(name)

    def watches(self, path: KeyPath, written: tuple[NeverShape, ...]) -> tuple[Watch, ...]:
        """The `never` entries at `path`."""
        found = []
        for index, entry in enumerate(written):
            states = self.states((*path, index, "states"), entry.states)
            if not states:
                self.problems.add(
                    (*path, index, "states"), "watches nothing; expected on or off for a relay or load"
                )
            found.append(Watch(states=states, longest_s=entry.longer_than, why=entry.why))
        return tuple(found)
