"""Awkward random panels, moved at random: the clock goes on, diodes agree, nothing grows without bound."""

from __future__ import annotations

import math
import random

import pytest
from moving import MS
from random_panels import awkward_panel, random_probes

from harness.panel.armature import Drawn
from harness.panel.motion import Motion, closed_contacts, device_contacts
from harness.panel.parts import Panel

ONCE_STUCK = (16, 25, 47, 131, 231, 435, 506, 570, 585, 591, 854, 857, 886, 890, 911, 959)
# In these, diodes once passed the last of a coil's current to and fro for ever.
MOST_EVENTS = 2000  # in 200 ms; two relays that interrupt themselves and bounce need some 500


def excited(made: Panel, motion: Motion, draw: random.Random) -> None:
    """Put everything anywhere."""
    positions = {d.tag: draw.choice(d.positions) for d in made.devices if not d.inside}
    motion.set_outer(closed_contacts(made, positions))
    if draw.random() < 0.2:
        motion.set_position("F1", draw.choice(["open", "closed"]))
    if draw.random() < 0.2:
        motion.set_supply("main", draw.choice([0.0, 10.0, 24.0, 30.0]))


def run_events(motion: Motion, until_ns: int) -> int:
    """Advance event by event; returns how many there were."""
    count = 0
    while (due := motion.next_event_ns) is not None and due <= until_ns and count <= MOST_EVENTS:
        motion.advance_to(due)
        count += 1
    return count


@pytest.mark.parametrize("seed", [*range(12), *ONCE_STUCK])
def test_the_clock_goes_on(seed: int) -> None:
    made, draw = awkward_panel(seed), random.Random(seed)
    motion = Motion(
        made, outer=device_contacts(made), probes=random_probes(seed), times=Drawn(random.Random(seed))
    )
    for _ in range(15):
        excited(made, motion, draw)
        until = motion.now_ns + draw.choice([1, 20, 200]) * MS
        assert run_events(motion, until) <= MOST_EVENTS
        motion.advance_to(until)
        assert all(math.isfinite(volts) for volts in motion.voltages().values())


@pytest.mark.parametrize("seed", range(12))
def test_motion_comes_to_rest_at_the_steady_solution(seed: int) -> None:
    """Two ways to the same answer: exponentials run out, and one static solution of the same contacts.

    5 mV: in motion a diode turns on 2 mV late.
    """
    made, draw = awkward_panel(seed), random.Random(seed)
    motion = Motion(made, outer=device_contacts(made))
    compared = 0
    for _ in range(8):
        excited(made, motion, draw)
        motion.set_position("main", "nominal")
        if not motion.settle(limit_s=30.0).settled:
            continue
        still = motion.network.steady(motion.closed())
        moved = motion.voltages()
        solid = set(moved) - still.floating - motion.floating()
        compared += len(solid)
        assert {t: moved[t] for t in solid} == pytest.approx({t: still.voltages[t] for t in solid}, abs=5e-3)
    assert compared > 0
