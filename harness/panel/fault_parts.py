"""Single faults of relays, loads, breakers, resistors and diodes. Faults of wires are in `fault_wires`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from typing import Literal

from harness.panel.armature import decay_s
from harness.panel.fault_edits import (
    INNER,
    Fault,
    contact_parts,
    split_contacts,
    stretched,
    with_device,
    with_load,
    with_relay,
    with_resistor,
    with_short,
    without_winding,
)
from harness.panel.parts import (
    Coil,
    ContactKind,
    Device,
    Diode,
    Load,
    Panel,
    Relay,
    RelayContact,
    Resistor,
    Span,
    Terminal,
)

HIGH_RESISTANCE_OHM = 500.0
"""A burnt or dirty contact: starves a solenoid of some hundred ohms, but not a relay coil of a thousand."""

SLOW_FACTOR = 4.0
SLOW_PLUS_S = 0.1
"""A gummed armature: four times its stated time and a tenth of a second more."""

SLOW_DELAY_FACTOR = 2.0
WRONG_VALUE_FACTOR = 3.0
WRONG_VOLTAGE_FACTOR = 2.0
"""The wrong relay: the same type wound for twice the voltage, so four times the ohms and henries."""

Armature = Literal["stuck dropped out", "stuck picked up"]
STUCK: tuple[Armature, ...] = ("stuck dropped out", "stuck picked up")
Edit = Callable[[Panel], Panel]
CoilEdit = Callable[[Panel, Coil], tuple[Panel, Coil]]


def relay_faults(relay: Relay) -> Iterator[Fault]:
    """Every single fault of one relay: coils, armature, contacts, speed, type."""
    tag = relay.tag
    for index, coil in enumerate(relay.coils):
        label = f"{tag} coil" if len(relay.coils) == 1 else f"{tag} coil {_numbers(coil)}"
        yield from _winding_faults(tag, label, "coil", coil, partial(_relay_coil_edit, tag, index))
    for armature in STUCK:
        change = partial(_stick_armature, armature=armature)
        yield Fault(f"{tag} {armature}", "armature stuck", tag, partial(with_relay, tag=tag, change=change))
    for contact in relay.contacts:
        yield from _contact_faults(relay, contact)
    for name, slow in (("slow to operate", _slow_to_operate), ("slow to release", _slow_to_release)):
        yield Fault(f"{tag} {name}", "slow relay", tag, partial(with_relay, tag=tag, change=slow))
    edit = partial(with_relay, tag=tag, change=_wrong_voltage)
    yield Fault(f"{tag} wrong relay", "wrong relay fitted", tag, edit)


def load_faults(load: Load) -> Iterator[Fault]:
    """A load burnt out or shorted, and its suppression."""
    yield from _winding_faults(load.tag, load.tag, "load", load.coil, partial(_load_coil_edit, load.tag))


def breaker_faults(device: Device) -> Iterator[Fault]:
    """Faults of each pole of a breaker or switch that is part of the panel."""
    for contact in device.contacts:
        part = f"{device.tag}.{contact.name}"
        for state, closed_in in (("open", frozenset[str]()), ("closed", frozenset(device.positions))):
            edit = partial(_stick_pole, tag=device.tag, name=contact.name, closed_in=closed_in)
            yield Fault(f"{part} stuck {state}", f"contact stuck {state}", device.tag, edit)
        edit = partial(_burn_pole, tag=device.tag, name=contact.name, ends=contact.terminals)
        yield Fault(f"{part} high resistance", "contact of high resistance", device.tag, edit)


def resistor_faults(resistor: Resistor) -> Iterator[Fault]:
    """A resistor open, or of a third or three times its value."""
    tag = resistor.tag
    yield Fault(f"{tag} open", "resistor open", tag, partial(_drop_resistor, tag=tag))
    for word, factor in (("high", WRONG_VALUE_FACTOR), ("low", 1 / WRONG_VALUE_FACTOR)):
        edit = partial(_scale_resistor, tag=tag, factor=factor)
        yield Fault(f"{tag} wrong value {word}", "resistor wrong value", tag, edit)


def diode_faults(diode: Diode) -> Iterator[Fault]:
    """A diode open, shorted, or put in the wrong way round."""
    tag = diode.tag
    yield Fault(f"{tag} open", "diode open", tag, partial(_drop_diode, tag=tag))
    yield Fault(
        f"{tag} shorted", "diode shorted", tag, partial(with_short, ends=(diode.anode, diode.cathode))
    )
    yield Fault(f"{tag} reversed", "diode reversed", tag, partial(_reverse_diode, tag=tag))


# --- windings: relay coils and loads ---


def _winding_faults(
    tag: str, label: str, word: str, coil: Coil, edit: Callable[[CoilEdit], Edit]
) -> Iterator[Fault]:
    yield Fault(f"{label} open", f"{word} open", tag, edit(without_winding))
    yield Fault(f"{label} shorted", f"{word} shorted", tag, edit(_shorted_winding))
    if coil.suppression != "none":
        lost = partial(_lose_suppression, tag=tag, edit=edit(_no_suppression))
        yield Fault(f"{label} suppression open", "suppression open", tag, lost)
    if coil.suppression == "diode":
        name = f"{label} suppression reversed"
        yield Fault(name, "suppression reversed", tag, edit(_reversed_suppression))


def _numbers(coil: Coil) -> str:
    ends = (terminal.rpartition(":")[2] for terminal in coil.terminals)
    return "-".join(end.partition(INNER)[0] for end in ends)


def _relay_coil_edit(tag: str, index: int, change: CoilEdit) -> Edit:
    def edit(panel: Panel) -> Panel:
        relay = next(r for r in panel.relays if r.tag == tag)
        changed, coil = change(panel, relay.coils[index])
        coils = tuple(coil if i == index else other for i, other in enumerate(relay.coils))
        return with_relay(changed, tag, lambda r: replace(r, coils=coils))

    return edit


def _load_coil_edit(tag: str, change: CoilEdit) -> Edit:
    def edit(panel: Panel) -> Panel:
        load = next(x for x in panel.loads if x.tag == tag)
        changed, coil = change(panel, load.coil)
        return with_load(changed, tag, lambda x: replace(x, coil=coil))

    return edit


def _shorted_winding(panel: Panel, coil: Coil) -> tuple[Panel, Coil]:
    """All turns shorted: the terminals are bridged and nothing pulls."""
    ends = coil.terminals
    panel, loose = without_winding(panel, coil, why="shorted")
    return with_short(panel, ends), loose


def _no_suppression(panel: Panel, coil: Coil) -> tuple[Panel, Coil]:
    return panel, replace(coil, suppression="none", suppression_ohm=0.0)


def _lose_suppression(panel: Panel, *, tag: str, edit: Edit) -> Panel:
    """The stated release time holds with the suppression in place: without it the current's decay is gone."""
    nominal_v = panel.supplies[0].nominal_v

    def quicker(relay: Relay) -> Relay:
        if relay.kind == "latching":
            return relay
        sooner_s, release = decay_s(relay.coils[0], nominal_v), relay.release_s
        return replace(
            relay, release_s=Span(max(release.low - sooner_s, 0.0), max(release.high - sooner_s, 0.0))
        )

    return edit(with_relay(panel, tag, quicker))


def _reversed_suppression(panel: Panel, coil: Coil) -> tuple[Panel, Coil]:
    """The diode conducts across the coil as soon as it is fed: a short, but for the diode's own voltage."""
    positive, negative = coil.terminals
    inner = f"{positive}{INNER}diode"
    shorted = with_short(panel, (inner, negative))
    diode = Diode(tag=f"{positive}{INNER}reversed", anode=positive, cathode=inner)
    return replace(shorted, diodes=(*shorted.diodes, diode)), _no_suppression(panel, coil)[1]


# --- relays ---


def _stick_armature(relay: Relay, *, armature: Armature) -> Relay:
    return replace(relay, armature=armature)


def _contact_faults(relay: Relay, contact: RelayContact) -> Iterator[Fault]:
    kinds: tuple[tuple[str, ContactKind], ...] = (("open", "always open"), ("closed", "always closed"))
    for part in contact_parts(contact):
        label = f"{relay.tag}.{part.name}"
        for state, kind in kinds:
            change = partial(_change_contact, name=part.name, kind=kind)
            edit = partial(with_relay, tag=relay.tag, change=change)
            yield Fault(f"{label} stuck {state}", f"contact stuck {state}", relay.tag, edit)
        change = partial(_change_contact, name=part.name, resistance_ohm=HIGH_RESISTANCE_OHM)
        edit = partial(with_relay, tag=relay.tag, change=change)
        yield Fault(f"{label} high resistance", "contact of high resistance", relay.tag, edit)


def _change_contact(
    relay: Relay, *, name: str, kind: ContactKind | None = None, resistance_ohm: float | None = None
) -> Relay:
    """One contact changed; of a change-over only the side `name`, its other side works on as before."""
    if all(contact.name != name for contact in relay.contacts):
        relay = split_contacts(relay)

    def change(contact: RelayContact) -> RelayContact:
        ohm = contact.resistance_ohm if resistance_ohm is None else resistance_ohm
        return replace(contact, kind=kind or contact.kind, resistance_ohm=ohm)

    contacts = (change(c) if c.name == name else c for c in relay.contacts)
    return replace(relay, contacts=tuple(contacts))


def _slow_to_operate(relay: Relay) -> Relay:
    delay = relay.delay_s
    if relay.kind == "delayed pick-up":
        delay = stretched(delay, factor=SLOW_DELAY_FACTOR, plus_s=0.0)
    operate = stretched(relay.operate_s, factor=SLOW_FACTOR, plus_s=SLOW_PLUS_S)
    return replace(relay, operate_s=operate, delay_s=delay)


def _slow_to_release(relay: Relay) -> Relay:
    delay = relay.delay_s
    if relay.kind == "delayed drop-out":
        delay = stretched(delay, factor=SLOW_DELAY_FACTOR, plus_s=0.0)
    release = stretched(relay.release_s, factor=SLOW_FACTOR, plus_s=SLOW_PLUS_S)
    return replace(relay, release_s=release, delay_s=delay)


def _wrong_voltage(relay: Relay) -> Relay:
    twice, four_times = WRONG_VOLTAGE_FACTOR, WRONG_VOLTAGE_FACTOR**2
    coils = (
        replace(
            coil,
            resistance_ohm=coil.resistance_ohm * four_times,
            inductance_h=coil.inductance_h * four_times,
            pick_up_v=coil.pick_up_v * twice,
            drop_out_v=coil.drop_out_v * twice,
        )
        for coil in relay.coils
    )
    return replace(relay, coils=tuple(coils))


# --- breakers, resistors, diodes ---


def _stick_pole(panel: Panel, *, tag: str, name: str, closed_in: frozenset[str]) -> Panel:
    def change(device: Device) -> Device:
        contacts = (replace(c, closed_in=closed_in) if c.name == name else c for c in device.contacts)
        return replace(device, contacts=tuple(contacts))

    return with_device(panel, tag, change)


def _burn_pole(panel: Panel, *, tag: str, name: str, ends: tuple[Terminal, Terminal]) -> Panel:
    first, second = ends
    inner = f"{second}{INNER}burnt"

    def change(device: Device) -> Device:
        moved = (replace(c, terminals=(first, inner)) if c.name == name else c for c in device.contacts)
        return replace(device, contacts=tuple(moved))

    panel = with_device(panel, tag, change)
    return with_resistor(panel, f"{tag}.{name}{INNER}burnt", (inner, second), HIGH_RESISTANCE_OHM)


def _drop_resistor(panel: Panel, *, tag: str) -> Panel:
    return replace(panel, resistors=tuple(r for r in panel.resistors if r.tag != tag))


def _scale_resistor(panel: Panel, *, tag: str, factor: float) -> Panel:
    scaled = (
        replace(r, resistance_ohm=r.resistance_ohm * factor) if r.tag == tag else r for r in panel.resistors
    )
    return replace(panel, resistors=tuple(scaled))


def _drop_diode(panel: Panel, *, tag: str) -> Panel:
    return replace(panel, diodes=tuple(d for d in panel.diodes if d.tag != tag))


def _reverse_diode(panel: Panel, *, tag: str) -> Panel:
    turned = (replace(d, anode=d.cathode, cathode=d.anode) if d.tag == tag else d for d in panel.diodes)
    return replace(panel, diodes=tuple(turned))
