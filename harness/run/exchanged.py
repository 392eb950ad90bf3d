"""Whether the readings of a failing run fit two inputs wired to each other's place. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from harness.bench.parts import InputChannel
from harness.run.channels import Channels
from harness.sequence.steps import States


@dataclass(frozen=True, slots=True)
class Seen:
    """A settled state that was judged: what was expected and the input word."""

    states: States
    word: int


def exchanged_inputs(seen: Sequence[Seen], channels: Channels) -> tuple[InputChannel, InputChannel] | None:
    """The only pair of inputs whose exchange turns every wrong reading right; None for none or several.

    Several pairs that fit say nothing; a run with nothing wrong has no pair.
    """
    wants = [_expected_bits(one.states, channels) for one in seen]
    if all(word & mask == value for (mask, value), word in zip(wants, _words(seen), strict=True)):
        return None
    wrong = [c for c in _judging(channels) if _read_wrong(channels.bit(c.name), seen, wants)]
    fitting = [
        pair
        for pair in combinations(wrong, 2)
        if all(
            _exchange(one.word, channels.bit(pair[0].name), channels.bit(pair[1].name)) & mask == value
            for one, (mask, value) in zip(seen, wants, strict=True)
        )
    ]
    return fitting[0] if len(fitting) == 1 else None


def _read_wrong(bit: int, seen: Sequence[Seen], wants: Sequence[tuple[int, int]]) -> bool:
    return any(
        mask & bit and (one.word ^ value) & bit for one, (mask, value) in zip(seen, wants, strict=True)
    )


def _judging(channels: Channels) -> list[InputChannel]:
    return [channel for group in channels.judging.values() for channel in group]


def _words(seen: Sequence[Seen]) -> list[int]:
    return [one.word for one in seen]


def _expected_bits(states: States, channels: Channels) -> tuple[int, int]:
    pattern = channels.pattern(states)
    return pattern.mask, pattern.value


def _exchange(word: int, one: int, other: int) -> int:
    if bool(word & one) == bool(word & other):
        return word
    return word ^ one ^ other
