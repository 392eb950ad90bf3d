"""Failed rows counted by what was off rest in them: which stop circuit is at fault, in a line or two."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.measure.reading import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from harness.panel.parts import Panel
    from harness.run.engine import StepResult

NAMED_POSITIONS = 3
"""A device with more positions is counted as a whole: a line for each notch would tell less."""
LINE = 80
TWO_LINES = 156


def counted(steps: Sequence[StepResult], panel: Panel) -> list[str]:
    """At most three lines of 80 columns: where rows failed, and with what off rest none did.

    Two faults whose first rows fail alike differ in this. A row counts once for each thing off rest.
    """
    counts: dict[str, list[int]] = {}
    for step in steps:
        for name in _groups(step, panel):
            count = counts.setdefault(name, [0, 0])
            count[0] += step.verdict is Verdict.FAIL
            count[1] += 1
    failed = {name: count for name, count in counts.items() if count[0]}
    if not failed:
        return []
    worst_first = sorted(failed, key=lambda name: (-failed[name][0] / failed[name][1], -failed[name][0]))
    most_first = sorted((n for n in counts if n not in failed), key=lambda name: -counts[name][1])
    lines = [_fitted("failed: ", worst_first, counts, TWO_LINES)]
    if most_first:
        room = LINE if len(lines[0]) > LINE else TWO_LINES
        lines.append(_fitted("none failed: ", most_first, counts, room))
    return lines


def _groups(step: StepResult, panel: Panel) -> Iterator[str]:
    """`S1 pressed` for each thing off rest, `S2 not idle` for one with many positions."""
    moved = {tag: place for tag, place in step.positions.items() if place != panel.rest.get(tag)}
    if not moved:
        yield "all at rest"
    for tag, place in moved.items():
        many = len(panel.positions.get(tag, ())) > NAMED_POSITIONS
        yield f"{tag} not {panel.rest[tag]}" if many else f"{tag} {place}"


def _fitted(start: str, names: list[str], counts: dict[str, list[int]], room: int) -> str:
    """As many counts as fit, and how many are left out."""
    parts = [f"{name}: {counts[name][0]} of {counts[name][1]}" for name in names]
    for kept in range(len(parts), 0, -1):
        more = [f"and {len(parts) - kept} more"] if kept < len(parts) else []
        line = start + "; ".join(parts[:kept] + more)
        if len(line) <= room:
            return line
    return start + parts[0]
