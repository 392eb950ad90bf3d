"""Sums of decaying exponentials, and the first moment at which one of several leaves its bounds.

A row is f(t) = steady + sum of c e^(-r t). Its rising and its falling terms are each monotone, which
bounds f on any stretch of time; stretches that cannot reach a bound are passed over, others are halved
until f is monotone or the stretch is shorter than RESOLUTION_S. So no crossing is missed between grid points.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
RESOLUTION_S = 0.5e-9
FINEST, SHORTEST_S = 1e-12, 1e-17  # of the time from now to a crossing, and not shorter
GROWTH = 1.25  # ratio of neighbouring grid times
ALIKE = 1e-11  # of a rate; what rounding leaves between eigenvalues that are equal
GONE = 45.0  # time constants after which a term is below the last binary digit


@dataclass(frozen=True, slots=True)
class Exit:
    """Row `row` leaves its bounds `after_s` from now, at its high (`up`) or low bound."""

    after_s: float
    row: int
    up: bool


class Decay:
    """Decay rates (1/s, all > 0) with a time grid that covers them from a fraction of the fastest on."""

    def __init__(self, rates: Array) -> None:
        self.rates = rates

    @cached_property
    def grid(self) -> Array:
        """Times (s) from 0 to where every term is gone."""
        if not len(self.rates):
            return np.array([0.0])
        start = max(0.05 / float(self.rates.max()), RESOLUTION_S)
        end = max(GONE / float(self.rates.min()), 2 * start)
        steps = math.ceil(math.log(end / start) / math.log(GROWTH)) + 1
        return np.concatenate(([0.0], np.geomspace(start, end, steps)))

    @cached_property
    def on_grid(self) -> Array:
        """Every term of unit size at the grid times, one row a rate."""
        on_grid: Array = np.exp(-np.outer(self.rates, self.grid))
        return on_grid

    def after(self, seconds: float) -> Array:
        """What is left of each term of unit size."""
        left: Array = np.exp(-self.rates * seconds)
        return left

    @cached_property
    def _distinct(self) -> tuple[NDArray[np.intp], Decay] | None:
        """Where runs of rates begin that are equal but for rounding, and the decay with one of each.

        Two equal coils share a rate; terms of opposite sign and a thousand times what they come to would
        hide everything else. Merging them shifts a value by at most ALIKE times the larger term.
        """
        apart = np.abs(np.diff(self.rates)) > ALIKE * self.rates[1:]
        if apart.all():
            return None
        starts = np.concatenate(([0], apart.nonzero()[0] + 1))
        return starts, Decay(self.rates[starts])

    def first_exit(self, steady: Array, terms: Array, low: Array, high: Array) -> Exit | None:
        """The earliest exit of any row from (low, high), None when there is none. `terms`: rows x rates."""
        if self._distinct is not None:
            starts, decay = self._distinct
            return decay.first_exit(steady, np.add.reduceat(terms, starts, axis=1), low, high)
        rising, falling = np.minimum(terms, 0.0), np.maximum(terms, 0.0)
        may = (steady + falling.sum(axis=1) >= high) | (steady + rising.sum(axis=1) <= low)
        rows = may.nonzero()[0]
        if not len(rows):
            return None
        upper = steady[rows, None] + falling[rows] @ self.on_grid
        lower = rising[rows] @ self.on_grid
        reached = upper[:, :-1] + lower[:, 1:] >= high[rows, None]
        reached |= upper[:, 1:] + lower[:, :-1] <= low[rows, None]
        first = np.where(reached.any(axis=1), reached.argmax(axis=1), len(self.grid))
        best: Exit | None = None
        for place in np.argsort(first, kind="stable").tolist():
            if first[place] == len(self.grid) or (best and self.grid[first[place]] >= best.after_s):
                break
            row = int(rows[place])
            exact = _Row(float(steady[row]), terms[row].tolist(), self.rates.tolist())
            found = self._exit_of(
                exact, (float(low[row]), float(high[row])), reached[place], best.after_s if best else math.inf
            )
            best = Exit(found[0], row, found[1]) if found else best
        return best

    def reached(self, steady: float, terms: Array, level: float, *, start_s: float, end_s: float) -> float:
        """When one row passes `level` between two times, by a hair too late; `end_s` if it does not."""
        row = _Row(steady, terms.tolist(), self.rates.tolist())
        before, after = row.at(start_s) - level, row.at(end_s) - level
        if before == 0.0 or after == 0.0 or (before > 0) == (after > 0):
            return end_s
        return _cross(lambda at: row.at(at) - level, start_s, end_s, before, after)

    def _exit_of(
        self, row: _Row, bounds: tuple[float, float], reached: NDArray[np.bool_], before_s: float
    ) -> tuple[float, bool] | None:
        """Time and direction of one row's first exit, if that is before `before_s`."""
        for stretch in reached.nonzero()[0].tolist():
            start, end = float(self.grid[stretch]), float(self.grid[stretch + 1])
            if start >= before_s:
                return None
            found = _search(row, bounds, start, end)
            if found is not None:
                return found if found[0] < before_s else None
        return None


class _Row:
    """One sum of exponentials, evaluated point by point."""

    def __init__(self, steady: float, sizes: list[float], rates: list[float]) -> None:
        self.steady = steady
        self.terms = [(size, rate) for size, rate in zip(sizes, rates, strict=True) if size]

    def at(self, seconds: float) -> float:
        return self.steady + sum([c * math.exp(-r * seconds) for c, r in self.terms])

    def at_both(self, start: float, end: float) -> tuple[float, float, float, float, bool]:
        """Value at start and end, bounds between, and whether it is monotone between."""
        first = last = low = high = self.steady
        steepest = flattest = 0.0
        for size, rate in self.terms:
            one, two = size * math.exp(-rate * start), size * math.exp(-rate * end)
            first += one
            last += two
            if size > 0:
                low, high = low + two, high + one
                steepest, flattest = steepest - rate * one, flattest - rate * two
            else:
                low, high = low + one, high + two
                steepest, flattest = steepest - rate * two, flattest - rate * one
        if steepest >= 0 or flattest <= 0:
            return first, last, low, high, True
        closer = _between(first, last, (steepest, flattest), end - start)
        return first, last, max(low, closer[0]), min(high, closer[1]), False


def _between(first: float, last: float, slopes: tuple[float, float], span: float) -> tuple[float, float]:
    """Bounds of a curve from its ends and the bounds of its slope, where that may be of either sign.

    From either end the curve falls and rises no faster than its steepest slopes (S. A. Piyavskii, "An
    algorithm for finding the absolute extremum of a function", 1972; cited from memory). Widened by what
    rounding may take away.
    """
    falls, rises = slopes
    width = rises - falls
    least = first + falls * (first - last + rises * span) / width
    most = first + rises * (last - first - falls * span) / width
    doubt = 1e-13 * (abs(first) + abs(last) + (rises - falls) * span)
    return least - doubt, most + doubt


def _search(row: _Row, bounds: tuple[float, float], start: float, end: float) -> tuple[float, bool] | None:
    """First exit within a stretch, by halving until the row is monotone there."""
    low, high = bounds
    first, last, lowest, highest, monotone = row.at_both(start, end)
    if first >= high or first <= low:
        return start, first >= high
    if lowest > low and highest < high:
        return None
    out = last >= high or last <= low
    if monotone or end - start <= RESOLUTION_S:
        if not out:
            return None
        level = high if last >= high else low
        return _cross(lambda at: row.at(at) - level, start, end, first - level, last - level), last >= high
    middle = (start + end) / 2
    return _search(row, bounds, start, middle) or _search(row, bounds, middle, end)


def _cross(f: Callable[[float], float], start: float, end: float, before: float, after: float) -> float:
    """Where f changes sign, found from outside: never before the crossing, and closer than FINEST behind it.

    The Illinois form of false position, with a bisection wherever that is slow. Finer than any time that is
    told, because a current that overshoots zero in a diode would be driven to and fro by the next one.
    """
    margin = max(FINEST * end, SHORTEST_S) / 4
    moved, tries = 0, 0
    while end - start > 4 * margin and after != 0.0:
        tries += 1
        middle = end - after * (end - start) / (after - before)
        if tries % 8 == 0 or not start < middle < end:
            middle = (start + end) / 2
        middle = min(max(middle, start + margin), end - margin)
        value = f(middle)
        if value == 0.0 or (value > 0) == (after > 0):
            end, after = middle, value
            before = before / 2 if moved == 1 else before
            moved = 1
        else:
            start, before = middle, value
            after = after / 2 if moved == -1 else after
            moved = -1
    return end
