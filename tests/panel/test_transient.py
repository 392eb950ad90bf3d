"""First exits of sums of exponentials, against closed forms and against dense sampling."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.panel.transient import RESOLUTION_S, Decay, Exit

INF = math.inf


def first_exit(
    steady: float, terms: list[float], rates: list[float], low: float = -INF, high: float = INF
) -> Exit | None:
    """One row only."""
    return Decay(np.array(rates)).first_exit(
        np.array([steady]), np.array([terms]), np.array([low]), np.array([high])
    )


class TestClosedForms:
    @pytest.mark.parametrize("rate", [0.01, 50.0, 2e3, 2.5e8])
    def test_rise_to_half(self, rate: float) -> None:
        """1 - e^(-rt) reaches 1/2 at ln 2 / r."""
        found = first_exit(1.0, [-1.0], [rate], high=0.5)
        assert found is not None
        assert found.up
        assert math.log(2) / rate <= found.after_s <= math.log(2) / rate * (1 + 1e-9) + RESOLUTION_S

    def test_two_terms_that_dip_and_return(self) -> None:
        """1 - 4x + 4x^2, x = e^-t, touches 0 at ln 2 only: a bound just above is crossed, below it is not."""
        terms, rates = [-4.0, 4.0], [1.0, 2.0]
        found = first_exit(1.0, terms, rates, low=1e-6)
        assert found is not None
        assert not found.up
        assert found.after_s == pytest.approx(-math.log((1 + 1e-3) / 2), abs=1e-6)
        assert first_exit(1.0, terms, rates, low=-1e-6) is None

    def test_an_approach_from_below_never_arrives(self) -> None:
        assert first_exit(1.0, [-1.0], [10.0], high=1.0 + 1e-9) is None

    def test_already_outside_is_at_once(self) -> None:
        assert first_exit(0.0, [1.0], [10.0], high=0.9) == Exit(0.0, 0, up=True)

    def test_the_earliest_row_and_its_direction(self) -> None:
        decay = Decay(np.array([10.0]))
        found = decay.first_exit(
            np.array([1.0, 0.0, 5.0]),
            np.array([[-1.0], [1.0], [0.0]]),
            np.array([-INF, 0.9, -INF]),
            np.array([0.5, INF, INF]),
        )
        assert found is not None
        assert (found.row, found.up) == (1, False)
        assert found.after_s == pytest.approx(math.log(1 / 0.9) / 10, abs=1e-9)

    def test_without_inductance_nothing_moves(self) -> None:
        assert first_exit(1.0, [], [], high=2.0) is None


@settings(max_examples=150, deadline=None)
@given(
    rates=st.lists(st.floats(0, 7).map(lambda p: 10.0**p), min_size=1, max_size=6, unique=True),
    data=st.data(),
)
def test_no_exit_is_missed_or_invented(rates: list[float], data: st.DataObject) -> None:
    """At the found time the sum is at its bound; 20 000 earlier samples are all within."""
    size = st.floats(-10, 10).map(lambda v: round(v, 3))
    terms = data.draw(st.lists(size, min_size=len(rates), max_size=len(rates)))
    steady = data.draw(size)
    start = steady + sum(terms)
    low = start - data.draw(st.floats(0.01, 5))
    high = start + data.draw(st.floats(0.01, 5))
    found = first_exit(steady, terms, rates, low, high)
    end = found.after_s if found else 50.0 / min(rates)
    times = np.concatenate(([0.0], np.geomspace(1e-10, end, 20_000)))[:-1]
    sampled = steady + np.exp(-np.outer(times, rates)) @ np.array(terms)
    near = 1e-9 + RESOLUTION_S * sum(abs(c * r) for c, r in zip(terms, rates, strict=True))
    assert sampled.max() <= high + near
    assert sampled.min() >= low - near
    if found:
        value = steady + sum(c * math.exp(-r * found.after_s) for c, r in zip(terms, rates, strict=True))
        assert value == pytest.approx(high if found.up else low, abs=near)
