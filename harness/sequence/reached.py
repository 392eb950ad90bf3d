"""What the steps of a sequence reach: combinations of positions and expected states, with their steps."""

from __future__ import annotations

from collections.abc import Iterator

from harness.sequence.steps import CycleStep, HoldStep, Positions, Sequence, SetStep, States, Step, StopStep
from harness.source import KeyPath


def positions_of(step: Step) -> tuple[Positions, ...]:
    """The positions that a step drives the panel through, in order."""
    if isinstance(step, StopStep):
        return (step.running, step.demand)
    if isinstance(step, CycleStep):
        return tuple(positions for positions, _ in step.rows)
    if isinstance(step, SetStep | HoldStep):
        return (step.positions,)
    return (step.start, step.end)


def states_of(step: Step) -> tuple[States, ...]:
    """The states that a step expects or watches for."""
    watched = tuple(watch.states for watch in step.never)
    if isinstance(step, StopStep):
        return (step.running_states, step.stopped, step.after, *watched)
    if isinstance(step, CycleStep):
        return (*(states for _, states in step.rows), *watched)
    if isinstance(step, SetStep | HoldStep):
        return (step.states, *watched)
    return ({step.of: step.to}, *watched)


def positions_reached(sequence: Sequence) -> Iterator[tuple[Positions, KeyPath]]:
    """Positions of all steps with the key path of the step's entry; the same ones only once."""
    seen: set[tuple[tuple[str, str], ...]] = set()
    for step in sequence.steps:
        for positions in positions_of(step):
            key = tuple(positions.items())
            if key not in seen:
                seen.add(key)
                yield positions, step.path


def expected_tags(sequence: Sequence) -> dict[str, KeyPath]:
    """Every relay or load that is judged or watched, with the entry that names it first; row 0 is first."""
    tags: dict[str, KeyPath] = dict.fromkeys(sequence.rest_states, ("rest",))
    for step in sequence.steps:
        for states in states_of(step):
            for tag in states:
                tags.setdefault(tag, step.path)
    return tags
