"""Panels of parts of all kinds, wired at random: no trade sense, every awkward circuit sooner or later."""

from __future__ import annotations

import random
from dataclasses import replace

from small_panels import breaker, button, diode, load, panel, relay, resistor
from spice import Deck

from harness.panel.motion import device_contacts
from harness.panel.parts import Panel, Probe


def random_panel(seed: int) -> Panel:
    """Parts of all kinds, wired at random between two poles and some points of the strip."""
    draw = random.Random(seed)
    parts: list[object] = [button(f"S{k}", {"13-14": "make", "21-22": "break"}) for k in range(3)]
    parts += [breaker("F1", "1-2", "3-4")]
    parts += [relay(f"K{k}", {"11-12-14": "change-over", "23-24": "make"}) for k in range(2)]
    parts += [load(f"Y{k}", suppression=draw.choice(["none", "diode", "resistor"]), suppression_ohm=900.0)
              for k in range(3)]  # fmt: skip
    parts += [resistor(f"R{k}", draw.choice([10.0, 150.0, 2200.0])) for k in range(3)]
    parts += [diode(f"V{k}") for k in range(3)]
    plain = panel(parts, "")
    ends = [t for t in Deck(plain, outer=device_contacts(plain)).node if t not in ("L+", "L-")]
    points: list[list[str]] = [["L+"], ["L-"], *([f"X1:{k}"] for k in range(8))]
    for end in ends:
        draw.choice(points).append(end)
    lines = [f"W{k} " + " ".join(point) for k, point in enumerate(points) if len(point) > 1]
    return panel(parts, "\n".join(lines))


def awkward_panel(seed: int) -> Panel:
    """The same with coils of any inductance and suppression, gaps and bounce."""
    draw = random.Random(seed * 7 + 1)
    made = random_panel(seed)
    relays = [
        replace(
            part,
            gap_s=draw.choice([0, 0.002]),
            bounce_s=draw.choice([0, 0.002]),
            coils=(
                replace(
                    part.coils[0],
                    suppression=draw.choice(["none", "diode", "resistor"]),
                    suppression_ohm=500.0,
                    inductance_h=draw.choice([0, 0.001, 1, 4, 20]),
                ),
            ),
        )
        for part in made.relays
    ]
    loads = [
        replace(load_, coil=replace(load_.coil, inductance_h=draw.choice([0, 0.001, 1.2])))
        for load_ in made.loads
    ]
    return replace(made, relays=tuple(relays), loads=tuple(loads))


def random_probes(seed: int) -> tuple[Probe, ...]:
    """Four inputs at random places, some wetted, some filtered."""
    draw = random.Random(seed)
    places = ["L+", "X1:0", "X1:1", "X1:3", "Y1:1", "K0:A1"]
    return tuple(
        Probe(
            name=f"DI{k}",
            terminals=(draw.choice(places), "L-"),
            resistance_ohm=47e3,
            on_v=15,
            off_v=5,
            filter_s=draw.choice([0, 0.003]),
            wetting_v=draw.choice([0, 0, 24.0]),
        )
        for k in range(4)
    )
