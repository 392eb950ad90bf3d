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
        levels = [(w.pick_up_a, w.drop_out_a) for w in windings] + [(p.on_v, p.off_v) for p in probes]
        high = np.array([level for level, _ in levels], dtype=float)
        self.margin: Array = np.maximum(MARGIN * np.abs(high), 1e-12)
        low = np.minimum(np.array([level for _, level in levels], dtype=float), high - 4 * self.margin)
        self._unsigned = np.array([True] * len(windings) + [p.both_polarities for p in probes], dtype=bool)
        self._columns = np.arange(len(levels))
        never = np.full(len(levels), np.inf)
        self._falls_at = np.array(
            (np.where(self._unsigned, -low - self.margin, -never), low, high - self.margin)
        )
        self._rises_at = np.array((low + self.margin, high, never))
        self._high_from = np.array((high, high, high - self.margin))
        self._low_from = np.array((low + self.margin, low, low))

    def zones(self, values: Array, before: Zones) -> Zones:
        """The zone of each value, given the zone it comes from."""
        size = np.where(self._unsigned, np.abs(values), values)
        zones: Zones = (size >= self._high_from[before, self._columns]).astype(np.int8)
        zones += size > self._low_from[before, self._columns]
        return zones

    def bounds(self, values: Array, zones: Zones) -> tuple[Array, Array]:
        """The open interval within which each value stays in its zone."""
        low, high = self._falls_at[zones, self._columns], self._rises_at[zones, self._columns]
        mirrored = self._unsigned & (values < 0)
        if not mirrored.any():
            return low, high
        return np.where(mirrored, -high, low), np.where(mirrored, -low, high)
