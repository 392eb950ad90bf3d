"""The course of currents and voltages from the last event on, and the next threshold that they will cross."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from harness.panel.agenda import NEVER
from harness.panel.configuration import Array, Configuration, Levels
from harness.panel.network import Network
from harness.panel.thresholds import Thresholds
from harness.panel.transient import Exit

NS = 1e9
FADED = 1e-6  # V or A: transients smaller than this are over
NIL_WITHIN_S = 1e-6  # how far back a diode's current is looked for at nil
CROWD = 50  # crossings within one nanosecond; after so many the next one is put off


class Course:
    """Starts with no current in any winding. Call `enter` at each event and at each change from outside.

    Rows are those of the network's observation: windings (A), probes (V), diodes. `zones` are theirs
    against the thresholds (windings and probes only).
    """

    def __init__(self, network: Network, start_ns: int, closed: int, levels: Levels) -> None:
        self._network = network
        self._inductive = network.wiring.inductive
        self._diodes = network.wiring.first_diode_row
        self._thresholds = Thresholds(network.circuit.windings, network.probes)
        self._leaving: Exit | None = None
        self._edge = 0.0
        self._began_ns = start_ns
        self._lag_s = 0.0  # how long before that full nanosecond it really began
        self._crowd = 0
        self._levels = levels
        self._found: Configuration = network.configuration(closed, 0)
        self._steady = self._found.steady(levels)
        self._terms = -self._found.to_modes @ self._steady[self._inductive]
        self.zones: NDArray[np.int8] = np.zeros(self._diodes, dtype=np.int8)
        self.crossing_ns = NEVER

    def values(self, at_ns: int) -> Array:
        """All observed rows at a moment not before the last event."""
        left = self._found.decay.after((at_ns - self._began_ns) / NS + self._lag_s)
        values: Array = self._steady + self._found.weights @ (self._terms * left)
        return values

    def voltages(self, at_ns: int) -> list[float]:
        """Volts of every net against the reference."""
        volts: list[float] = self._found.voltages(self.values(at_ns)[self._inductive], self._levels).tolist()
        return volts

    @property
    def floating(self) -> frozenset[int]:
        return self._found.floating

    def faded_ns(self, at_ns: int) -> int:
        """When every transient still running at `at_ns` is smaller than FADED."""
        dt = (at_ns - self._began_ns) / NS + self._lag_s
        sizes = np.abs(self._found.weights * (self._terms * self._found.decay.after(dt)))
        largest = sizes.max(axis=0, initial=FADED)
        wait = (np.log(largest / FADED) / self._found.decay.rates).max(initial=0.0)
        return at_ns + math.ceil(min(float(wait), 1e9) * NS)

    def enter(self, at_ns: int, closed: int, levels: Levels) -> list[int]:
        """Go on from `at_ns` with these contacts and levels; returns the rows whose zone changed."""
        leaving = self._leaving if at_ns >= self.crossing_ns else None
        since_s = (at_ns - self._began_ns) / NS + self._lag_s
        exact_s = since_s if leaving is None else self._exact_s(leaving)
        left = self._terms * self._found.decay.after(exact_s)
        currents = self._steady[self._inductive] + self._found.from_modes @ left
        self._lag_s = max(0.0, since_s - exact_s)
        guess = self._found.conducting
        if leaving is not None and leaving.row >= self._diodes:
            guess ^= 1 << (leaving.row - self._diodes)
        same = closed == self._found.closed and levels == self._levels

        def observed(trial: Configuration) -> Array:
            steady = trial.steady(levels)
            rows: Array = steady + trial.weights @ (trial.to_modes @ (currents - steady[self._inductive]))
            return rows

        self._found, rows = self._network.consistent(closed, guess, observed)
        self._began_ns, self._levels = at_ns, levels
        self._steady = self._found.steady(levels)
        self._terms = self._found.to_modes @ (currents - self._steady[self._inductive])
        if same and leaving is not None and leaving.row < self._diodes:
            rows[leaving.row] = self._over(leaving, float(rows[leaving.row]))
        before, self.zones = self.zones, self._thresholds.zones(rows[: self._diodes], self.zones)
        self._look_ahead(rows)
        changed: list[int] = np.flatnonzero(before != self.zones).tolist()
        return changed

    def _exact_s(self, leaving: Exit) -> float:
        """When a crossing happened: for a diode that stops conducting, when its current was nil.

        It is told a hair later (TURN_OFF_V), but even that hair of current would be forced through the leak.
        """
        if leaving.row < self._diodes or leaving.up:
            return leaving.after_s
        start_s = max(0.0, leaving.after_s - NIL_WITHIN_S)
        terms = self._found.weights[leaving.row] * self._terms
        steady = float(self._steady[leaving.row])
        return self._found.decay.reached(steady, terms, 0.0, start_s=start_s, end_s=leaving.after_s)

    def _over(self, leaving: Exit, value: float) -> float:
        """A value that has just reached a bound, put across it beyond doubt of rounding."""
        step = 1e-3 * float(self._thresholds.margin[leaving.row])
        return max(value, self._edge + step) if leaving.up else min(value, self._edge - step)

    def _look_ahead(self, rows: Array) -> None:
        """Find the next crossing: its event comes at a full ns, the state goes on from its own time."""
        found = self._found
        low, high = self._thresholds.bounds(rows[: self._diodes], self.zones)
        above = rows[self._diodes :]
        low = np.concatenate((low, np.where(above > found.diode_low, found.diode_low, -np.inf)))
        high = np.concatenate((high, np.where(above < found.diode_high, found.diode_high, np.inf)))
        leaving = found.decay.first_exit(self._steady, found.weights * self._terms, low, high)
        self._leaving, self.crossing_ns = leaving, NEVER
        if leaving is not None:
            self._edge = float(high[leaving.row] if leaving.up else low[leaving.row])
            wait_ns = math.ceil((leaving.after_s - self._lag_s) * NS)
            self._crowd = 0 if wait_ns > 0 else self._crowd + 1
            self.crossing_ns = self._began_ns + max(wait_ns, self._crowd // CROWD)
