"""What each bit of the combined input word shows, and which bits judge a relay or load. Pure.

The inputs of all boards form one integer, board after board. A relay's state is judged by the inputs that
watch its contacts and, only where there is none, by those that watch its coil: a coil at voltage is no proof
of a relay picked up. Where several judge one tag they must agree; while they do not, its state is None.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from harness.bench.parts import Bench, InputChannel, SpecialChannel
from harness.clock import NS


@dataclass(frozen=True, slots=True)
class Pattern:
    """Bits that must read a value: `word & mask == value`."""

    mask: int
    value: int

    def shown_by(self, word: int) -> bool:
        return word & self.mask == self.value


class Channels:
    """The input map of one bench. `slack_ns`: how much later than a change an input may report it."""

    def __init__(self, bench: Bench) -> None:
        self.offsets: dict[str, int] = {}
        width = 0
        for board in bench.boards:
            self.offsets[board.name] = width
            width += board.input_count
        self._bits = {channel.name: self._bit(channel) for channel in bench.inputs}
        own = {"supply present": bench.supply_present, "emergency stop": bench.emergency_stop}
        self._names = self._bits | {name: self._bit(c) for name, c in own.items() if c is not None}
        self.inputs = {channel.name: channel for channel in bench.inputs}
        self.judging = _judging(bench.inputs)
        self.slack_ns = round(
            NS
            * (
                max((channel.filter_s for channel in bench.inputs), default=0.0)
                + max((board.input_age_s for board in bench.boards), default=0.0)
            )
        )
        self._states: dict[int, dict[str, bool | None]] = {}

    def _bit(self, channel: InputChannel | SpecialChannel) -> int:
        return 1 << (self.offsets[channel.board] + channel.channel)

    def bit(self, name: str) -> int:
        """The bit of input `name` in the combined word."""
        return self._bits[name]

    def pattern(self, states: Mapping[str, bool]) -> Pattern:
        """The bits that show `states`. Raises KeyError for a tag that nothing observes."""
        mask = value = 0
        for tag, on in states.items():
            for channel in self.judging[tag]:
                bit = self._bits[channel.name]
                mask |= bit
                value |= bit if on != channel.inverted else 0
        return Pattern(mask, value)

    def states(self, word: int) -> dict[str, bool | None]:
        """Relay and load states as `word` shows them; None where the judging inputs disagree."""
        known = self._states.get(word)
        if known is None:
            known = self._states[word] = {tag: self.state(tag, word) for tag in self.judging}
        return known

    def state(self, tag: str, word: int) -> bool | None:
        """One relay or load as `word` shows it."""
        shown = {bool(word & self._bits[c.name]) != c.inverted for c in self.judging[tag]}
        return shown.pop() if len(shown) == 1 else None

    def named(self, word: int, mask: int) -> dict[str, str]:
        """Every mapped input within `mask` by name, `on` or `off`."""
        return {name: "on" if word & bit else "off" for name, bit in self._names.items() if bit & mask}


def _judging(inputs: Iterable[InputChannel]) -> dict[str, tuple[InputChannel, ...]]:
    by_tag: dict[str, list[InputChannel]] = {}
    for channel in inputs:
        by_tag.setdefault(channel.watches, []).append(channel)
    return {
        tag: tuple(c for c in channels if c.proves != "coil") or tuple(channels)
        for tag, channels in by_tag.items()
    }
