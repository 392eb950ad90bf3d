"""A sequence file's entries to complete steps: every loop over positions written out, steps numbered."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import product
from math import prod

from harness.models import Problems
from harness.panel.parts import Panel
from harness.sequence.expected import Expected
from harness.sequence.file_shape import EachShape, EntryShape, SequenceShape, SetShape
from harness.sequence.making import At, Maker
from harness.sequence.naming import Naming
from harness.sequence.steps import Positions, States, Step, Watch
from harness.source import KeyPath

MAX_STEPS = 10_000


class TooManySteps(Exception):
    """The file makes more steps than any procedure needs; the problem is noted already."""


@dataclass(frozen=True, slots=True)
class Expanded:
    """Row 0, the watches of every step, and all steps in order."""

    rest_states: States
    never: tuple[Watch, ...]
    steps: tuple[Step, ...]


def expand(shape: SequenceShape, panel: Panel, expected: Expected, problems: Problems) -> Expanded:
    """All steps, complete. What is wrong is added to `problems`; the result is then incomplete."""
    naming = Naming(panel, problems)
    rest = _rest_states(shape, panel, expected, naming)
    maker = Maker(shape, panel, expected, naming, rest)
    expander = _Expander(maker, naming)
    with suppress(TooManySteps):
        expander.walk(shape.steps, ("steps",), {})
    return Expanded(rest, maker.never, tuple(expander.steps))


def _rest_states(shape: SequenceShape, panel: Panel, expected: Expected, naming: Naming) -> States:
    """Row 0: what the file says, else what is expected with everything at rest."""
    if shape.rest is not None:
        states = naming.states(("rest",), shape.rest)
        path: KeyPath = ("rest",)
    else:
        found = expected.at(panel.rest)
        states = found.states if found else {}
        path = ("expected",)
    if not states:
        naming.problems.add(
            path, "no expected states with everything at rest (row 0); add such a row, or 'rest: {...}'"
        )
    return states


class _Expander:
    """Walks entries in order and numbers what the maker makes of them."""

    def __init__(self, maker: Maker, naming: Naming) -> None:
        self._maker = maker
        self._naming = naming
        self._visited = 0
        self.steps: list[Step] = []

    def walk(self, entries: tuple[EntryShape, ...], path: KeyPath, given: Positions) -> None:
        for index, entry in enumerate(entries):
            at = At((*path, index), given)
            if isinstance(entry, EachShape):
                self._each(entry, at)
            else:
                self._count(1, at)
                named = entry.title is not None or not isinstance(entry, SetShape)
                self._emit(self._maker.make(entry, at), at, suffixed=named)

    def _emit(self, steps: list[Step], at: At, *, suffixed: bool) -> None:
        """Number steps; the loops' positions go after titles that do not say them already."""
        self._count(max(0, len(steps) - 1), at)
        given = ", ".join(f"{tag}={position}" for tag, position in at.given.items())
        suffix = f" ({given})" if given and suffixed else ""
        for step in steps:
            number = len(self.steps) + 1
            self.steps.append(replace(step, title=f"{number}. {step.title}{suffix}"))

    def _each(self, entry: EachShape, at: At) -> None:
        path = at.key("each")
        known = [tag for tag in entry.each if self._naming.device((*path, tag), tag)]
        fine = [
            self._naming.position((*path, tag, index), tag, position)
            for tag in known
            for index, position in enumerate(entry.each[tag])
        ]
        if len(known) < len(entry.each) or not all(fine):
            return
        if prod(len(positions) for positions in entry.each.values()) > MAX_STEPS:
            self._too_many(at)
        for given in _combinations(entry):
            self.walk(entry.steps, at.key("steps"), at.given | given)

    def _count(self, steps: int, at: At) -> None:
        self._visited += steps
        if self._visited > MAX_STEPS:
            self._too_many(at)

    def _too_many(self, at: At) -> None:
        message = f"more than {MAX_STEPS} steps up to here with all loops written out; make the lists shorter"
        self._naming.problems.add(at.path, message)
        raise TooManySteps


def _combinations(entry: EachShape) -> Iterator[Positions]:
    for positions in product(*entry.each.values()):
        yield dict(zip(entry.each, positions, strict=True))
