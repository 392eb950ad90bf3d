"""Motion: a panel in time, as a hybrid automaton that is exact between its events.

For fixed contacts and conducting diodes all currents and voltages are sums of decaying exponentials
(`course`); the next event is the first of the agenda (armatures, bounce, filters) and the first
crossing of a threshold. Between events nothing is stepped. One engine for truth tables, limits and the
simulated board.

Not modelled: inductance that changes with the armature's place, arcs, mutual inductance, capacitance.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from harness.panel.agenda import NEVER, Agenda
from harness.panel.armature import MID, Times
from harness.panel.course import NS, Course
from harness.panel.inputs import PROBE, Inputs
from harness.panel.network import Network
from harness.panel.parts import OuterContact, Panel, Probe, Terminal
from harness.panel.relay_bank import ContactStates, RelayBank

MOVEMENTS_KEPT = 10_000
REPEATS = 8  # the same contacts and armatures so often again: it will never come to rest


@dataclass(frozen=True, slots=True)
class Movement:
    """`of` did `what` (picked up, dropped out, energised, de-energised, both coils energised)."""

    at_ns: int
    of: str
    what: str


@dataclass(frozen=True, slots=True)
class Settled:
    """The last thing happened at `at_ns`. Not settled: `buzzing` never rest, or the limit came first."""

    at_ns: int
    buzzing: tuple[str, ...]
    settled: bool


class Motion:
    """A panel with supplies on, everything de-energised at `start_ns`, devices at rest, outer contacts open.

    Settings made at one moment act together. A `network` may be shared between motions of one panel with
    the same outer contacts, probes and temperature: it keeps what it has computed.
    """

    def __init__(
        self,
        panel: Panel,
        *,
        outer: Sequence[OuterContact] = (),
        probes: Sequence[Probe] = (),
        coil_temperature_c: float = 20.0,
        times: Times = MID,
        start_ns: int = 0,
        on_movement: Callable[[Movement], None] | None = None,
        network: Network | None = None,
    ) -> None:
        self.panel = panel
        self.network = network or Network(
            panel, outer=outer, probes=probes, coil_temperature_c=coil_temperature_c
        )
        self.now_ns = start_ns
        self.movements: list[Movement] = []
        self._on_movement = on_movement
        self._agenda = Agenda()
        self._contacts = ContactStates(self.network.circuit)
        self._bank = RelayBank(
            panel, self.network.circuit, times, self._agenda, self._contacts, announce=self._announce
        )
        self._inputs = Inputs(self.network.probes, self._agenda)
        self._loads = {load.tag: False for load in panel.loads}
        self._positions = panel.rest
        for device in panel.devices:
            self._contacts.set(device.tag, device.rest)
        self._levels = self.network.nominal
        self._course = Course(self.network, start_ns, self._contacts.mask, self._levels)
        self._rows = _rows(self.network)
        self._touched = set(self._rows.of_relay)
        self._dirty = True
        self._next_ns = start_ns
        self._flush()

    # What a caller sets

    def set_outer(self, closed: Mapping[str, bool]) -> None:
        """Open and close outer contacts now. Raises KeyError for a name that is not connected."""
        before = self._contacts.mask
        for name, state in closed.items():
            self._contacts.set_outer(name, state)
        if self._contacts.mask != before:
            self._changed()

    def set_position(self, tag: str, position: str) -> None:
        """Set a device inside the panel, a resetting device, or a supply by the name of its level.

        An outside device's contacts are outer contacts and do not follow. Raises KeyError for an unknown
        tag, ValueError for a position that it does not have.
        """
        allowed = self.panel.positions[tag]
        if position not in allowed:
            raise ValueError(f"{tag} has no position {position!r}; it has {', '.join(allowed)}")
        self._positions[tag] = position
        levels = {supply.tag: supply.levels for supply in self.panel.supplies}
        if tag in levels:
            self.set_supply(tag, levels[tag][position])
            return
        if self.panel.device(tag).inside:
            self._contacts.set(tag, position)
        self._touched |= {relay.tag for relay in self.panel.relays if relay.reset_by == tag}
        self._changed()

    def set_supply(self, tag: str, volts: float) -> None:
        """Set a supply to any voltage, 0 included. Raises KeyError for an unknown tag."""
        tags = [supply.tag for supply in self.panel.supplies]
        if tag not in tags:
            raise KeyError(tag)
        levels = tuple(
            float(volts) if name == tag else level for name, level in zip(tags, self._levels, strict=True)
        )
        if levels != self._levels:
            self._levels = levels
            self._changed()

    # Time

    def advance_to(self, at_ns: int) -> None:
        """Let everything up to and including `at_ns` happen. Raises ValueError for a time gone by."""
        if at_ns < self.now_ns:
            raise ValueError(f"time cannot go backwards (from {self.now_ns} ns to {at_ns} ns)")
        if at_ns >= self._next_ns:
            self._flush()
            while self._next_ns <= at_ns:
                self._happen()
        self.now_ns = at_ns

    @property
    def next_event_ns(self) -> int | None:
        """When something will next happen of itself; None when nothing ever will."""
        self._flush()
        return None if self._next_ns == NEVER else self._next_ns

    def settle(self, limit_s: float = 60.0) -> Settled:
        """Run until nothing will happen and transients are over, at most `limit_s` from now.

        A state of contacts and armatures met REPEATS times is taken for one that never rests.
        """
        self._flush()
        end_ns = self.now_ns + round(limit_s * NS)
        last_ns, visits, log = self.now_ns, dict[object, list[int]](), list[str]()
        while self._next_ns <= end_ns:
            last_ns = self._next_ns
            arrived = self._happen()
            if not arrived:
                continue
            log += arrived
            seen = visits.setdefault((self._contacts.mask, *self._bank.picked_up()), [])
            seen.append(len(log))
            if len(seen) == REPEATS:
                moving = set(log[seen[-2] :])
                names = tuple(relay.tag for relay in self.panel.relays if relay.tag in moving)
                return Settled(last_ns, names, settled=False)
        settled = self._next_ns == NEVER
        self.now_ns = min(self._course.faded_ns(self.now_ns), end_ns) if settled else end_ns
        return Settled(last_ns, (), settled)

    def copy(self) -> Motion:
        """Another motion that goes on from this moment; they share only what never changes."""
        self._flush()
        other = copy.copy(self)
        other.movements = list(self.movements)
        other._agenda, other._contacts = self._agenda.copy(), self._contacts.copy()
        other._bank = self._bank.copy(other._agenda, other._contacts, other._announce)
        other._inputs = self._inputs.copy(other._agenda)
        other._course = copy.copy(self._course)
        other._loads, other._positions = dict(self._loads), dict(self._positions)
        other._touched = set(self._touched)
        return other

    # What a caller reads

    def states(self) -> dict[str, bool]:
        """Relays: picked up. Loads: energised."""
        self._flush()
        return self._bank.states() | self._loads

    def probe_word(self) -> int:
        """All probes as one number: bit k is set while probe k reads on, its filter passed."""
        if self._dirty:
            self._flush()
        return self._inputs.word

    def probes_on(self) -> dict[str, bool]:
        """Whether each probe reads on; a change shows once it has persisted for the probe's filter time."""
        word = self.probe_word()
        return {probe.name: bool(word >> bit & 1) for bit, probe in enumerate(self.network.probes)}

    def voltages(self) -> dict[Terminal, float]:
        """Volts of every terminal against the first supply's negative; meaningless on floating ones."""
        self._flush()
        volts = self._course.voltages(self.now_ns)
        return {terminal: volts[net] for terminal, net in self.network.circuit.nets.items()}

    def floating(self) -> set[Terminal]:
        """Terminals that nothing but leakage joins to any supply pole."""
        self._flush()
        return set(self.network.terminals_on(self._course.floating))

    def closed(self) -> frozenset[str]:
        """Names of all contacts that are closed."""
        return frozenset(n for n, bit in self.network.bit_of.items() if self._contacts.mask >> bit & 1)

    def coil_current_a(self, tag: str, coil_index: int = 0) -> float:
        """Current (A) from a coil's first terminal to its second, relay or load. Raises KeyError."""
        self._flush()
        return float(self._course.values(self.now_ns)[self._rows.row_of[tag, coil_index]])

    # Inside

    def _announce(self, of: str, what: str) -> None:
        movement = Movement(self.now_ns, of, what)
        if len(self.movements) >= 2 * MOVEMENTS_KEPT:
            del self.movements[:MOVEMENTS_KEPT]
        self.movements.append(movement)
        if self._on_movement is not None:
            self._on_movement(movement)

    def _changed(self) -> None:
        self._dirty = True
        self._next_ns = self.now_ns

    def _flush(self) -> None:
        """Take in what has been set at this moment."""
        if self._dirty:
            self._dirty = False
            self._enter()

    def _happen(self) -> list[str]:
        """Let the next event happen; returns the relays that arrived in a new position."""
        now_ns = self.now_ns = self._next_ns
        arrived = list[str]()
        for kind, index in self._agenda.take(now_ns):
            if kind == PROBE:
                self._inputs.show(index)
            elif self._bank.happen(kind, index, now_ns):
                arrived.append(self.panel.relays[index].tag)
        self._touched.update(arrived)
        self._enter()
        return arrived

    def _enter(self) -> None:
        """Go on from now with the contacts as they are, and tell relays, loads and probes."""
        course, rows = self._course, self._rows
        for row in course.enter(self.now_ns, self._contacts.mask, self._levels):
            zone = int(course.zones[row])
            if row >= rows.first_probe:
                self._inputs.update(row - rows.first_probe, zone, self.now_ns)
            elif rows.owner[row] in self._loads:
                self._set_load(rows.owner[row], zone)
            else:
                self._touched.add(rows.owner[row])
        for tag in sorted(self._touched):
            index, own = rows.of_relay[tag]
            zones = [int(course.zones[row]) for row in own]
            self._bank.update(index, self.now_ns, zones, reset=self._resets(index))
        self._touched.clear()
        self._next_ns = min(course.crossing_ns, self._agenda.next_ns)

    def _set_load(self, tag: str, zone: int) -> None:
        energised = zone == 2 or (zone == 1 and self._loads[tag])
        if energised != self._loads[tag]:
            self._loads[tag] = energised
            self._announce(tag, "energised" if energised else "de-energised")

    def _resets(self, index: int) -> bool:
        relay = self.panel.relays[index]
        return bool(relay.reset_by) and self._positions[relay.reset_by] in relay.reset_in


@dataclass(frozen=True, slots=True)
class _Rows:
    """Which observed row belongs to what."""

    owner: tuple[str, ...]
    row_of: dict[tuple[str, int], int]
    of_relay: dict[str, tuple[int, list[int]]]
    first_probe: int


def _rows(network: Network) -> _Rows:
    windings = network.circuit.windings
    return _Rows(
        owner=tuple(winding.of for winding in windings),
        row_of={(winding.of, winding.index): row for row, winding in enumerate(windings)},
        of_relay={
            relay.tag: (index, [row for row, winding in enumerate(windings) if winding.of == relay.tag])
            for index, relay in enumerate(network.panel.relays)
        },
        first_probe=len(windings),
    )


def device_contacts(panel: Panel) -> tuple[OuterContact, ...]:
    """The own contacts of all devices outside the panel, named `S1.13-14`, at their own terminals."""
    return tuple(
        OuterContact(name=f"{device.tag}.{contact.name}", terminals=contact.terminals)
        for device in panel.devices
        if not device.inside
        for contact in device.contacts
    )


def closed_contacts(panel: Panel, positions: Mapping[str, str]) -> dict[str, bool]:
    """Which of `device_contacts` are closed with devices in these positions; those not named are at rest."""
    return {
        f"{device.tag}.{contact.name}": positions.get(device.tag, device.rest) in contact.closed_in
        for device in panel.devices
        if not device.inside
        for contact in device.contacts
    }
