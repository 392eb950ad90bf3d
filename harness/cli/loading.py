"""Loading a sequence with all it names, reviewed: what several verbs begin with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.sequence.files import LoadedSequence


def load_checked(sequence: str, bench: str | None) -> LoadedSequence:
    """The sequence, its panel, bench and table, without a problem. Raises FileError with all problems.

    Raises UsageError for a file of another kind, so that not every key of it is called unknown.
    """
    from harness.demo_files import resolve
    from harness.errors import FileError, UsageError
    from harness.sequence.files import load_sequence
    from harness.sequence.review import review

    if not sequence.endswith(".sequence.yaml"):
        raise UsageError(f"{sequence}: expected a sequence file, its name ends in .sequence.yaml")
    other: Path | None = None if bench is None else resolve(bench)
    loaded = load_sequence(resolve(sequence), bench=other)
    problems = review(loaded)
    if problems:
        raise FileError(problems)
    return loaded
