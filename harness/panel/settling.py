"""The stated start of tables: supply on, everything at rest, settled; then positions change at one moment.

One `Settler` keeps the rest state of a panel, so that each row of a table starts from a copy of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

from harness.errors import UsageError
from harness.panel.motion import Motion, Settled, closed_contacts, device_contacts
from harness.panel.network import Network
from harness.panel.orders import Orders
from harness.panel.parts import Panel, Relay, Span, Supply

PATIENCE_S = 10.0
"""How long a panel without time delays may take to settle before it counts as never settling."""


class Chosen:
    """Times mid-range, except relays in `ends`: True at the slow end of theirs, False at the quick end.

    `ends` may be changed between two movements.
    """

    bounces = False

    def __init__(self) -> None:
        self.ends: dict[str, bool] = {}

    def operate_s(self, relay: Relay) -> float:
        return self._at(relay, relay.operate_s)

    def release_s(self, relay: Relay) -> float:
        return self._at(relay, relay.release_s)

    def delay_s(self, relay: Relay) -> float:
        return self._at(relay, relay.delay_s)

    def _at(self, relay: Relay, span: Span) -> float:
        slow = self.ends.get(relay.tag)
        return span.mid if slow is None else span.high if slow else span.low


class Settler:
    """Settled motions of one panel at any positions, from the stated start."""

    def __init__(
        self, panel: Panel, *, volts: Mapping[str, float] | None = None, coil_temperature_c: float = 20.0
    ) -> None:
        self.panel = panel
        self.times = Chosen()
        self._volts = dict(volts or {})
        self._coil_temperature_c = coil_temperature_c
        self._at_rest: dict[tuple[str, ...], tuple[Motion, Settled]] = {}
        self._orders: dict[tuple[str, ...], Orders] = {}

    @cached_property
    def limit_s(self) -> float:
        """How long to wait for the panel to settle (s)."""
        return PATIENCE_S + 2 * sum(relay.delay_s.high for relay in self.panel.relays)

    def start(self, positions: Mapping[str, str]) -> tuple[Motion, Settled]:
        """Settled with devices at rest, supplies at the levels of `positions`. Copy it before moving it."""
        levels = self._levels(positions)
        if levels not in self._at_rest:
            self._at_rest[levels] = self._settle_at_rest(levels)
        return self._at_rest[levels]

    def move(self, motion: Motion, positions: Mapping[str, str]) -> Settled:
        """Devices, breakers and supplies to `positions` (complete) at the same moment, then settled."""
        for supply, level in self._at(self._levels(positions)):
            motion.set_supply(supply.tag, self._volts_of(supply, level))
        motion.set_outer(closed_contacts(self.panel, dict(positions)))
        for device in self.panel.devices:
            motion.set_position(device.tag, positions[device.tag])
        return motion.settle(limit_s=self.limit_s)

    def complete(self, positions: Mapping[str, str]) -> dict[str, str]:
        """Positions of everything, at rest where not named. Raises UsageError for an unknown one."""
        allowed = self.panel.positions
        for tag, place in positions.items():
            if tag not in allowed:
                known = ", ".join(allowed)
                raise UsageError(
                    f"'{tag}={place}': panel {self.panel.tag} has no device '{tag}'; it has {known}"
                )
            if place not in allowed[tag]:
                known = ", ".join(allowed[tag])
                raise UsageError(f"'{tag}={place}': {tag} has no position '{place}'; it has {known}")
        return self.panel.rest | dict(positions)

    def orders(self, positions: Mapping[str, str]) -> Orders:
        """The orders of movement at the supply levels of `positions`."""
        levels = self._levels(positions)
        if levels not in self._orders:
            volts = (self._volts_of(supply, level) for supply, level in self._at(levels))
            self._orders[levels] = Orders(self._network, tuple(volts))
        return self._orders[levels]

    @cached_property
    def _network(self) -> Network:
        outer = device_contacts(self.panel)
        return Network(self.panel, outer=outer, coil_temperature_c=self._coil_temperature_c)

    def _levels(self, positions: Mapping[str, str]) -> tuple[str, ...]:
        return tuple(positions.get(supply.tag, "nominal") for supply in self.panel.supplies)

    def _at(self, levels: tuple[str, ...]) -> list[tuple[Supply, str]]:
        return list(zip(self.panel.supplies, levels, strict=True))

    def _volts_of(self, supply: Supply, level: str) -> float:
        stated = self._volts.get(supply.tag) if level == "nominal" else None
        return supply.levels[level] if stated is None else stated

    def _settle_at_rest(self, levels: tuple[str, ...]) -> tuple[Motion, Settled]:
        motion = Motion(self.panel, times=self.times, network=self._network)
        at_levels = {supply.tag: level for supply, level in self._at(levels)}
        return motion, self.move(motion, self.panel.rest | at_levels)


def at_positions(
    panel: Panel,
    positions: Mapping[str, str],
    *,
    volts: Mapping[str, float] | None = None,
    coil_temperature_c: float = 20.0,
) -> tuple[Motion, Settled]:
    """A motion taken from the stated start to `positions`, settled there. Raises UsageError."""
    settler = Settler(panel, volts=volts, coil_temperature_c=coil_temperature_c)
    complete = settler.complete(positions)
    motion, _ = settler.start(complete)
    return motion, settler.move(motion, complete)
