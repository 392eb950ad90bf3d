"""The guardian's own journal: where it lies, and what it says in one line.

It is a journal like the runner's, without a seal, because whoever would seal the run is dead. It lies in the
run's folder as `guardian.jsonl`; where that run is sealed already, nothing may be added to it, and the file
lies beside the folder.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from harness.record.chain import Chain
from harness.record.journal import LONGEST_LINE, NAME

GUARDIAN = "guardian.jsonl"
_MOST_LINES = 10_000


def place_for(folder: str | Path) -> tuple[Path, str]:
    """Folder and name of the guardian's journal for the run in `folder`."""
    folder = Path(folder)
    if _sealed(folder / NAME):
        return folder.parent, beside(folder)
    return folder, GUARDIAN


def beside(folder: Path) -> str:
    """Its name beside the folder of a sealed run."""
    return f"{folder.name}.{GUARDIAN}"


def guardian_line(folder: Path) -> str:
    """What the guardian of the run in `folder` did, in one line; empty where it had nothing to do.

    Raises OSError.
    """
    for path in (folder / GUARDIAN, folder.parent / beside(folder)):
        if path.is_file():
            return f"guardian: {_told(path)}"
    return ""


def _told(path: Path) -> str:
    chain = Chain()
    entries: list[dict[str, Any]] = []
    with path.open("rb") as file:
        while (text := file.readline(LONGEST_LINE)) and len(entries) < _MOST_LINES:
            chain.take(text)
            if not chain.problems and not chain.torn and not chain.foreign:
                entries.append(json.loads(text))
    if chain.problems or chain.foreign:
        return f"its journal {path.name} is not whole: {chain.foreign or chain.problems[0]}"
    return _in_words(entries)


def _in_words(entries: list[dict[str, Any]]) -> str:
    by_kind = {entry["kind"]: entry for entry in entries}
    gone, made, given_up = (by_kind.get(kind) for kind in ("runner gone", "made safe", "given up"))
    if gone is None:
        return "its journal ends before it says anything"
    start = f"noticed at {_seconds(gone)}: {_text(gone, 'how')}; "
    ended = made or given_up
    if ended is not None:
        return f"{start}{_text(ended, 'text')}, at {_seconds(ended)}"
    missed = by_kind.get("attempt failed")
    because = f"; last trouble: {_text(missed, 'error')}" if missed else ""
    return f"{start}NOT SAFE as far as its journal goes{because}"


def _seconds(entry: dict[str, Any]) -> str:
    return f"{entry['at_us'] / 1e6:.3f} s"


def _text(entry: dict[str, Any], key: str) -> str:
    """A text from a file that anybody may have written, fit to be shown."""
    text = str(entry["data"].get(key, ""))[:500]
    return text if text.isprintable() else ascii(text)


def _sealed(journal: Path) -> bool:
    """Whether the last line is a seal; a journal that cannot be read counts as not sealed."""
    try:
        with journal.open("rb") as file:
            file.seek(max(0, journal.stat().st_size - LONGEST_LINE))
            lines = file.read().splitlines()
    except OSError:
        return False
    return bool(lines) and b'"kind":"sealed"' in lines[-1]
