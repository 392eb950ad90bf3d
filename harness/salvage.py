"""What is sound of a file whose shape has faults, so that all of its problems can be told in one go.

A part (a relay, a board) with a fault in it is left out and its name kept, so that nothing else is blamed for
naming it. Where a fault makes the rest meaningless (a misspelt section), nothing is salvaged.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from harness.source import KeyPath
from harness.wording import nearest_name


@dataclass(frozen=True)
class Plan:
    """How to salvage a kind of file. `sections` hold parts by name. `fillers` are the keys that the rest does
    not hang on: a broken one is replaced by its filler, or left out where that is None. `known`: all keys."""

    sections: Collection[str]
    fillers: Mapping[str, object]
    known: Collection[str]


def salvage(data: object, faults: Iterable[KeyPath], plan: Plan) -> tuple[dict[str, object], set[str]] | None:
    """The data without what `faults` lie in, and the names of parts left out; None: nothing to salvage."""
    if not isinstance(data, dict):
        return None
    sound = {key: dict(value) if isinstance(value, dict) else value for key, value in data.items()}
    broken: set[str] = set()
    for path in faults:
        if not path:
            continue  # a key is missing: filled in below, or refused again
        key = str(path[0])
        section = sound.get(key)
        if key in plan.sections and len(path) > 1 and isinstance(section, dict):
            section.pop(path[1], None)
            broken.add(str(path[1]))
        elif key in plan.fillers:
            sound.pop(key, None)
        elif key in plan.known or nearest_name(key, plan.sections):
            return None
        else:
            sound.pop(key, None)
    filled = {key: filler for key, filler in plan.fillers.items() if filler is not None}
    return filled | sound, broken
