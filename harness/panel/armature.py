"""Relay mechanics: how long an armature takes, which way its coils pull it, when its contacts move.

Operate time runs to the last make contact closed and release time to the last break contact closed again,
bounce excluded (MIL-R-5757J, 6.8); what opens does so `gap_s` earlier. The armature time is the stated time
at nominal supply and 20 C less the coil's own current rise (or decay through its stated suppression) there.
Once contacts have begun to move, the movement is completed.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from typing import Protocol

from harness.panel.elements import SUPPRESSION_FORWARD_V, SUPPRESSION_ON_OHM
from harness.panel.parts import Coil, Relay, Span

SHORTEST_S = 1e-6  # no armature moves faster; keeps a relay that interrupts itself from stopping the clock


class Times(Protocol):
    """Where within its stated range each operation lies (s). `bounces`: whether closing contacts bounce."""

    @property
    def bounces(self) -> bool: ...

    def operate_s(self, relay: Relay) -> float: ...

    def release_s(self, relay: Relay) -> float: ...

    def delay_s(self, relay: Relay) -> float: ...


class Middle:
    """Always the middle of the range, no bounce: what tables use."""

    bounces = False

    def operate_s(self, relay: Relay) -> float:
        return relay.operate_s.mid

    def release_s(self, relay: Relay) -> float:
        return relay.release_s.mid

    def delay_s(self, relay: Relay) -> float:
        return relay.delay_s.mid


MID = Middle()


class Drawn:
    """Drawn anew for each operation, evenly over the range, with bounce: what a simulated panel uses."""

    bounces = True

    def __init__(self, source: random.Random) -> None:
        self._source = source

    def operate_s(self, relay: Relay) -> float:
        return self._draw(relay.operate_s)

    def release_s(self, relay: Relay) -> float:
        return self._draw(relay.release_s)

    def delay_s(self, relay: Relay) -> float:
        return self._draw(relay.delay_s)

    def _draw(self, span: Span) -> float:
        return span.low + (span.high - span.low) * self._source.random()


def rise_s(coil: Coil, volts: float) -> float:
    """Time (s) of the current from 0 to pick-up on `volts` at 20 C: -(L/R) ln(1 - V_pick-up / V).

    0 without inductance, and 0 where the coil would not pick up at all.
    """
    if coil.inductance_h <= 0 or volts <= coil.pick_up_v or coil.resistance_ohm <= 0:
        return 0.0
    return -coil.inductance_h / coil.resistance_ohm * math.log(1 - coil.pick_up_v / volts)


def decay_s(coil: Coil, volts: float) -> float:
    """Time (s) of the current from `volts` over R to drop-out at 20 C through the coil's own suppression.

    Resistor Rs: L/(R+Rs) ln(I0/I). Diode: L/R ln((I0 + V/R)/(I + V/R)), V the forward voltage and R with
    the diode's own resistance. Without suppression 0.
    """
    if coil.suppression == "none" or coil.inductance_h <= 0 or volts <= coil.drop_out_v:
        return 0.0
    first, last = volts / coil.resistance_ohm, coil.drop_out_v / coil.resistance_ohm
    if coil.suppression == "diode":
        loop = coil.resistance_ohm + SUPPRESSION_ON_OHM
        clamp = SUPPRESSION_FORWARD_V / loop
        return coil.inductance_h / loop * math.log((first + clamp) / (last + clamp))
    if last <= 0:
        return 0.0
    return coil.inductance_h / (coil.resistance_ohm + coil.suppression_ohm) * math.log(first / last)


@dataclass(slots=True)
class Armature:
    """One relay's armature. `nominal_v` is the supply its stated times hold at.

    The state is `picked_up`; `heading` is the position it is on its way to, None at rest; `begun` says
    whether contacts have moved.
    """

    relay: Relay
    nominal_v: float
    picked_up: bool = False
    heading: bool | None = None
    begun: bool = False
    quarrel: bool = field(default=False)

    def __post_init__(self) -> None:
        self.picked_up = self.relay.armature == "stuck picked up"

    def pulled(self, above_pick_up: list[bool], above_drop_out: list[bool], *, reset: bool) -> bool:
        """The position that the coils ask for now, by coil current and for a hand-reset relay the reset.

        Two-coil latching: the first coil sets, the second resets, each from its pick-up current; both
        at once move nothing.
        """
        if self.relay.armature != "free":
            return self.picked_up
        if self.relay.kind == "latching":
            setting, resetting = above_pick_up[0], above_pick_up[-1]
            self.quarrel = setting and resetting
            return self.picked_up if setting == resetting else setting
        if not self.picked_up:
            return above_pick_up[0]
        if self.relay.kind == "hand-reset":
            return above_drop_out[0] or not reset
        return above_drop_out[0]

    def duration_s(self, up: bool, times: Times) -> float:
        """Time (s) from the current's crossing to the last contact closed, time delay included."""
        relay, volts = self.relay, self.nominal_v
        if up:
            own = times.operate_s(relay) - rise_s(relay.coils[0], volts)
        elif relay.kind == "latching":
            own = times.release_s(relay) - rise_s(relay.coils[-1], volts)
        else:
            own = times.release_s(relay) - decay_s(relay.coils[0], volts)
        delayed = relay.kind == ("delayed pick-up" if up else "delayed drop-out")
        return max(own, SHORTEST_S) + (times.delay_s(relay) if delayed else 0.0)


def bounce_of(bounce_s: float) -> tuple[float, float, float, float]:
    """Times (s) after first closing at which a bouncing contact opens, closes, opens and stays closed."""
    return bounce_s / 4, bounce_s / 2, bounce_s * 5 / 8, bounce_s
