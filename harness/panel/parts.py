"""The parts of a panel as plain frozen values: what the wiring diagram says, nothing computed.

A terminal is text `TAG:NUMBER` (`K1:21`, `X1:7`), or the bare name of a supply pole or earth (`L+`).
All quantities are SI floats; the unit is in the name. Files are read by `harness.panel.files`, the
circuit is solved by `harness.panel.network`; this module imports neither.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Terminal = str
ContactKind = Literal["make", "break", "change-over", "always closed", "always open"]
RelayKind = Literal["plain", "delayed pick-up", "delayed drop-out", "latching", "hand-reset"]
Suppression = Literal["none", "diode", "resistor"]


@dataclass(frozen=True, slots=True)
class Span:
    """A closed range of a quantity, low <= high, SI unit."""

    low: float
    high: float

    @property
    def mid(self) -> float:
        return (self.low + self.high) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """A DC supply. It is also a thing with positions, set by hand: `nominal`, `lowest`, `highest`."""

    tag: str
    positive: Terminal
    negative: Terminal
    nominal_v: float
    range_v: Span

    @property
    def levels(self) -> dict[str, float]:
        return {"nominal": self.nominal_v, "lowest": self.range_v.low, "highest": self.range_v.high}


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceContact:
    """One contact of a device, named `13-14`; closed in the listed positions."""

    name: str
    terminals: tuple[Terminal, Terminal]
    closed_in: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A switch whose contacts the bench imitates; `positions[0]` is its rest position.

    `inside` is True for a circuit breaker or switch that is part of the panel: its contacts are real,
    no bench output replaces them and a person sets it. `change` says whether contacts open before others
    close when the position changes (`gap`) or the other way round (`overlap`). `rating_a` is a breaker's
    rated current, None where it is not stated.
    """

    tag: str
    title: str = ""
    positions: tuple[str, ...]
    contacts: tuple[DeviceContact, ...]
    change: Literal["gap", "overlap"] = "gap"
    inside: bool = False
    rating_a: float | None = None

    @property
    def rest(self) -> str:
        return self.positions[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Coil:
    """A coil. Resistance at 20 C; pick-up and drop-out voltage at 20 C, across the coil alone."""

    terminals: tuple[Terminal, Terminal]
    resistance_ohm: float
    inductance_h: float
    pick_up_v: float
    drop_out_v: float
    suppression: Suppression = "none"
    suppression_ohm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayContact:
    """A relay contact: (a, b) for make and break; (common, break, make) for change-over (31-32-34)."""

    name: str
    kind: ContactKind
    terminals: tuple[Terminal, ...]
    resistance_ohm: float = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Relay:
    """A relay. `coils` has one coil, or (set, reset) for a latching relay.

    `operate_s` and `release_s` hold at nominal supply and 20 C, to the last make (break) contact closed,
    bounce excluded. `gap_s`: the contact that opens does so this much before the other one closes.
    `delay_s` is the extra delay of a time-delay relay. A hand-reset relay stays picked up until device
    `reset_by` is in one of `reset_in`.
    """

    tag: str
    title: str = ""
    kind: RelayKind = "plain"
    coils: tuple[Coil, ...]
    operate_s: Span
    release_s: Span
    contacts: tuple[RelayContact, ...]
    delay_s: Span = Span(0.0, 0.0)
    bounce_s: float = 0.0
    gap_s: float = 0.0
    reset_by: str = ""
    reset_in: frozenset[str] = frozenset()
    armature: Literal["free", "stuck picked up", "stuck dropped out"] = "free"


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """A solenoid, lamp or governor coil that the panel feeds. (positive, negative) terminals."""

    tag: str
    title: str = ""
    kind: Literal["solenoid", "lamp", "coil"] = "solenoid"
    coil: Coil


@dataclass(frozen=True, slots=True, kw_only=True)
class Resistor:
    """Terminals `TAG:1` and `TAG:2`."""

    tag: str
    terminals: tuple[Terminal, Terminal]
    resistance_ohm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Diode:
    """Piecewise linear: blocks below `forward_v`, above it `forward_v` plus `on_ohm` times current.

    Terminals `TAG:A` (anode) and `TAG:K` (cathode).
    """

    tag: str
    anode: Terminal
    cathode: Terminal
    forward_v: float = 0.7
    on_ohm: float = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Wire:
    """A wire as a run of terminals in the order in which it is looped; each hop can open on its own.

    `open_hops` lists the hops that are broken: hop 0 lies between terminals[0] and terminals[1].
    """

    tag: str
    terminals: tuple[Terminal, ...]
    open_hops: frozenset[int] = frozenset()

    @property
    def hops(self) -> tuple[tuple[Terminal, Terminal], ...]:
        return tuple(zip(self.terminals, self.terminals[1:], strict=False))


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagram:
    """The wiring diagram that the panel file was entered from."""

    number: str
    revision: str
    modifications: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """The circuit of one wiring diagram at one revision. Tags are unique over all parts.

    `stopped` holds the patterns of states that mean "the engine is stopped"; any one of them is a stop.
    """

    tag: str
    title: str
    diagram: Diagram
    supplies: tuple[Supply, ...]
    earth: Terminal | None = None
    devices: tuple[Device, ...] = ()
    relays: tuple[Relay, ...] = ()
    loads: tuple[Load, ...] = ()
    resistors: tuple[Resistor, ...] = ()
    diodes: tuple[Diode, ...] = ()
    wires: tuple[Wire, ...] = ()
    stopped: tuple[dict[str, bool], ...] = ()
    not_proved: tuple[str, ...] = ()

    @property
    def outputs(self) -> tuple[str, ...]:
        """Tags of relays and loads, in file order: the columns that a truth table can state."""
        return tuple(relay.tag for relay in self.relays) + tuple(load.tag for load in self.loads)

    def device(self, tag: str) -> Device:
        """Raises KeyError when the panel has no such device."""
        return {device.tag: device for device in self.devices}[tag]

    @property
    def positions(self) -> dict[str, tuple[str, ...]]:
        """Everything that can be set and its positions, rest first: devices, then supplies by level."""
        places = {device.tag: device.positions for device in self.devices}
        return places | {supply.tag: tuple(supply.levels) for supply in self.supplies}

    @property
    def rest(self) -> dict[str, str]:
        """Everything that can be set, at rest."""
        return {tag: names[0] for tag, names in self.positions.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class OuterContact:
    """A contact that something outside opens and closes: a bench output, or a device's own contact."""

    name: str
    terminals: tuple[Terminal, Terminal]
    resistance_ohm: float = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """What a bench input connects between two terminals, and when it reads on.

    With `wetting_v` = 0 it is a voltage input: `resistance_ohm` between the terminals, on when the voltage
    from the first to the second is at or above `on_v`, off when at or below `off_v`, unchanged between.
    With `wetting_v` > 0 it is a dry-contact input: a source of that voltage in series with the resistance,
    and the thresholds apply to the voltage across the resistance.
    """

    name: str
    terminals: tuple[Terminal, Terminal]
    resistance_ohm: float
    on_v: float
    off_v: float
    filter_s: float = 0.0
    wetting_v: float = 0.0
    both_polarities: bool = False
