"""Elements: a panel and what the bench connects to it, as branches between numbered nets.

Copper coils scale with temperature, R = R20 (234.5 + T) / 254.5 (a filament lamp does not); their
thresholds are currents, stated voltage over R at 20 C, and do not scale (the usual rule for copper
coils: pick-up and drop-out current constant, so their voltages scale as the resistance).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.panel.nets import join, terminals_of, unbroken_hops
from harness.panel.parts import Coil, OuterContact, Panel, Probe, RelayContact, Terminal

LEAK_S = 1e-9  # from each net to the reference, and across each blocking diode: keeps floating parts regular
SMALLEST_OHM = 1e-3  # a shorted part still has this much
SUPPRESSION_FORWARD_V = 0.7
SUPPRESSION_ON_OHM = 0.05
PICKED_UP, DROPPED_OUT, CLOSED = "picked up", "dropped out", "closed"
CONTACT_S = 20.0  # a contact whose resistance nobody stated: 0.05 ohm


@dataclass(frozen=True, slots=True)
class Contact:
    """Closed while the state of its owner `of` is in `closed_in`; an outer contact owns itself."""

    name: str
    of: str
    a: int
    b: int
    siemens: float
    closed_in: frozenset[str]


@dataclass(frozen=True, slots=True)
class Winding:
    """A coil at its temperature: `ohm` in series with `henry`; current counts from `a` (A1) to `b`."""

    of: str
    index: int
    a: int
    b: int
    ohm: float
    henry: float
    pick_up_a: float
    drop_out_a: float


@dataclass(frozen=True, slots=True)
class Rectifier:
    """A piecewise-linear diode: a leak, and above `forward_v` a further (v - forward_v) / on_ohm."""

    name: str
    anode: int
    cathode: int
    forward_v: float
    on_ohm: float


@dataclass(frozen=True, slots=True)
class Branch:
    """A fixed resistance, in series with a source that drives out of `a` (`volts`, 0 for most)."""

    name: str
    a: int
    b: int
    siemens: float
    volts: float = 0.0


@dataclass(frozen=True, slots=True)
class Source:
    """An ideal supply between two nets."""

    tag: str
    positive: int
    negative: int


@dataclass(frozen=True, slots=True)
class Circuit:
    """All elements. Windings: relays' coils, then loads', in file order. `probes` are branches too."""

    nets: dict[Terminal, int]
    count: int
    sources: tuple[Source, ...]
    contacts: tuple[Contact, ...]
    windings: tuple[Winding, ...]
    rectifiers: tuple[Rectifier, ...]
    branches: tuple[Branch, ...]
    probes: tuple[Branch, ...]


def circuit_of(
    panel: Panel,
    outer: Sequence[OuterContact] = (),
    probes: Sequence[Probe] = (),
    coil_temperature_c: float = 20.0,
) -> Circuit:
    """The elements of a panel with its outer contacts and probes connected."""
    nets = join(terminals_of(panel, outer, probes), unbroken_hops(panel))
    coils = _coils(panel)
    return Circuit(
        nets=nets,
        count=max(nets.values(), default=-1) + 1,
        sources=tuple(Source(s.tag, nets[s.positive], nets[s.negative]) for s in panel.supplies),
        contacts=_contacts(panel, outer, nets),
        windings=tuple(_winding(*coil, nets=nets, celsius=coil_temperature_c) for coil in coils),
        rectifiers=_rectifiers(panel, coils, nets),
        branches=_branches(panel, coils, nets),
        probes=tuple(
            Branch(p.name, *_ends(p.terminals, nets), _siemens(p.resistance_ohm), p.wetting_v) for p in probes
        ),
    )


def positions_of(contact: RelayContact) -> list[tuple[str, tuple[Terminal, Terminal], frozenset[str]]]:
    """A relay contact as pairs: name suffix, terminals, armature positions in which the pair is closed.

    A change-over (common, break, make) is two pairs, named by their terminals' numbers; when it is
    `always closed` its make side is.
    """
    both = frozenset({PICKED_UP, DROPPED_OUT})
    make, break_ = {
        "always closed": (both, frozenset[str]()),
        "always open": (frozenset[str](), frozenset[str]()),
    }.get(contact.kind, (frozenset({PICKED_UP}), frozenset({DROPPED_OUT})))
    if len(contact.terminals) == 3:
        common, rest, operated = contact.terminals
        return [
            (_pair_name(common, rest), (common, rest), break_),
            (_pair_name(common, operated), (common, operated), make),
        ]
    first, second = contact.terminals
    return [(contact.name, (first, second), break_ if contact.kind == "break" else make)]


def _pair_name(first: Terminal, second: Terminal) -> str:
    return f"{first.rpartition(':')[2]}-{second.rpartition(':')[2]}"


def _siemens(ohm: float) -> float:
    return 1.0 / max(ohm, SMALLEST_OHM)


def _ends(terminals: tuple[Terminal, Terminal], nets: dict[Terminal, int]) -> tuple[int, int]:
    return nets[terminals[0]], nets[terminals[1]]


def _contacts(panel: Panel, outer: Sequence[OuterContact], nets: dict[Terminal, int]) -> tuple[Contact, ...]:
    found = [
        Contact(f"{relay.tag}.{name}", relay.tag, *_ends(ends, nets), _siemens(contact.resistance_ohm), when)
        for relay in panel.relays
        for contact in relay.contacts
        for name, ends, when in positions_of(contact)
    ]
    found += [
        Contact(f"{device.tag}.{own.name}", device.tag, *_ends(own.terminals, nets), CONTACT_S, own.closed_in)
        for device in panel.devices
        if device.inside
        for own in device.contacts
    ]
    found += [
        Contact(own.name, own.name, *_ends(own.terminals, nets), _siemens(own.resistance_ohm),
                frozenset({CLOSED}))
        for own in outer
    ]  # fmt: skip
    return tuple(found)


def _coils(panel: Panel) -> list[tuple[str, int, Coil, bool]]:
    """Tag, index, coil, and whether it is of copper."""
    relays: list[tuple[str, int, Coil, bool]] = [
        (relay.tag, index, coil, True) for relay in panel.relays for index, coil in enumerate(relay.coils)
    ]
    return relays + [(load.tag, 0, load.coil, load.kind != "lamp") for load in panel.loads]


def _winding(
    tag: str, index: int, coil: Coil, copper: bool, *, nets: dict[Terminal, int], celsius: float
) -> Winding:
    cold = max(coil.resistance_ohm, SMALLEST_OHM)
    warm = cold * (234.5 + celsius) / 254.5 if copper else cold
    return Winding(
        tag, index, *_ends(coil.terminals, nets), warm, coil.inductance_h,
        coil.pick_up_v / cold, coil.drop_out_v / cold,
    )  # fmt: skip


def _rectifiers(
    panel: Panel, coils: list[tuple[str, int, Coil, bool]], nets: dict[Terminal, int]
) -> tuple[Rectifier, ...]:
    drawn = [
        Rectifier(d.tag, nets[d.anode], nets[d.cathode], d.forward_v, max(d.on_ohm, SMALLEST_OHM))
        for d in panel.diodes
    ]
    across = [
        Rectifier(
            f"{tag} suppression {index}", nets[coil.terminals[1]], nets[coil.terminals[0]],
            SUPPRESSION_FORWARD_V, SUPPRESSION_ON_OHM,
        )
        for tag, index, coil, _ in coils
        if coil.suppression == "diode"
    ]  # fmt: skip
    return tuple(drawn + across)


def _branches(
    panel: Panel, coils: list[tuple[str, int, Coil, bool]], nets: dict[Terminal, int]
) -> tuple[Branch, ...]:
    drawn = [Branch(r.tag, *_ends(r.terminals, nets), _siemens(r.resistance_ohm)) for r in panel.resistors]
    across = [
        Branch(f"{tag} suppression {index}", *_ends(coil.terminals, nets), _siemens(coil.suppression_ohm))
        for tag, index, coil, _ in coils
        if coil.suppression == "resistor"
    ]
    return tuple(drawn + across)
