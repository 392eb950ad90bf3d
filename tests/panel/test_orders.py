"""Orders of movement by steady currents: where all agree, any times within any ranges must give the same."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from switching import Circuit, Expression, parallel, pressed, series

from harness.panel.armature import Drawn
from harness.panel.motion import Motion, closed_contacts, device_contacts
from harness.panel.network import Network
from harness.panel.orders import Orders
from harness.panel.parts import Panel, Span

RELAYS = ("K1", "K2", "K3")
BUTTONS = ("S1", "S2")
WIDE = Span(0.001, 0.100)

literals = st.sampled_from([tag + prime for tag in (*RELAYS, *BUTTONS) for prime in ("", "'")])
networks = st.recursive(
    literals,
    lambda inner: st.builds(series, inner, inner) | st.builds(parallel, inner, inner),
    max_leaves=4,
)


def circuit(feeds: list[Expression]) -> Panel:
    """Three relays, each fed through its own network, with times anywhere from 1 to 100 ms."""
    made = Circuit()
    for tag, feed in zip(RELAYS, feeds, strict=True):
        made.coil(tag, f"at {tag}", operate_s=WIDE, release_s=WIDE)
        made.network(feed, "L+", f"at {tag}")
    for tag in BUTTONS:
        made.contact(tag, "L+", "spare")
    return made.panel()


def orders(made: Panel) -> Orders:
    return Orders(Network(made, outer=device_contacts(made)), (24.0,))


def settled(made: Panel, positions: dict[str, str], seed: int) -> dict[str, bool] | None:
    motion = Motion(made, outer=device_contacts(made), times=Drawn(random.Random(seed)))
    motion.set_outer(closed_contacts(made, positions))
    return motion.states() if motion.settle(limit_s=20.0).settled else None


@given(
    feeds=st.lists(networks, min_size=3, max_size=3),
    down=st.sets(st.sampled_from(BUTTONS)),
    seed=st.integers(0, 10_000),
)
@settings(max_examples=120, deadline=None)
def test_where_all_orders_agree_any_times_give_that_outcome(
    feeds: list[Expression], down: set[str], seed: int
) -> None:
    made, positions = circuit(feeds), pressed(*sorted(down))
    nothing = dict.fromkeys(made.outputs, False)
    outcome = orders(made).outcome(made.rest | positions, nothing)
    if outcome is not None:
        assert settled(made, positions, seed) == outcome


@pytest.mark.parametrize(
    ("feeds", "expected"),
    [
        (["S1", "K1", "K2"], {"K1": True, "K2": True, "K3": True}),
        (["S1", series("S1", "K3'"), series("S1", "K2'")], None),
        (["K1'", "S1", "S1"], None),
        (["S1'", "K1", "K1'"], {"K1": False, "K2": False, "K3": True}),
        (["S1", series("S1", "K1'"), "K2"], {"K1": True, "K2": False, "K3": False}),
        (["S1", series("S1", "K1'"), parallel("K2", "K3")], None),
    ],
    ids=["chain", "either of two", "own break contact", "all dropped out", "passing pulse", "caught pulse"],
)
def test_outcome_from_rest(feeds: list[Expression], expected: dict[str, bool] | None) -> None:
    """From all dropped out with S1 pressed. Passing pulse: K2 and K3 drop again once K1 is up."""
    made = circuit(feeds)
    nothing = dict.fromkeys(made.outputs, False)
    assert orders(made).outcome(made.rest | pressed("S1"), nothing) == expected
