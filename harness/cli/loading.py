"""Loading a sequence with all it names, reviewed: what several verbs begin with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.sequence.files import LoadedSequence


def load_checked(sequence: str, bench: str | None) -> LoadedSequence:
    """The sequence, its panel, bench and table, without a problem. Raises FileError with all problems."""
    from harness.demo_files import resolve
    from harness.errors import FileError
    from harness.sequence.files import load_sequence
    from harness.sequence.review import review

    other: Path | None = None if bench is None else resolve(bench)
    loaded = load_sequence(resolve(sequence), bench=other)
    problems = review(loaded)
    if problems:
        raise FileError(problems)
    return loaded
