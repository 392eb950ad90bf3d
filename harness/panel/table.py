"""The truth table of a panel derived from its own circuit: each row's states, and where they are in doubt.

Every row starts with the supply on, all devices at rest, settled; then all devices go to the row's positions
at the same moment and the panel settles in time order with mid-range times. Three notes mark doubt:

`race`: with two relays that may move at opposite ends of their time ranges another state results; the
outputs that differ are undecided. `buzz`: a relay interrupts itself; it and what follows it are undecided.
`depends on history`: reached by changing one device at a time, or from a row that differs in one device,
another state results; the states given are those of the stated start.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import permutations, product
from math import prod
from typing import Any

from harness.clock import NS
from harness.errors import UsageError
from harness.panel.motion import Motion, Settled
from harness.panel.parts import Device, Panel
from harness.panel.settling import Settler

RACE, BUZZ, HISTORY = "race", "buzz", "depends on history"
MOST_ROWS = 20_000
POINTS_KEPT = 2_000
WATCHED_NS = 2 * NS
"""A panel that does not rest is watched so long for what goes on moving."""

States = dict[str, bool]
Key = tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class DerivedRow:
    """States by output: True picked up or energised, False not, None undecided. `notes` say why."""

    positions: dict[str, str]
    states: dict[str, bool | None]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DerivedTable:
    """All rows; `devices` and `outputs` are the columns, in file order."""

    devices: tuple[str, ...]
    outputs: tuple[str, ...]
    rows: tuple[DerivedRow, ...]

    def as_json(self) -> dict[str, Any]:
        """A JSON document of the table."""
        return {
            "format": 1,
            "devices": list(self.devices),
            "outputs": list(self.outputs),
            "rows": [
                {"positions": row.positions, "states": row.states, "notes": list(row.notes)}
                for row in self.rows
            ],
        }


@dataclass(frozen=True, slots=True)
class _Point:
    """A settled motion and what it came to. The motion is copied before it moves on."""

    motion: Motion
    settled: Settled
    states: States


class Deriver:
    """Derives rows of one panel, keeping what rows share. `volts`: by supply, in place of nominal."""

    def __init__(
        self, panel: Panel, *, volts: Mapping[str, float] | None = None, coil_temperature_c: float = 20.0
    ) -> None:
        self.panel = panel
        self._settler = Settler(panel, volts=volts, coil_temperature_c=coil_temperature_c)
        self._outside = tuple(device for device in panel.devices if not device.inside)
        self._known: dict[Key, _Point] = {}
        self._after: dict[Key, States | None] = {}

    def row(self, positions: Mapping[str, str]) -> DerivedRow:
        """The row at `positions`; what is not named is at rest. Raises UsageError for unknown names."""
        target = self._settler.complete(positions)
        return self._judged(target, [target])

    def stop_row(self, running: Mapping[str, str], demand: Mapping[str, str]) -> DerivedRow:
        """The row at `demand` reached from the settled running state; history is stated, so never a doubt."""
        steps = [self._settler.complete(running), self._settler.complete(demand)]
        return self._judged(steps[-1], steps)

    def after_row(
        self, running: Mapping[str, str], demand: Mapping[str, str], released: Mapping[str, str]
    ) -> DerivedRow:
        """The row at `released`, reached from the running state through the demand."""
        steps = [self._settler.complete(step) for step in (running, demand, released)]
        return self._judged(steps[-1], steps)

    def _judged(self, target: dict[str, str], steps: list[dict[str, str]]) -> DerivedRow:
        before = self._through(steps[:-1]) if len(steps) > 1 else self._rest(target)
        point = self._through(steps)
        points = [point, *self._variations(before, point, target)]
        resting = [other for other in points if other.settled.settled]
        restless = [other for other in points if not other.settled.settled]
        differ = {tag for other in resting[1:] for tag in _differing(resting[0].states, other.states)}
        notes = []
        if differ or (resting and restless):
            notes.append(RACE)
        if restless and not (resting and restless == [point]):
            notes.append(BUZZ)
        if len(steps) == 1 and not restless and self._depends_on_history(target, point):
            notes.append(HISTORY)
        differ.update(*(self._restless(other) for other in restless))
        return DerivedRow(target, dict(point.states) | dict.fromkeys(differ), tuple(notes))

    # --- reaching positions ---

    def _through(self, steps: list[dict[str, str]]) -> _Point:
        """The panel taken from the stated start through `steps`, settling at each."""
        key = _key(steps)
        known = self._known.get(key)
        if known is None:
            before = self._through(steps[:-1]) if len(steps) > 1 else self._rest(steps[0])
            if len(self._known) >= POINTS_KEPT:
                self._known.clear()
            known = self._known[key] = self._onward(before, steps[-1])
        return known

    def _rest(self, levels: Mapping[str, str]) -> _Point:
        motion, settled = self._settler.start(levels)
        return _Point(motion, settled, motion.states())

    def _onward(self, start: _Point, target: Mapping[str, str]) -> _Point:
        motion = start.motion.copy()
        settled = self._settler.move(motion, target)
        return _Point(motion, settled, motion.states())

    # --- doubt ---

    def _variations(self, before: _Point, point: _Point, target: Mapping[str, str]) -> list[_Point]:
        """The row again with each two of the relays that may move at opposite ends of their time ranges.

        None where every order of movements leads to the same states anyway.
        """
        orders = self._settler.orders(target)
        if orders.outcome(target, before.states) == point.states:
            return []
        points = []
        for quick, slow in permutations(orders.movers(target, before.states), 2):
            self._settler.times.ends = {quick: False, slow: True}
            try:
                points.append(self._onward(before, target))
            finally:
                self._settler.times.ends = {}
        return points

    def _restless(self, point: _Point) -> set[str]:
        """What goes on moving once the panel is known not to settle."""
        motion = point.motion.copy()
        seen = {tag: {state} for tag, state in motion.states().items()}
        count = len(motion.movements)
        motion.advance_to(motion.now_ns + WATCHED_NS)
        restless = {move.of for move in motion.movements[count:]} & set(seen)
        return restless | (set(point.settled.buzzing) & set(seen))

    def _depends_on_history(self, target: dict[str, str], point: _Point) -> bool:
        """Whether another way to `target` ends in other states. Ways on which nothing rests do not count."""
        tried = [point.states]
        for steps in self._other_ways(target):
            states = self._states_after(steps)
            if states is None or states in tried:
                continue
            tried.append(states)
            if self._settler.orders(target).outcome(target, states) == point.states:
                continue
            other = self._through([*steps, target])
            if other.settled.settled and other.states != point.states:
                return True
        return False

    def _other_ways(self, target: dict[str, str]) -> Iterator[list[dict[str, str]]]:
        """Steps from rest to where one change of one device leads to `target`."""
        for device in self._outside:
            for place in device.positions:
                if place != target[device.tag]:
                    yield [target | {device.tag: place}]
        for order in (self._outside, self._outside[::-1]):
            steps = _one_at_a_time(self.panel.rest, target, order)
            if len(steps) > 1:
                yield steps[:-1]

    def _states_after(self, steps: list[dict[str, str]]) -> States | None:
        """States after `steps`, by the motion only where the order of movements matters; None: no rest."""
        key = _key(steps)
        if key not in self._after:
            before = self._states_after(steps[:-1]) if len(steps) > 1 else self._rest(steps[0]).states
            states = (
                self._settler.orders(steps[-1]).outcome(steps[-1], before) if before is not None else None
            )
            if states is None:
                point = self._through(steps)
                states = point.states if point.settled.settled else None
            self._after[key] = states
        return self._after[key]


def _key(steps: list[dict[str, str]]) -> Key:
    return tuple(tuple(step.values()) for step in steps)


def derive_row(
    panel: Panel,
    positions: Mapping[str, str],
    *,
    volts: Mapping[str, float] | None = None,
    coil_temperature_c: float = 20.0,
) -> DerivedRow:
    """The row of the panel at `positions`; what is not named is at rest. Many rows: use one `Deriver`.

    `volts`: voltage by supply in place of nominal. Raises UsageError for an unknown device or position.
    """
    return Deriver(panel, volts=volts, coil_temperature_c=coil_temperature_c).row(positions)


def derive_table(
    panel: Panel,
    *,
    fixed: Mapping[str, str] | None = None,
    with_breakers: bool = False,
    volts: Mapping[str, float] | None = None,
    coil_temperature_c: float = 20.0,
) -> DerivedTable:
    """The rows of every combination of the devices outside, in file order, the last device changing fastest.

    `fixed` holds devices, breakers or supplies at one position in every row; breakers are otherwise closed
    unless `with_breakers`. Raises UsageError for unknown names and for more than MOST_ROWS rows.
    """
    deriver = Deriver(panel, volts=volts, coil_temperature_c=coil_temperature_c)
    held = dict(fixed or {})
    deriver.row(panel.rest | held)
    columns = {
        tag: (held[tag],) if tag in held else places
        for tag, places in panel.positions.items()
        if tag in held or _varies(panel, tag, with_breakers=with_breakers)
    }
    count = prod(len(places) for places in columns.values())
    if count > MOST_ROWS:
        hint = "hold a device at one position, as in S1=pressed"
        raise UsageError(f"panel {panel.tag}: {count} rows, more than {MOST_ROWS}; {hint}")
    rows = []
    for places in product(*columns.values()):
        positions = dict(zip(columns, places, strict=True))
        row = deriver.row(positions)
        rows.append(DerivedRow(positions, row.states, row.notes))
    return DerivedTable(tuple(columns), panel.outputs, tuple(rows))


def _varies(panel: Panel, tag: str, *, with_breakers: bool) -> bool:
    return any(device.tag == tag and (with_breakers or not device.inside) for device in panel.devices)


def _one_at_a_time(
    rest: Mapping[str, str], target: Mapping[str, str], order: tuple[Device, ...]
) -> list[dict[str, str]]:
    """Steps from rest to target, one device each; breakers and supplies are there from the first step on."""
    moving = [device.tag for device in order if target[device.tag] != rest[device.tag]]
    at = dict(target) | {tag: rest[tag] for tag in moving}
    steps = []
    for tag in moving:
        at = at | {tag: target[tag]}
        steps.append(at)
    return steps


def _differing(one: States, other: States) -> set[str]:
    return {tag for tag, state in one.items() if other[tag] != state}
