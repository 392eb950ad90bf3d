"""Every order in which relays could move, by steady currents alone: where all orders agree there is no race.

No times and no transients: relays that want to move do so one after another in each possible order. It is a
quick way to be sure that the order does not matter; where orders differ, `table` asks the motion, which
knows whether the time ranges of the relays let them differ.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cached_property

from harness.panel.armature import Armature
from harness.panel.configuration import Levels
from harness.panel.elements import CLOSED, DROPPED_OUT, PICKED_UP
from harness.panel.motion import closed_contacts
from harness.panel.network import Network

MOST_STATES = 200
"""States looked at before the search gives up and says that orders differ."""

State = tuple[bool, ...]
"""Relays picked up, then loads energised, in file order."""


class Orders:
    """Explores one network at given supply levels; keeps the currents of each set of closed contacts."""

    def __init__(self, network: Network, levels: Levels) -> None:
        self._network = network
        self._panel = network.panel
        self._levels = levels
        self._currents: dict[int, list[float]] = {}

    def outcome(self, positions: Mapping[str, str], states: Mapping[str, bool]) -> dict[str, bool] | None:
        """The states that every order of movements leads to from `states`; None when orders differ."""
        start = tuple(states[tag] for tag in self._panel.outputs)
        fixed = self._fixed_mask(positions)
        search = _Search(lambda state: self._onward(fixed, positions, state))
        if not search.visit(start) or len(search.ends) != 1:
            return None
        return dict(zip(self._panel.outputs, search.ends.pop(), strict=True))

    def movers(self, positions: Mapping[str, str], states: Mapping[str, bool]) -> list[str]:
        """The relays that may move in some order, in file order."""
        fixed = self._fixed_mask(positions)
        count = len(self._armatures)
        waiting = [tuple(states[tag] for tag in self._panel.outputs)]
        seen: set[State] = set()
        moved: set[int] = set()
        while waiting and len(seen) <= MOST_STATES:
            state = waiting.pop()
            if state not in seen:
                seen.add(state)
                onward = self._onward(fixed, positions, state)
                moved |= {k for other in onward for k in range(count) if other[k] != state[k]}
                waiting.extend(onward)
        return [armature.relay.tag for k, armature in enumerate(self._armatures) if k in moved]

    def _onward(self, fixed: int, positions: Mapping[str, str], state: State) -> list[State]:
        """The states after one more movement; the state itself when nothing wants to move."""
        mask = fixed
        for (up, down), picked_up in zip(self._relay_masks, state, strict=False):
            mask |= up if picked_up else down
        amperes = self._amperes(mask)
        count = len(self._armatures)
        loads = tuple(
            self._energised(load.tag, amperes, was)
            for load, was in zip(self._panel.loads, state[count:], strict=True)
        )
        rest = state[:count] + loads
        onward = []
        for k, armature in enumerate(self._armatures):
            wanted = self._wanted(armature, amperes, positions, picked_up=state[k])
            if wanted != state[k]:
                onward.append((*rest[:k], wanted, *rest[k + 1 :]))
        return onward or [rest]

    def _energised(self, tag: str, amperes: list[float], was: bool) -> bool:
        row = self._rows[tag][0]
        winding = self._network.circuit.windings[row]
        return amperes[row] >= (winding.drop_out_a if was else winding.pick_up_a)

    def _wanted(
        self, armature: Armature, amperes: list[float], positions: Mapping[str, str], *, picked_up: bool
    ) -> bool:
        relay = armature.relay
        armature.picked_up = picked_up
        own = [(amperes[row], self._network.circuit.windings[row]) for row in self._rows[relay.tag]]
        reset = bool(relay.reset_by) and positions[relay.reset_by] in relay.reset_in
        return armature.pulled(
            [ampere >= winding.pick_up_a for ampere, winding in own],
            [ampere > winding.drop_out_a for ampere, winding in own],
            reset=reset,
        )

    def _amperes(self, mask: int) -> list[float]:
        """Current of every winding, by size, with these contacts closed."""
        known = self._currents.get(mask)
        if known is None:
            _, rows = self._network.consistent(mask, 0, lambda trial: trial.steady(self._levels))
            coils = len(self._network.circuit.windings)
            known = self._currents[mask] = [abs(float(ampere)) for ampere in rows[:coils]]
        return known

    def _fixed_mask(self, positions: Mapping[str, str]) -> int:
        """The closed contacts of everything but relays."""
        outside = closed_contacts(self._panel, positions)
        mask = 0
        for bit, contact in enumerate(self._network.circuit.contacts):
            state = CLOSED if outside.get(contact.of) else positions.get(contact.of)
            if state in contact.closed_in:
                mask |= 1 << bit
        return mask

    @cached_property
    def _relay_masks(self) -> list[tuple[int, int]]:
        """The closed contacts of each relay picked up, and dropped out."""
        masks = []
        for relay in self._panel.relays:
            own = [(bit, c) for bit, c in enumerate(self._network.circuit.contacts) if c.of == relay.tag]
            masks.append(
                (
                    sum(1 << bit for bit, contact in own if PICKED_UP in contact.closed_in),
                    sum(1 << bit for bit, contact in own if DROPPED_OUT in contact.closed_in),
                )
            )
        return masks

    @cached_property
    def _armatures(self) -> list[Armature]:
        return [Armature(relay, 0.0) for relay in self._panel.relays]

    @cached_property
    def _rows(self) -> dict[str, list[int]]:
        """The windings of each relay and load."""
        rows: dict[str, list[int]] = {}
        for row, winding in enumerate(self._network.circuit.windings):
            rows.setdefault(winding.of, []).append(row)
        return rows


class _Search:
    """Depth first through all states; `ends` are those that nothing moves out of."""

    def __init__(self, onward: Callable[[State], list[State]]) -> None:
        self._onward = onward
        self._path: set[State] = set()
        self._done: set[State] = set()
        self.ends: set[State] = set()

    def visit(self, state: State) -> bool:
        """False as soon as a second end, a way back or too many states show."""
        if state in self._path or len(self._done) > MOST_STATES:
            return False
        if state in self._done:
            return True
        self._path.add(state)
        others = [other for other in self._onward(state) if other != state]
        if not others:
            self.ends.add(state)
        sound = len(self.ends) <= 1 and all(self.visit(other) for other in others)
        self._path.discard(state)
        self._done.add(state)
        return sound
