"""Wire faults by the thousand, in memory and on real wires: printed by bus and kind. By hand or in short."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import pytest

WANTED, WANTED_REAL = 19_000, 1_000


def measure(blocks: int, *, real: bool = False) -> tuple[int, list[str]]:
    """`blocks` times four runs of each kind on each bus, half as many on real wires.

    Returns the number of faults put in, and the promises broken.
    """
    from fault_campaign import campaign
    from fault_runs import PROTOCOLS, run
    from real_fault_runs import run_real

    faults, broken = 0, []
    for name, protocol in PROTOCOLS.items():
        for kind in (*protocol.detectable, *protocol.undetectable):
            if real and kind == "disconnect" and protocol.in_order:
                continue  # a pseudo terminal cannot be pulled out and put back here
            seen = kind in protocol.detectable
            seeds = range(2 * blocks if real else 4 * blocks)
            tally = campaign(protocol, kind, seeds, truthful=seen, run=run_real if real else run)
            runs = ", ".join(f"{count} {what}" for what, count in sorted(tally.runs.items()))
            print(
                f"{name:10}  {kind:15} {'detectable' if seen else 'cannot be detected':18}"
                f" {tally.faults:5} faults, {tally.readings:6} readings, {tally.retried:4} retries,"
                f" longest call {tally.longest_call_s * 1e3:3.0f} ms, broken {len(tally.broken)}: {runs}"
            )
            faults += tally.faults
            broken += tally.broken
    where = "real wires" if real else "memory"
    print(f"{faults} wire faults in {where}, {len(broken)} promises broken", *broken, sep="\n")
    return faults, broken


@pytest.mark.benchmark
@pytest.mark.timeout(600)
def test_nineteen_thousand_wire_faults_in_memory() -> None:
    faults, broken = measure(8)
    assert faults >= WANTED
    assert broken == []


@pytest.mark.benchmark
@pytest.mark.timeout(600)
def test_a_thousand_wire_faults_on_real_wires() -> None:
    faults, broken = measure(2, real=True)
    assert faults >= WANTED_REAL
    assert broken == []


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Wire faults by the thousand.")
    parser.add_argument("--blocks", type=int, default=8)
    parser.add_argument("--real", action="store_true", help="on sockets and pseudo terminals")
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    wanted = parser.parse_args()
    measure(wanted.blocks, real=wanted.real)
