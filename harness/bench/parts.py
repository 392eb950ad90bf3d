"""The bench as plain frozen values: boards, channels, terminal map, ratings. See `harness.bench.files`."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from harness.panel.parts import Span, Terminal

SettingValue = str | int | float | bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Watchdog:
    """A board's own communication watchdog: without a request for `time_out_s` it makes its outputs safe.

    How it is armed, fed and cleared are settings of the driver. `proof_output` is the output that is switched
    on, with the panel's supply off, to see the watchdog switch it off. `proof_input` is an input of the same
    board looped to that output, for a board that cannot read its outputs back.
    """

    time_out_s: float
    proof_output: int
    proof_input: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardSpec:
    """One IO board. `settings` are the driver's own keys (host, port, unit, addresses), checked by it.

    `safe_on`: outputs that are on in the safe state; all others are off in it. `poll_s`: pause between two
    reads while waiting (0 = flat out). `input_age_s`: how old a reported input may be. `output_delay_s`: from
    acknowledgement of a write to the contact having moved, as stated. `retries`: how often a question without
    an answer, or with a garbled one, is asked again.
    """

    name: str
    driver: str
    settings: dict[str, SettingValue]
    output_count: int
    input_count: int
    timeout_s: float = 0.5
    retries: int = 0
    poll_s: float = 0.0
    input_age_s: float = 0.0
    output_delay_s: Span = Span(0.0, 0.0)
    highest_v: float = 0.0
    breaking_a: float = 0.0
    safe_on: tuple[int, ...] = ()
    watchdog: Watchdog | None = None

    @property
    def safe_image(self) -> int:
        """The safe state: bit k for output k."""
        return sum(1 << channel for channel in self.safe_on)


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
class Measure:
    """An analogue value in a board's registers: value = raw * scale + offset, in `unit`.

    `table` and `register` say where, as an address on the wire from 0; `words` registers, high word first,
    `signed` as two's complement. `uncertainty` is the half-width, in `unit`, within which the true value
    lies. `of` is the tag of the supply that it measures, or empty; `tolerance` is how far, as a share of the
    level asked for, that supply may be off. `before_contactor`: it sees the supply also while the contactor
    is open.
    """

    name: str
    board: str
    table: Literal["holding", "input"]
    register: int
    scale: float
    unit: str
    uncertainty: float
    offset: float = 0.0
    words: int = 1
    signed: bool = False
    of: str = ""
    tolerance: float = 0.05
    before_contactor: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplySetting:
    """The holding register that sets the level of a programmable supply: volts = raw * `scale_v`."""

    of: str
    board: str
    register: int
    scale_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A bench: boards, the terminal map, its own channels and rules.

    `hand_set`: things that no output drives; the run asks a person, or sets the supply where it is one of
    `supply_settings`. `forbidden`: combinations of device
    positions that outputs never pass through. `longest_on_s`: longest time a load may be kept on, by tag.
    `simulated`: nothing real is connected; so when any of its boards is simulated, or when it says so.
    `guardian`: how the guardian reaches the boards once the runner is dead: `shared` takes over the runner's
    own open descriptors where system and driver can, and falls back to `own`, which opens the ports itself.
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
    measures: tuple[Measure, ...] = ()
    supply_settings: tuple[SupplySetting, ...] = ()
    guardian: Literal["shared", "own"] = "shared"

    def board(self, name: str) -> BoardSpec:
        """Raises KeyError when the bench has no such board."""
        return {board.name: board for board in self.boards}[name]
