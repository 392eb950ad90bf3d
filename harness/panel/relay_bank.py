"""The relays of a panel in motion: pending movements, contacts that open, travel, close and bounce.

A movement is pending from the moment its coil crosses a threshold and is cancelled when the current comes
back over that same threshold before any contact has moved. If the cause goes while contacts travel, they
arrive and the armature turns back from there. Contacts that close bounce, where asked for: open
from b/4 to b/2 and from 5b/8 to b after closing, b being the stated bounce time (an invented pattern; only
its end is stated by the part).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from copy import copy

from harness.panel.agenda import Agenda
from harness.panel.armature import Armature, Times, bounce_of
from harness.panel.elements import DROPPED_OUT, PICKED_UP, Circuit
from harness.panel.parts import Panel, Relay

NS = 1e9
BEGIN, ARRIVE, BOUNCE = "begin", "arrive", "bounce"


class ContactStates:
    """Which contacts are closed, as a bit set `mask`."""

    def __init__(self, circuit: Circuit) -> None:
        self.mask = 0
        self._of: dict[str, list[tuple[int, frozenset[str]]]] = {}
        self._outer = {c.name: 1 << bit for bit, c in enumerate(circuit.contacts) if c.name == c.of}
        for bit, contact in enumerate(circuit.contacts):
            self._of.setdefault(contact.of, []).append((1 << bit, contact.closed_in))

    def set(self, owner: str, state: str) -> int:
        """Put all contacts of `owner` where `state` has them; returns the bits that closed."""
        before = self.mask
        for bit, closed_in in self._of.get(owner, ()):
            self.mask = self.mask | bit if state in closed_in else self.mask & ~bit
        return self.mask & ~before

    def set_outer(self, name: str, closed: bool) -> None:
        """Open or close one outer contact. Raises KeyError when there is none of that name."""
        bit = self._outer[name]
        self.mask = self.mask | bit if closed else self.mask & ~bit

    def open_unless(self, owner: str, both: tuple[str, str]) -> None:
        """Open the contacts of `owner` that are not closed in both states."""
        for bit, closed_in in self._of.get(owner, ()):
            if not closed_in.issuperset(both):
                self.mask &= ~bit

    def copy(self) -> ContactStates:
        other = object.__new__(ContactStates)
        other.__dict__.update(self.__dict__)
        return other


class RelayBank:
    """All armatures. `announce(tag, what)` is called at each movement and quarrel of two latching coils."""

    def __init__(
        self,
        panel: Panel,
        circuit: Circuit,
        times: Times,
        agenda: Agenda,
        contacts: ContactStates,
        *,
        announce: Callable[[str, str], None],
    ) -> None:
        self.armatures = [Armature(relay, nominal_v(panel, circuit, relay)) for relay in panel.relays]
        self._times = times
        self._agenda = agenda
        self._contacts = contacts
        self._announce = announce
        self._bouncing: dict[int, tuple[int, tuple[int, ...]]] = {}
        for armature in self.armatures:
            contacts.set(armature.relay.tag, _state(armature.picked_up))

    def copy(
        self, agenda: Agenda, contacts: ContactStates, announce: Callable[[str, str], None]
    ) -> RelayBank:
        """The same state on another agenda and other contacts."""
        other = object.__new__(RelayBank)
        other.__dict__.update(self.__dict__)
        other.armatures = [copy(armature) for armature in self.armatures]
        other._bouncing = dict(self._bouncing)
        other._agenda, other._contacts, other._announce = agenda, contacts, announce
        return other

    def update(self, index: int, now_ns: int, zones: list[int], *, reset: bool) -> None:
        """Start or cancel a movement of one relay, given the zones of its coil currents (`thresholds`)."""
        armature = self.armatures[index]
        quarrelled = armature.quarrel
        wanted = armature.pulled([z == 2 for z in zones], [z > 0 for z in zones], reset=reset)
        if armature.quarrel and not quarrelled:
            self._announce(armature.relay.tag, "both coils energised")
        if armature.begun:
            return
        if wanted == armature.picked_up:
            if armature.heading is not None:
                armature.heading = None
                self._agenda.cancel((BEGIN, index))
                self._agenda.cancel((ARRIVE, index))
        elif armature.heading is None:
            armature.heading = wanted
            arrives = now_ns + round(armature.duration_s(wanted, self._times) * NS)
            begins = max(now_ns, arrives - round(armature.relay.gap_s * NS))
            self._agenda.put((ARRIVE, index), arrives)
            if begins < arrives:
                self._agenda.put((BEGIN, index), begins)

    def picked_up(self) -> list[bool]:
        return [armature.picked_up for armature in self.armatures]

    def states(self) -> dict[str, bool]:
        return {armature.relay.tag: armature.picked_up for armature in self.armatures}

    def happen(self, kind: str, index: int, now_ns: int) -> bool:
        """Carry out what was on the agenda for one relay; returns whether it arrived in a new position."""
        if kind == BEGIN:
            self._begin(index)
        elif kind == ARRIVE:
            self._arrive(index, now_ns)
        else:
            self._bounce(index, now_ns)
        return kind == ARRIVE

    def _begin(self, index: int) -> None:
        armature = self.armatures[index]
        armature.begun = True
        self._stop_bouncing(index)
        self._contacts.open_unless(armature.relay.tag, (PICKED_UP, DROPPED_OUT))

    def _arrive(self, index: int, now_ns: int) -> None:
        armature = self.armatures[index]
        assert armature.heading is not None
        self._agenda.cancel((BEGIN, index))
        self._stop_bouncing(index)
        armature.picked_up, armature.heading, armature.begun = armature.heading, None, False
        state = _state(armature.picked_up)
        closed = self._contacts.set(armature.relay.tag, state)
        self._announce(armature.relay.tag, state)
        if self._times.bounces and armature.relay.bounce_s > 0 and closed:
            steps = tuple(now_ns + round(step * NS) for step in bounce_of(armature.relay.bounce_s))
            self._bouncing[index] = (closed, steps)
            self._agenda.put((BOUNCE, index), steps[0])

    def _bounce(self, index: int, now_ns: int) -> None:
        bits, steps = self._bouncing.pop(index, (0, ()))
        if not steps or steps[0] > now_ns:
            self._bouncing |= {index: (bits, steps)} if steps else {}
            return
        self._contacts.mask ^= bits
        if len(steps) > 1:
            self._bouncing[index] = (bits, steps[1:])
            self._agenda.put((BOUNCE, index), steps[1])

    def _stop_bouncing(self, index: int) -> None:
        if self._bouncing.pop(index, None) is not None:
            self._agenda.cancel((BOUNCE, index))


def _state(picked_up: bool) -> str:
    return PICKED_UP if picked_up else DROPPED_OUT


def nominal_v(panel: Panel, circuit: Circuit, relay: Relay) -> float:
    """The nominal voltage of the supply whose positive lies nearest to the relay's first coil.

    Nearest: over the fewest contacts (open or closed), resistors and diodes, never through another coil.
    """
    if not panel.supplies:
        return 0.0
    paths: dict[int, set[int]] = {}
    for a, b in _links(circuit):
        paths.setdefault(a, set()).add(b)
        paths.setdefault(b, set()).add(a)
    positives = {circuit.nets[s.positive]: s.nominal_v for s in reversed(panel.supplies)}
    waiting = deque(circuit.nets[terminal] for terminal in relay.coils[0].terminals)
    met = set(waiting)
    while waiting:
        net = waiting.popleft()
        if net in positives:
            return positives[net]
        waiting.extend(paths.get(net, set()) - met)
        met |= paths.get(net, set())
    return panel.supplies[0].nominal_v


def _links(circuit: Circuit) -> Sequence[tuple[int, int]]:
    return [
        *((c.a, c.b) for c in circuit.contacts),
        *((b.a, b.b) for b in circuit.branches),
        *((d.anode, d.cathode) for d in circuit.rectifiers),
    ]
