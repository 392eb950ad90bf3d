"""What `watch` shows, as words: every channel of the bench, from its inputs and outputs. Pure.

The same words make the live screen, the plain lines of a pipe and the JSON document.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from harness.bench.parts import Bench, InputChannel, Measure, SpecialChannel
from harness.run.by_hand import Held, outputs_of, own_channels
from harness.run.channels import Channels
from harness.run.looking import Seen


class View:
    """The words for one bench."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.outputs = outputs_of(bench)
        self._channels = Channels(bench)
        self._own = dict(own_channels(bench))

    def input_on(self, channel: InputChannel | SpecialChannel, seen: Seen) -> bool:
        """Whether that input reads on."""
        return bool(seen.word >> self._channels.offsets[channel.board] + channel.channel & 1)

    def own(self, name: str, seen: Seen) -> bool | None:
        """`emergency stop` pressed, `supply present`; None where the bench has no such input."""
        channel = self._own.get(name)
        return None if channel is None else self.input_on(channel, seen) != channel.inverted

    def output_on(self, held: Held, seen: Seen) -> bool:
        """Whether it is commanded on."""
        return bool(seen.commanded[held.board] >> held.channel & 1)

    def output_reads(self, held: Held, seen: Seen) -> bool | None:
        """Whether it reads back on; None where its board cannot say."""
        image = seen.read_back.get(held.board)
        return None if image is None else bool(image >> held.channel & 1)

    def output_words(self, held: Held, seen: Seen) -> str:
        """`ON`, `off`, and what it reads where that differs."""
        on, reads = self.output_on(held, seen), self.output_reads(held, seen)
        differs = f" READS {_on(reads)}" if reads is not None and reads != on else ""
        return f"{_on(on)}{differs}"

    def input_shows(self, channel: InputChannel, seen: Seen) -> str:
        """What the input says of the thing that it watches."""
        on = self.input_on(channel, seen) != channel.inverted
        if channel.proves == "contact":
            return "picked up" if on else "dropped out"
        return "energised" if on else "de-energised"

    def own_words(self, seen: Seen) -> list[str]:
        """The bench's own channels, contactor first; those it lacks are said to be lacking."""
        lacking = (
            [] if self.bench.contactor else ["no supply contactor: the bench does not switch the supply"]
        )
        return [
            *lacking,
            *_own_words("emergency stop", self.own("emergency stop", seen)),
            *_own_words("supply present", self.own("supply present", seen)),
        ]

    def contactor_closed(self, seen: Seen) -> bool | None:
        """Whether the supply contactor is commanded or read closed; None where there is none."""
        if self.bench.contactor is None:
            return None
        held = self.outputs[-1]
        return self.output_on(held, seen) or bool(self.output_reads(held, seen))

    def strays(self, seen: Seen) -> list[str]:
        """Inputs and outputs that read on though the terminal map does not have them."""
        return [name for name, on in self._unmapped(seen) if on]

    def _unmapped(self, seen: Seen) -> Iterator[tuple[str, bool]]:
        inputs = {(c.board, c.channel) for c in self.bench.inputs}
        inputs |= {(c.board, c.channel) for c in self._own.values()}
        outputs = {(held.board, held.channel) for held in self.outputs}
        for board in self.bench.boards:
            for number in range(board.input_count):
                if (board.name, number) not in inputs:
                    bit = self._channels.offsets[board.name] + number
                    yield f"{board.name} input {number}", bool(seen.word >> bit & 1)
            image = seen.read_back.get(board.name)
            image = seen.commanded[board.name] if image is None else image
            for number in range(board.output_count):
                if (board.name, number) not in outputs:
                    yield f"{board.name} output {number}", bool(image >> number & 1)

    def value_words(self, measure: Measure, seen: Seen) -> str:
        """`U1 72.1 V +- 0.4 V (main)`."""
        value = seen.values.get(measure.name)
        of = f" ({measure.of})" if measure.of else ""
        shown = (
            "cannot be read"
            if value is None
            else f"{value:.4g} {measure.unit} +- {measure.uncertainty:g} {measure.unit}"
        )
        return f"{measure.name} {shown}{of}"

    def lines(self, seen: Seen) -> dict[str, str]:
        """Everything as plain lines, by name, for a pipe."""
        lines = {
            h.name: f"{h.what} {self.output_words(h, seen)}, contact {h.contact(self.output_on(h, seen))}"
            for h in self.outputs
        }
        for channel in self.bench.inputs:
            on = _on(self.input_on(channel, seen)).lower()
            lines[channel.name] = f"{channel.name} {channel.watches} {on}: {self.input_shows(channel, seen)}"
        for name in self._own:
            lines[name] = _own_words(name, self.own(name, seen))[0]
        lines |= {
            name: f"{name} {_on(on).lower()} (not in the terminal map)" for name, on in self._unmapped(seen)
        }
        return lines

    def as_json(self, seen: Seen) -> dict[str, Any]:
        """Everything, for --json."""
        return {
            "outputs": [self._output_json(held, seen) for held in self.outputs if held.imitates],
            "inputs": [self._input_json(channel, seen) for channel in self.bench.inputs],
            "supply contactor": self._output_json(self.outputs[-1], seen) if self.bench.contactor else None,
            "emergency stop pressed": self.own("emergency stop", seen),
            "supply present": self.own("supply present", seen),
            "measures": [_measure_json(measure, seen) for measure in self.bench.measures],
            "not in the terminal map": dict(self._unmapped(seen)),
        }

    def _output_json(self, held: Held, seen: Seen) -> dict[str, Any]:
        named = {"channel": held.name, "board": held.board, "number": held.channel}
        imitates = ".".join(held.imitates) if held.imitates else None
        on = self.output_on(held, seen)
        contact = {"contact": held.contact(on)}
        return named | {"imitates": imitates, "on": on, "reads back": self.output_reads(held, seen)} | contact

    def _input_json(self, channel: InputChannel, seen: Seen) -> dict[str, Any]:
        named = {"channel": channel.name, "board": channel.board, "number": channel.channel}
        watched = {"watches": channel.watches, "proves": channel.proves}
        return (
            named | watched | {"on": self.input_on(channel, seen), "shows": self.input_shows(channel, seen)}
        )


def _on(on: bool | None) -> str:
    return "ON" if on else "off"


def _own_words(name: str, state: bool | None) -> list[str]:
    words = {
        "emergency stop": ("EMERGENCY STOP PRESSED, or its loop broken", "emergency stop not pressed"),
        "supply present": ("supply present", "supply absent"),
    }[name]
    return [] if state is None else [words[0] if state else words[1]]


def _measure_json(measure: Measure, seen: Seen) -> dict[str, Any]:
    known = {"name": measure.name, "of": measure.of or None, "unit": measure.unit}
    return known | {"value": seen.values.get(measure.name), "uncertainty": measure.uncertainty}
