"""Single faults of wires and strips: open hops, shorts, exchanged ends, earth, the common negative."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from harness.panel.fault_edits import Fault, with_open_hops, with_short, with_wires
from harness.panel.parts import Panel, Terminal, Wire

EARTH_FAULT_OHM = 1.0
"""A chafed wire against the frame (common practice, no source)."""


def wire_faults(panel: Panel) -> Iterator[Fault]:
    """Every hop open, then every earth fault where the panel has an earth."""
    for wire in panel.wires:
        for index, (first, second) in enumerate(wire.hops):
            edit = partial(with_open_hops, tag=wire.tag, hops=frozenset({index}))
            yield Fault(f"{wire.tag} open {first}-{second}", "wire hop open", wire.tag, edit)
    if panel.earth is None:
        return
    for wire in panel.wires:
        if panel.earth not in wire.terminals:
            edit = partial(with_short, ends=(wire.terminals[0], panel.earth), ohm=EARTH_FAULT_OHM)
            yield Fault(f"{wire.tag} earth fault", "earth fault", wire.tag, edit)


def neighbour_faults(panel: Panel) -> Iterator[Fault]:
    """Neighbouring strip terminals shorted, and the two wire ends there exchanged."""
    at = wires_by_terminal(panel)
    pairs = neighbours(panel)
    between = Counter(frozenset(at[end].tag for end in pair) for pair in pairs)
    for pair in pairs:
        tags = [at[end].tag for end in pair]
        label = "-".join(tags if between[frozenset(tags)] == 1 else pair)
        part = at[pair[0]].tag
        kind = "short between neighbouring terminals"
        yield Fault(f"{label} shorted", kind, part, partial(with_short, ends=pair))
        yield Fault(f"{label} exchanged", "wires exchanged", part, partial(_exchange, ends=pair))


def supply_faults(panel: Panel) -> Iterator[Fault]:
    """Each supply's common negative lost: every hop at its negative pole open."""
    lost: set[Terminal] = set()
    for supply in panel.supplies:
        wire = wires_by_terminal(panel).get(supply.negative)
        if wire is None or supply.negative in lost or len(wire.terminals) < 2:
            continue
        lost.add(supply.negative)
        hops = frozenset(i for i, hop in enumerate(wire.hops) if supply.negative in hop)
        edit = partial(with_open_hops, tag=wire.tag, hops=hops)
        yield Fault(f"{supply.negative} lost", "common negative lost", wire.tag, edit)


def wires_by_terminal(panel: Panel) -> dict[Terminal, Wire]:
    """The wire at each terminal."""
    return {terminal: wire for wire in panel.wires for terminal in wire.terminals}


def neighbours(panel: Panel) -> tuple[tuple[Terminal, Terminal], ...]:
    """Pairs of strip terminals with consecutive numbers on one strip and different wires, in strip order."""
    at = wires_by_terminal(panel)
    parts = (panel.relays, panel.loads, panel.devices, panel.resistors, panel.diodes)
    declared = {part.tag for group in parts for part in group}
    strips: dict[str, set[int]] = {}
    for terminal in at:
        tag, _, number = terminal.partition(":")
        if tag.startswith("X") and tag not in declared and number.isdecimal():
            strips.setdefault(tag, set()).add(int(number))
    pairs = []
    for tag in sorted(strips):
        for place in sorted(strips[tag]):
            pair = (f"{tag}:{place}", f"{tag}:{place + 1}")
            if all(end in at for end in pair) and at[pair[0]] is not at[pair[1]]:
                pairs.append(pair)
    return tuple(pairs)


def _exchange(panel: Panel, *, ends: tuple[Terminal, Terminal]) -> Panel:
    """The wire end that leaves each of two terminals into the panel, put on the other terminal."""
    at = wires_by_terminal(panel)
    (kept_a, moved_a), (kept_b, moved_b) = (_pieces(panel, at[end], end) for end in ends)
    wire_a, wire_b = (at[end] for end in ends)
    changed = {
        wire_a.tag: replace(wire_a, terminals=(*kept_a, ends[0], *moved_b), open_hops=frozenset()),
        wire_b.tag: replace(wire_b, terminals=(*kept_b, ends[1], *moved_a), open_hops=frozenset()),
    }
    broken = _open_pairs(wire_a) | _open_pairs(wire_b)
    for moved, old, new in ((moved_a[0], ends[0], ends[1]), (moved_b[0], ends[1], ends[0])):
        if frozenset({old, moved}) in broken:
            broken.add(frozenset({new, moved}))
    return with_wires(panel, {tag: _with_open_pairs(wire, broken) for tag, wire in changed.items()})


def _pieces(panel: Panel, wire: Wire, end: Terminal) -> tuple[tuple[Terminal, ...], tuple[Terminal, ...]]:
    """The wire parted at `end`: (the rest, towards the terminal; the run that leaves it into the panel).

    The run taken is the one behind the terminal in looping order, unless that one is missing or leads to
    nothing but devices outside.
    """
    index = wire.terminals.index(end)
    before, behind = wire.terminals[:index], wire.terminals[index + 1 :]
    outside = {t for d in panel.devices if not d.inside for c in d.contacts for t in c.terminals}
    if behind and (not before or not outside.issuperset(behind)):
        return before, behind
    return tuple(reversed(behind)), tuple(reversed(before))


def _open_pairs(wire: Wire) -> set[frozenset[Terminal]]:
    return {frozenset(hop) for index, hop in enumerate(wire.hops) if index in wire.open_hops}


def _with_open_pairs(wire: Wire, pairs: set[frozenset[Terminal]]) -> Wire:
    hops = frozenset(i for i, hop in enumerate(wire.hops) if frozenset(hop) in pairs)
    return replace(wire, open_hops=hops)
