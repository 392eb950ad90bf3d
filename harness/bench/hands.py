"""The hands of a simulated bench: a board named `hand` that sets what a person sets on a real one.

Each thing set by hand has one output per position, one-hot: exactly one on means that position, none on
means its rest position. So the same run drives a simulated breaker or supply over the same wire.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from harness.bench.parts import Bench, BoardSpec
from harness.panel.parts import Panel, Span

HAND = "hand"
HAND_UNIT = 247  # the highest address a Modbus device may have (MODBUS over Serial Line V1.02, 2.2)


def hand_channels(
    hand_set: Sequence[str], positions: Mapping[str, tuple[str, ...]]
) -> tuple[tuple[str, str], ...]:
    """Output k of board `hand` as (tag, position). Raises ValueError for a tag that has no positions."""
    unknown = [tag for tag in hand_set if tag not in positions]
    if unknown:
        raise ValueError(f"set by hand but not in the panel: {', '.join(unknown)}")
    return tuple((tag, place) for tag in dict.fromkeys(hand_set) for place in positions[tag])


def hand_outputs(channels: Sequence[tuple[str, str]], positions: Mapping[str, str]) -> dict[int, bool]:
    """The outputs of board `hand` that put things into `positions`; those not named are not touched."""
    return {index: positions[tag] == place for index, (tag, place) in enumerate(channels) if tag in positions}


def hand_positions(channels: Sequence[tuple[str, str]], image: int) -> dict[str, str | None]:
    """What an output image means: tag to position, None for at rest.

    Raises ValueError when two positions of one thing are on at once.
    """
    chosen: dict[str, str | None] = {}
    for index, (tag, place) in enumerate(channels):
        chosen.setdefault(tag, None)
        if not image >> index & 1:
            continue
        if chosen[tag] is not None:
            raise ValueError(f"{tag} cannot be in {chosen[tag]} and {place} at once")
        chosen[tag] = place
    return chosen


def hand_board_spec(bench: Bench, panel: Panel, like: BoardSpec) -> BoardSpec:
    """The board `hand` of this bench, reached as board `like` is."""
    channels = hand_channels(bench.hand_set, panel.positions)
    addresses = {"unit": HAND_UNIT, "first output": 0, "first input": 0} if like.settings else {}
    return replace(
        like,
        name=HAND,
        settings=like.settings | addresses,
        output_count=len(channels),
        input_count=0,
        input_age_s=0.0,
        output_delay_s=Span(0.0, 0.0),
        safe_on=(),
        watchdog=None,
    )
