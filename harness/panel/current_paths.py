"""Current paths through a panel: its terminals as a graph, searched best first; no voltages here."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Literal

from harness.panel.elements import DROPPED_OUT, PICKED_UP, positions_of
from harness.panel.parts import Coil, Device, Panel, Relay, Terminal

SEARCH_LIMIT = 20_000
"""Partial paths looked at before a search gives up: far beyond what a page of diagram holds."""


@dataclass(frozen=True, slots=True)
class Link:
    """Two terminals that current can join. `blocked` says why it does not pass now; empty when it does.

    A contact is closed while its owner `of` is in one of the states `closed_in`.
    """

    ends: tuple[Terminal, Terminal]
    label: str
    kind: Literal["wire", "contact", "resistor", "diode", "coil"]
    blocked: str = ""
    of: str = ""
    closed_in: frozenset[str] = frozenset()


Hop = tuple[Link, Terminal, Terminal]
"""A link, entered at one terminal and left at the other."""

Passes = Callable[[Link, Terminal, Terminal], bool]


def links(panel: Panel, positions: Mapping[str, str], states: Mapping[str, bool]) -> tuple[Link, ...]:
    """Every link of the panel, in file order, with devices at `positions` and relays in `states`."""
    return tuple(_all_links(panel, positions, states))


def coils(panel: Panel) -> dict[str, tuple[Coil, ...]]:
    """The coils of every relay and load by tag."""
    return {r.tag: r.coils for r in panel.relays} | {load.tag: (load.coil,) for load in panel.loads}


def coil_label(tag: str, coil: Coil, among: int) -> str:
    """`K1`, or `K1:A1-A2` where a relay has more than one coil."""
    if among == 1:
        return tag
    ends = (terminal.rpartition(":")[2].partition("~")[0] for terminal in coil.terminals)
    return f"{tag}:{'-'.join(ends)}"


def poles(panel: Panel) -> tuple[frozenset[Terminal], frozenset[Terminal]]:
    """(positive, negative) poles of all supplies."""
    return frozenset(s.positive for s in panel.supplies), frozenset(s.negative for s in panel.supplies)


def at_wires_of(panel: Panel, terminals: frozenset[Terminal]) -> frozenset[Terminal]:
    """These terminals and all others on the same wires."""
    shared = (set(wire.terminals) for wire in panel.wires if terminals & set(wire.terminals))
    return terminals.union(*shared)


def search(
    graph: Sequence[Link], start: Terminal, goals: frozenset[Terminal], *, passes: Passes, limit: int
) -> list[tuple[Hop, ...]]:
    """Up to `limit` simple paths from `start` to any goal, fewest blocked links first, then shortest.

    A path does not come back to a wire that it has left. Links that `passes` refuses are not entered.
    """
    around: dict[Terminal, list[Link]] = {}
    for link in graph:
        for end in link.ends:
            around.setdefault(end, []).append(link)
    order = count()
    waiting: list[tuple[int, int, int, Terminal, tuple[Hop, ...]]] = [(0, 0, next(order), start, ())]
    found: list[tuple[Hop, ...]] = []
    for _ in range(SEARCH_LIMIT):
        if not waiting or len(found) == limit:
            break
        blocked, length, _, here, path = heapq.heappop(waiting)
        if here in goals:
            found.append(path)
            continue
        for hop in _onward(around.get(here, ()), here, path, start):
            if passes(*hop):
                step = (blocked + bool(hop[0].blocked), length + 1, next(order), hop[2], (*path, hop))
                heapq.heappush(waiting, step)
    return found


def labels(path: Sequence[Hop]) -> list[tuple[str, str]]:
    """(label, why it is open) along a path, the hops of one wire written once."""
    out: list[tuple[str, str]] = []
    for link, _, _ in path:
        if out and out[-1][0] == link.label:
            out[-1] = (link.label, out[-1][1] or link.blocked)
        elif link.label:
            out.append((link.label, link.blocked))
    return out


def wire_runs(pole: Terminal, way: Sequence[Hop], home: Sequence[Hop]) -> tuple[tuple[Terminal, ...], ...]:
    """The terminals from a pole to a coil and from its other end home, a run for each wire.

    Points that only a fault edit put in (`~`) are left out: no meter reaches them.
    """
    runs: list[list[Terminal]] = [[pole]]
    for hops in (way, home):
        for link, entered, left in hops:
            if runs[-1][-1] != entered:  # past the coil itself
                runs.append([entered])
            if link.kind == "wire":
                runs[-1].append(left)
            else:
                runs.append([left])
    shown = (tuple(terminal for terminal in run if "~" not in terminal) for run in runs)
    return tuple(run for run in shown if run)


def seals(path: Sequence[Hop], tag: str) -> bool:
    """Whether a path leads through a make contact of relay `tag`: closed only once that is up."""
    return any(link.of == tag and link.closed_in == {PICKED_UP} for link, _, _ in path)


def possible(path: Sequence[Hop]) -> bool:
    """Whether all contacts of a path can be closed together: not a make and a break contact of one relay.

    A contact that is never closed is a defect that the fitter wants to see: it rules nothing out.
    """
    allowed: dict[str, frozenset[str]] = {}
    for link, _, _ in path:
        if link.closed_in:
            allowed[link.of] = allowed.get(link.of, link.closed_in) & link.closed_in
    return all(allowed.values())


def _onward(beside: Sequence[Link], here: Terminal, path: tuple[Hop, ...], start: Terminal) -> Iterator[Hop]:
    been = {start, *(hop[2] for hop in path)}
    left = {hop[0].label for hop in path if hop[0].kind == "wire"}
    if path and path[-1][0].kind == "wire":
        left.discard(path[-1][0].label)
    for link in beside:
        there = link.ends[1] if link.ends[0] == here else link.ends[0]
        if there not in been and not (link.kind == "wire" and link.label in left):
            yield link, here, there


def _all_links(panel: Panel, positions: Mapping[str, str], states: Mapping[str, bool]) -> Iterator[Link]:
    yield from _wire_links(panel)
    for device in panel.devices:
        yield from _device_links(device, positions[device.tag])
    for relay in panel.relays:
        yield from _relay_links(relay, states[relay.tag])
    for resistor in panel.resistors:
        yield Link(resistor.terminals, _shown(resistor.tag), "resistor")
    for diode in panel.diodes:
        yield Link((diode.anode, diode.cathode), _shown(diode.tag), "diode")
    for tag, owned in coils(panel).items():
        for coil in owned:
            label = coil_label(tag, coil, len(owned))
            yield Link(coil.terminals, label, "coil")
            outer, _, defect = coil.terminals[0].partition("~")
            if defect:
                yield Link((outer, coil.terminals[0]), f"winding of {label}", "wire", defect)


def _shown(tag: str) -> str:
    """Parts that a fault edit put in have no name on the diagram."""
    return "" if "~" in tag else tag


def _wire_links(panel: Panel) -> Iterator[Link]:
    named = {pole.partition("~")[0] for side in poles(panel) for pole in side}
    for wire in panel.wires:
        label = next((t for t in wire.terminals if t in named), wire.tag)
        for index, (first, second) in enumerate(wire.hops):
            broken = f"broken: {wire.tag} between {first} and {second}" if index in wire.open_hops else ""
            yield Link((first, second), label, "wire", broken)


def _device_links(device: Device, position: str) -> Iterator[Link]:
    for contact in device.contacts:
        label = device.tag if device.inside and len(device.contacts) == 1 else f"{device.tag}:{contact.name}"
        blocked = "" if position in contact.closed_in else f"open: {device.tag} {position}"
        yield Link(contact.terminals, label, "contact", blocked, device.tag, contact.closed_in)


def _relay_links(relay: Relay, picked_up: bool) -> Iterator[Link]:
    state = PICKED_UP if picked_up else DROPPED_OUT
    for contact in relay.contacts:
        for name, ends, closed_in in positions_of(contact):
            blocked = (
                "" if state in closed_in else f"open: {relay.tag} {state if closed_in else 'stuck open'}"
            )
            yield Link(ends, f"{relay.tag}:{name}", "contact", blocked, relay.tag, closed_in)
