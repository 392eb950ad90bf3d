"""Nets: terminals joined by unbroken wire hops are one point of the circuit. No resistances here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from harness.panel.parts import OuterContact, Panel, Probe, Terminal


def terminals_of(
    panel: Panel, outer: Sequence[OuterContact] = (), probes: Sequence[Probe] = ()
) -> list[Terminal]:
    """Every terminal named anywhere, once, in file order: supplies and earth first."""
    names: dict[Terminal, None] = {}
    for supply in panel.supplies:
        names |= dict.fromkeys((supply.negative, supply.positive))
    if panel.earth is not None:
        names[panel.earth] = None
    for part in _parts(panel):
        names |= dict.fromkeys(part)
    for wire in panel.wires:
        names |= dict.fromkeys(wire.terminals)
    for ends in (*(own.terminals for own in outer), *(probe.terminals for probe in probes)):
        names |= dict.fromkeys(ends)
    return list(names)


def _parts(panel: Panel) -> Iterable[tuple[Terminal, ...]]:
    for device in panel.devices:
        yield from (contact.terminals for contact in device.contacts)
    for relay in panel.relays:
        yield from (coil.terminals for coil in relay.coils)
        yield from (contact.terminals for contact in relay.contacts)
    yield from (load.coil.terminals for load in panel.loads)
    yield from (resistor.terminals for resistor in panel.resistors)
    yield from ((diode.anode, diode.cathode) for diode in panel.diodes)


def join(terminals: Iterable[Terminal], joints: Iterable[tuple[Terminal, Terminal]]) -> dict[Terminal, int]:
    """Number the nets from 0 in the order of their first terminal; `joints` are ideal connections."""
    parent = {terminal: terminal for terminal in terminals}

    def root(terminal: Terminal) -> Terminal:
        while parent[terminal] != terminal:
            parent[terminal] = parent[parent[terminal]]
            terminal = parent[terminal]
        return terminal

    for left, right in joints:
        parent[root(right)] = root(left)
    numbers: dict[Terminal, int] = {}
    return {terminal: numbers.setdefault(root(terminal), len(numbers)) for terminal in parent}


def unbroken_hops(panel: Panel) -> list[tuple[Terminal, Terminal]]:
    """The wire hops that conduct."""
    return [hop for wire in panel.wires for index, hop in enumerate(wire.hops) if index not in wire.open_hops]
