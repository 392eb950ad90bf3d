"""Review of a sequence across its files: panel, bench, table and steps must fit each other before any power.

Each problem stands at the place to change: the terminal map in the bench file, a limit in the sequence, a
column in the table.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import chain
from pathlib import Path

from harness.bench.files import load_bench
from harness.errors import FileError, Problem
from harness.panel.files import load_panel
from harness.panel.table_file import load_table, panel_named_in
from harness.sequence.files import LoadedSequence, load_sequence
from harness.sequence.review_limits import ratings, times
from harness.sequence.review_map import misnamed, unmapped
from harness.sequence.review_steps import (
    approval,
    forbidden,
    stops,
    timed_by_hand,
    too_long_on,
    unwatched_limits,
)
from harness.sequence.review_supplies import supplies
from harness.sequence.review_wiring import WiringReview
from harness.wording import quoted

ENDINGS = (".panel.yaml", ".bench.yaml", ".sequence.yaml", ".table.csv")


def review(loaded: LoadedSequence) -> list[Problem]:
    """Everything that does not fit, sorted by place; empty when the sequence may run on this bench."""
    bench = loaded.bench
    wiring = WiringReview(loaded.panel, loaded.bench_source, bench.outputs, bench.inputs)
    parts = (
        misnamed,
        unmapped,
        ratings,
        times,
        forbidden,
        too_long_on,
        unwatched_limits,
        timed_by_hand,
        stops,
        approval,
        supplies,
    )
    found = chain(wiring.problems(), *(part(loaded) for part in parts))
    return sorted(set(found))


def check_files(paths: Iterable[Path]) -> list[Problem]:
    """Every problem of every file, each kind told by the end of its name. Never raises for what a file holds.

    Sequences are reviewed across all that they name. A table is checked against the panel that its first
    line names, or by a sequence among `paths` that uses it.
    """
    problems: list[Problem] = []
    tables: list[Path] = []
    reviewed: set[Path] = set()
    for path in paths:
        try:
            if path.name.endswith(".sequence.yaml"):
                loaded = load_sequence(path)
                reviewed |= {used.resolve() for used in loaded.paths}
                problems += review(loaded)
            elif path.name.endswith(".table.csv"):
                tables.append(path)
            else:
                _load_alone(path)
        except FileError as error:
            problems += error.problems
    for path in tables:
        if path.resolve() not in reviewed:
            problems += _table_problems(path)
    return sorted(set(problems))


def _load_alone(path: Path) -> None:
    if path.name.endswith(".panel.yaml"):
        load_panel(path)
    elif path.name.endswith(".bench.yaml"):
        load_bench(path)
    else:
        endings = ", ".join(ENDINGS)
        message = (
            f"{quoted(path.name)} does not say what kind of file it is; expected a name that ends {endings}"
        )
        raise FileError([Problem(str(path), 1, 1, message)])


def _table_problems(path: Path) -> list[Problem]:
    try:
        panel_path = panel_named_in(path)
        if panel_path is None:
            message = (
                "a table alone does not say whose it is; let its first line be '# panel: NAME.panel.yaml', "
            )
            return [Problem(str(path), 1, 1, message + "or check the sequence that uses it")]
        load_table(path, load_panel(panel_path).panel)
    except FileError as error:
        return list(error.problems)
    return []
