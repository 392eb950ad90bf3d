"""A sequence file and all that it names, loaded: panel, bench, table, and steps written out in full."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness.bench.files import LoadedBench, load_bench
from harness.bench.parts import Bench
from harness.demo_files import resolve
from harness.errors import FileError, Problem
from harness.models import Problems, validate
from harness.panel.files import LoadedPanel, load_panel
from harness.panel.parts import Panel
from harness.panel.table_file import TruthTable, load_table
from harness.sequence.expand import Expanded, expand
from harness.sequence.expected import Derive, Expected, FromPanel, FromTable
from harness.sequence.file_shape import SequenceShape
from harness.sequence.steps import Positions, Sequence
from harness.sequence.unproved import unproved
from harness.source import Source, load_file


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedSequence:
    """A sequence with all that it names, and the sources for places in later messages."""

    path: Path
    panel_path: Path
    bench_path: Path
    table_path: Path | None
    sequence: Sequence
    panel: Panel
    bench: Bench
    table: TruthTable | None
    source: Source
    panel_source: Source
    bench_source: Source

    @property
    def not_proved(self) -> tuple[str, ...]:
        """What a pass does not mean: as panel and sequence say, then as the files show by themselves."""
        shown = unproved(self.sequence, self.panel, self.bench, self.table)
        return (*self.panel.not_proved, *self.sequence.not_proved, *shown)

    @property
    def paths(self) -> tuple[Path, ...]:
        """Every file that was read: sequence, panel, bench, and the table if there is one."""
        table = () if self.table_path is None else (self.table_path,)
        return (self.path, self.panel_path, self.bench_path, *table)


def load_sequence(path: Path, *, bench: Path | None = None, derive: Derive | None = None) -> LoadedSequence:
    """Load a sequence; `bench` stands in for the bench that it names, `derive` for the panel's own circuit.

    Raises FileError with the problems of all files that could be read.
    """
    source = load_file(path)
    shape = validate(source, SequenceShape)
    loader = _Loader(source, shape, path.parent)
    panel_path, panel = loader.panel()
    bench_path, loaded_bench = loader.bench(bench)
    table_path, table = loader.table(panel.panel if panel else None)
    if loader.problems or panel is None or loaded_bench is None:
        raise FileError(loader.problems)
    expanded, notes = _expanded(source, shape, panel.panel, loaded_bench.bench, table, derive)
    return LoadedSequence(
        path=path,
        panel_path=panel_path,
        bench_path=bench_path,
        table_path=table_path,
        sequence=_sequence(shape, (panel_path, bench_path), expanded, notes),
        panel=panel.panel,
        bench=loaded_bench.bench,
        table=table,
        source=source,
        panel_source=panel.source,
        bench_source=loaded_bench.source,
    )


class _Loader:
    """Loads what a sequence names, gathering the problems of all files."""

    def __init__(self, source: Source, shape: SequenceShape, folder: Path) -> None:
        self._source = source
        self._shape = shape
        self._folder = folder
        self.problems: list[Problem] = []

    def panel(self) -> tuple[Path, LoadedPanel | None]:
        path = self._path(self._shape.panel, ("panel",))
        try:
            return path or Path(), load_panel(path) if path else None
        except FileError as error:
            self.problems += error.problems
        return Path(), None

    def bench(self, other: Path | None) -> tuple[Path, LoadedBench | None]:
        path = other or self._path(self._shape.bench, ("bench",))
        try:
            return path or Path(), load_bench(path) if path else None
        except FileError as error:
            self.problems += error.problems
        return Path(), None

    def table(self, panel: Panel | None) -> tuple[Path | None, TruthTable | None]:
        named = self._shape.expected.table
        path = self._path(named, ("expected", "table")) if named else None
        try:
            return path, load_table(path, panel) if path and panel else None
        except FileError as error:
            self.problems += error.problems
        return path, None

    def _path(self, name: str, key: tuple[str, ...]) -> Path | None:
        """The file that `name` means, relative to the sequence; a problem at its key when there is none."""
        try:
            path = resolve(name, self._folder)
            if not path.exists():
                load_file(path)
        except FileError as error:
            message = error.problems[0].message
            self.problems.append(self._source.problem(key, f"{name}: {message}"))
            return None
        return path


def _expanded(
    source: Source,
    shape: SequenceShape,
    panel: Panel,
    bench: Bench,
    table: TruthTable | None,
    derive: Derive | None,
) -> tuple[Expanded, list[str]]:
    expected: Expected
    if table is not None:
        expected = FromTable(table, panel)
    else:
        expected = FromPanel(panel, derive or _derive, {channel.watches for channel in bench.inputs})
    problems = Problems(source)
    expanded = expand(shape, panel, expected, problems)
    problems.found = sorted(set(problems.found))
    problems.raise_any()
    return expanded, expected.notes


def _derive(panel: Panel, positions: Positions) -> dict[str, bool | None]:
    """States from the panel's own circuit; imported late, because only some sequences ask for them."""
    from harness.panel.table import derive_row  # noqa: PLC0415

    return dict(derive_row(panel, positions).states)


def _sequence(
    shape: SequenceShape, paths: tuple[Path, Path], expanded: Expanded, notes: list[str]
) -> Sequence:
    return Sequence(
        title=shape.title,
        panel_path=str(paths[0]),
        bench_path=str(paths[1]),
        expected_from="table" if shape.expected.table else "panel",
        rest_states=expanded.rest_states,
        steps=expanded.steps,
        settle_s=shape.settle,
        hold_s=shape.hold,
        never=expanded.never,
        on_failure=shape.on_failure,
        decision_rule=shape.decision_rule,
        not_proved=shape.not_proved,
        approved_by_second_person=shape.approved_by_second_person,
        notes=tuple(notes),
    )
