"""A fault as a named edit of a panel, and the small edits that it is made of; `faults` says which exist."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from harness.panel.parts import (
    Coil,
    Device,
    Diode,
    Load,
    Panel,
    Relay,
    RelayContact,
    Resistor,
    Span,
    Terminal,
    Wire,
)

SHORT_OHM = 0.01
"""Resistance of a short: a bridge of wire or metal (common practice, no source)."""

SHORTED_SUPPLY_OHM = 1.0
"""What a bench supply adds in series once something is shorted: no supply holds its voltage into a short."""

INNER = "~"
"""Marks terminals and parts that only an edit made; no file can name them."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A single defect: `edit` takes the sound panel and returns the panel with the defect in it.

    `part` is the tag that the fitter would look at; `kind` is one of the words of the fault list.
    """

    name: str
    kind: str
    part: str
    edit: Callable[[Panel], Panel]


def with_relay(panel: Panel, tag: str, change: Callable[[Relay], Relay]) -> Panel:
    """The panel with relay `tag` changed."""
    return replace(panel, relays=tuple(change(r) if r.tag == tag else r for r in panel.relays))


def with_load(panel: Panel, tag: str, change: Callable[[Load], Load]) -> Panel:
    """The panel with load `tag` changed."""
    return replace(panel, loads=tuple(change(x) if x.tag == tag else x for x in panel.loads))


def with_device(panel: Panel, tag: str, change: Callable[[Device], Device]) -> Panel:
    """The panel with device or breaker `tag` changed."""
    return replace(panel, devices=tuple(change(d) if d.tag == tag else d for d in panel.devices))


def with_resistor(panel: Panel, tag: str, ends: tuple[Terminal, Terminal], ohm: float) -> Panel:
    """The panel with one more resistance of `ohm` between two terminals."""
    return replace(panel, resistors=(*panel.resistors, Resistor(tag=tag, terminals=ends, resistance_ohm=ohm)))


def with_open_hops(panel: Panel, tag: str, hops: frozenset[int]) -> Panel:
    """The panel with these hops of wire `tag` broken too."""
    wires = (replace(w, open_hops=w.open_hops | hops) if w.tag == tag else w for w in panel.wires)
    return replace(panel, wires=tuple(wires))


def with_wires(panel: Panel, changed: dict[str, Wire]) -> Panel:
    """The panel with some wires, by tag, replaced."""
    return replace(panel, wires=tuple(changed.get(wire.tag, wire) for wire in panel.wires))


def with_short(panel: Panel, ends: tuple[Terminal, Terminal], *, ohm: float = SHORT_OHM) -> Panel:
    """The panel with two terminals bridged.

    Every supply gets `SHORTED_SUPPLY_OHM` of its own, so that a short pulls its voltage down as it does
    on a bench. Not modelled: a breaker or a supply that trips for good.
    """
    bridged = with_resistor(panel, f"{ends[0]}{INNER}{ends[1]}", ends, ohm)
    for supply in panel.supplies:
        inner = f"{supply.positive}{INNER}source"
        bridged = with_resistor(
            bridged, f"{supply.tag}{INNER}source", (inner, supply.positive), SHORTED_SUPPLY_OHM
        )
    supplies = (replace(s, positive=f"{s.positive}{INNER}source") for s in panel.supplies)
    return replace(bridged, supplies=tuple(supplies))


def without_winding(panel: Panel, coil: Coil, *, why: str = "broken") -> tuple[Panel, Coil]:
    """The panel and coil with the winding broken inside: no current; its suppression stays."""
    positive, negative = coil.terminals
    if coil.suppression == "resistor":
        tag = f"{positive}{INNER}suppression"
        panel = with_resistor(panel, tag, (positive, negative), coil.suppression_ohm)
    elif coil.suppression == "diode":
        diode = Diode(tag=f"{positive}{INNER}suppression", anode=negative, cathode=positive)
        panel = replace(panel, diodes=(*panel.diodes, diode))
    loose = replace(
        coil, terminals=(f"{positive}{INNER}{why}", negative), suppression="none", suppression_ohm=0.0
    )
    return panel, loose


def split_contacts(relay: Relay) -> Relay:
    """The relay with each change-over contact written as its break contact and its make contact."""
    contacts: list[RelayContact] = []
    for contact in relay.contacts:
        contacts.extend(contact_parts(contact))
    return replace(relay, contacts=tuple(contacts))


def contact_parts(contact: RelayContact) -> tuple[RelayContact, ...]:
    """A change-over 31-32-34 as break 31-32 and make 31-34; any other contact as itself."""
    if contact.kind != "change-over":
        return (contact,)
    common, at_break, at_make = contact.terminals
    names = contact.name.split("-")
    return (
        replace(contact, name=f"{names[0]}-{names[1]}", kind="break", terminals=(common, at_break)),
        replace(contact, name=f"{names[0]}-{names[2]}", kind="make", terminals=(common, at_make)),
    )


def stretched(span: Span, *, factor: float, plus_s: float) -> Span:
    """A range of times made slower."""
    return Span(span.low * factor + plus_s, span.high * factor + plus_s)
