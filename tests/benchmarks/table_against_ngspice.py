"""Deriving the table of TH-P1 beside ngspice solving the same contact states.

    python tests/benchmarks/table_against_ngspice.py

The states are those in which the rows of the table settle, one for each combination of the devices outside.
Four ways take turns in blocks; each line is the median time for the whole table, and the median over the
blocks of its ratio to one `ngspice -b` that is told all states.

- `derive_table` does more than the others: it moves the panel in time from rest to each row, looks for races
  and for memory, and decides relays and loads. It starts from nothing each time.
- `steady states` solves each row's final contact state with the program's own network, from nothing.
- `ngspice -b, one run` solves the same states in one process.
- `ngspice -b, a run a state` is the straightforward way, a process each: every twelfth state, times 12.

Before timing, the voltages of the two solvers are compared: a race between wrong answers is worth nothing.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from itertools import product
from pathlib import Path
from statistics import median

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from spice import Deck, need_ngspice  # noqa: E402

from harness.panel.files import load_panel  # noqa: E402
from harness.panel.motion import device_contacts  # noqa: E402
from harness.panel.network import Network  # noqa: E402
from harness.panel.parts import Panel  # noqa: E402
from harness.panel.settling import Settler  # noqa: E402
from harness.panel.table import derive_table  # noqa: E402

TWELFTH = 12
ONE_RUN = "ngspice -b, one run"
AGREE = 0.005  # of the supply, at nodes that are not floating

States = list[frozenset[str]]


def settled_states(panel: Panel) -> States:
    """The closed contacts of every row, settled."""
    settler = Settler(panel)
    outside = [device for device in panel.devices if not device.inside]
    found = []
    for places in product(*(device.positions for device in outside)):
        positions = panel.rest | dict(zip((d.tag for d in outside), places, strict=True))
        motion = settler.start(positions)[0].copy()
        settler.move(motion, positions)
        found.append(motion.closed())
    return found


def worst_difference_v(panel: Panel, states: States) -> float:
    """Largest difference of the two solvers over all terminals that are not floating."""
    network = Network(panel, outer=device_contacts(panel))
    worst = 0.0
    points = Deck(panel, outer=device_contacts(panel)).operating_points(states)
    for state, other in zip(states, points, strict=True):
        own = network.steady(state)
        fixed = set(own.voltages) - own.floating
        worst = max(worst, *(abs(own.voltages[t] - other[t]) for t in fixed if t in other))
    return worst


def ways(panel: Panel, states: States) -> dict[str, Callable[[], float]]:
    """Each way does its work once and returns what to multiply its time by."""
    outer = device_contacts(panel)

    def derive() -> float:
        derive_table(panel)
        return 1.0

    def steady() -> float:
        network = Network(panel, outer=outer)
        for state in states:
            network.steady(state)
        return 1.0

    def one_run() -> float:
        Deck(panel, outer=outer).operating_points(states)
        return 1.0

    def run_a_state() -> float:
        some = states[::TWELFTH]
        for state in some:
            Deck(panel, outer=outer).operating_points([state])
        return len(states) / len(some)

    return {
        "derive_table": derive,
        "steady states": steady,
        ONE_RUN: one_run,
        "ngspice -b, a run a state": run_a_state,
    }


def measure(panel: Panel, states: States, blocks: int) -> dict[str, tuple[float, float]]:
    """Median seconds of each way, and its median ratio to one run of ngspice in the same block."""
    took: dict[str, list[float]] = {}
    for block in range(blocks + 1):
        for name, way in ways(panel, states).items():
            start = time.perf_counter()
            scale = way()
            if block:  # the first block warms up
                took.setdefault(name, []).append((time.perf_counter() - start) * scale)
    base = took[ONE_RUN]
    return {
        name: (median(own), median(a / b for a, b in zip(own, base, strict=True)))
        for name, own in took.items()
    }


def report(found: dict[str, tuple[float, float]], states: int) -> str:
    lines = [f"{'':28}{'whole table':>12}{'a state':>12}{'ratio':>8}"]
    for name, (seconds, ratio) in found.items():
        lines.append(f"{name:28}{seconds * 1e3:9.0f} ms{seconds / states * 1e6:9.0f} us{ratio:8.2f}")
    return "\n".join(lines)


def main(blocks: int) -> dict[str, tuple[float, float]]:
    panel = load_panel(ROOT / "sequences" / "th-p1.panel.yaml").panel
    states = settled_states(panel)
    worst = worst_difference_v(panel, states)
    print(f"TH-P1: {len(states)} states; largest difference between the two solvers {worst * 1e3:.2f} mV")
    assert worst <= AGREE * panel.supplies[0].nominal_v
    found = measure(panel, states, blocks)
    print(report(found, len(states)))
    return found


@pytest.mark.benchmark
@pytest.mark.timeout(600)
def test_table_against_ngspice() -> None:
    """No goal is set for the whole derivation; solving alone must not be slower than a process a state."""
    need_ngspice()
    found = main(blocks=10)
    assert found["steady states"][0] < found["ngspice -b, a run a state"][0]


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="The table of TH-P1 beside ngspice.")
    parser.add_argument("--blocks", type=int, default=11)
    main(parser.parse_args().blocks)
