"""The bench as plain frozen values: boards, channels, terminal map, ratings. See `harness.bench.files`."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from harness.panel.parts import Span, Terminal

SettingValue = str | int | float | bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardSpec:
    """One IO board. `settings` are the driver's own keys (host, port, unit, addresses), checked by it.

    `poll_s`: pause between two reads while waiting (0 = flat out). `input_age_s`: how old a reported input
    may be. `output_delay_s`: from acknowledgement of a write to the contact having moved, as stated.
    """

    name: str
    driver: str
    settings: dict[str, SettingValue]
    output_count: int
    input_count: int
    timeout_s: float = 0.5
    poll_s: float = 0.0
    input_age_s: float = 0.0
    output_delay_s: Span = Span(0.0, 0.0)
    highest_v: float = 0.0
    breaking_a: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputChannel:
    """A bench output contact wired to two panel terminals in place of one device contact.

    `imitates` is (device tag, contact name). `normally_closed`: the output relay's break contact is used,
    so that the contact is closed while the channel is off.
    """

    name: str
    board: str
    channel: int
    imitates: tuple[str, str]
    terminals: tuple[Terminal, Terminal]
    normally_closed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class InputChannel:
    """A bench input between two panel terminals, and what a reading of it proves.

    `watches` is the tag of a relay or load; `proves` says by what: the coil's or load's own voltage, or a
    spare contact of the relay. `inverted`: the input is on when the watched thing is off (a break contact).
    """

    name: str
    board: str
    channel: int
    watches: str
    proves: Literal["coil", "load", "contact"]
    terminals: tuple[Terminal, Terminal]
    resistance_ohm: float
    on_v: float
    off_v: float
    filter_s: float = 0.0
    wetting_v: float = 0.0
    highest_v: float = 0.0
    both_polarities: bool = False
    inverted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecialChannel:
    """A channel of the bench's own: supply contactor, emergency-stop input, supply-present input."""

    board: str
    channel: int
    inverted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A bench: boards, the terminal map, its own channels and rules.

    `hand_set`: things that no board drives; the run asks a person. `forbidden`: combinations of device
    positions that outputs never pass through. `longest_on_s`: longest time a load may be kept on, by tag.
    `simulated`: nothing real is connected; so when any of its boards is simulated, or when it says so.
    """

    tag: str
    title: str
    boards: tuple[BoardSpec, ...]
    outputs: tuple[OutputChannel, ...] = ()
    inputs: tuple[InputChannel, ...] = ()
    hand_set: tuple[str, ...] = ()
    contactor: SpecialChannel | None = None
    emergency_stop: SpecialChannel | None = None
    supply_present: SpecialChannel | None = None
    forbidden: tuple[dict[str, str], ...] = ()
    longest_on_s: dict[str, float] = field(default_factory=dict)
    simulated: bool = False

    def board(self, name: str) -> BoardSpec:
        """Raises KeyError when the bench has no such board."""
        return {board.name: board for board in self.boards}[name]
