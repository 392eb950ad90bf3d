"""The stated start of tables: supply on, everything at rest, settled; then positions change at one moment.

One `Settler` keeps the rest state of a panel, so that each row of a table starts from a copy of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

from harness.errors import UsageError
from harness.panel.armature import MID, Times
from harness.panel.motion import Motion, Settled, closed_contacts, device_contacts
from harness.panel.parts import Panel, Relay, Span

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

    @cached_property
    def limit_s(self) -> float:
        """How long to wait for the panel to settle (s)."""
        return PATIENCE_S + 2 * sum(relay.delay_s.high for relay in self.panel.relays)

    def start(self, positions: Mapping[str, str]) -> tuple[Motion, Settled]:
        """A motion of its own, settled with devices at rest and supplies at the levels of `positions`."""
        levels = tuple(positions.get(s.tag, "nominal") for s in self.panel.supplies)
        if levels not in self._at_rest:
            self._at_rest[levels] = self._settle_at_rest(levels)
        motion, settled = self._at_rest[levels]
        return motion.copy(), settled

    def move(self, motion: Motion, positions: Mapping[str, str]) -> Settled:
        """All devices to `positions` (complete) at the same moment, then settled."""
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

    def _settle_at_rest(self, levels: tuple[str, ...]) -> tuple[Motion, Settled]:
        times: Times = self.times
        motion = Motion(
            self.panel,
            outer=device_contacts(self.panel),
            coil_temperature_c=self._coil_temperature_c,
            times=times,
        )
        for supply, level in zip(self.panel.supplies, levels, strict=True):
            stated = self._volts.get(supply.tag) if level == "nominal" else None
            motion.set_supply(supply.tag, supply.levels[level] if stated is None else stated)
        return motion, self.move(motion, self.panel.rest)


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


def move(motion: Motion, panel: Panel, positions: Mapping[str, str]) -> Settled:
    """All devices of a motion from `at_positions` to other positions at one moment, settled there."""
    settler = Settler(panel)
    return settler.move(motion, settler.complete(positions))


__all__ = ["MID", "Chosen", "Settler", "at_positions", "move"]
