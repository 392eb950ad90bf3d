"""Thresholds with hysteresis: where winding currents and probe voltages lie against two levels each.

A zone is 0 (at or below the low level), 1 (between) or 2 (at or above the high level). Winding currents,
and probes of both polarities, count by size, not sign. A value must come back over a level by MARGIN of
it before the zone changes back, so that rounding cannot flap it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from harness.panel.elements import Winding
from harness.panel.parts import Probe

Array = NDArray[np.float64]
Zones = NDArray[np.int8]
MARGIN = 1e-7


class Thresholds:
    """The levels of all windings, then of all probes."""

    def __init__(self, windings: Sequence[Winding], probes: Sequence[Probe]) -> None:
        high = [w.pick_up_a for w in windings] + [p.on_v for p in probes]
        low = [w.drop_out_a for w in windings] + [p.off_v for p in probes]
        self.high = np.array(high, dtype=float)
        self.margin = np.maximum(MARGIN * np.abs(self.high), 1e-12)
        self.low = np.minimum(np.array(low, dtype=float), self.high - 4 * self.margin)
        self.unsigned = np.array([True] * len(windings) + [p.both_polarities for p in probes], dtype=bool)

    def zones(self, values: Array, before: Zones) -> Zones:
        """The zone of each value, given the zone it comes from."""
        size = np.where(self.unsigned, np.abs(values), values)
        above = size >= np.where(before == 2, self.high - self.margin, self.high)
        beyond = size > np.where(before == 0, self.low + self.margin, self.low)
        zones: Zones = above.astype(np.int8) + beyond
        return zones

    def bounds(self, values: Array, zones: Zones) -> tuple[Array, Array]:
        """The open interval within which each value stays in its zone."""
        below, amid, top = zones == 0, zones == 1, zones == 2
        high = np.where(below, self.low + self.margin, np.where(amid, self.high, np.inf))
        low = np.where(top, self.high - self.margin, np.where(amid, self.low, -np.inf))
        low = np.where(below & self.unsigned, -high, low)
        mirrored = self.unsigned & (values < 0)
        return np.where(mirrored, -high, low), np.where(mirrored, -low, high)
