"""Many runs over faulty wires, counted: what each kind of wire fault came to on each bus."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from fault_runs import PANEL_FAULTS, Outcome, Protocol, wrong
from fault_runs import run as run_in_memory

SHARES = (0.01, 0.05, 0.2)


@dataclass
class Tally:
    """What one kind of wire fault came to. `broken` are the promises broken, which must be none."""

    faults: int = 0
    runs: Counter[str] = field(default_factory=Counter)
    readings: int = 0
    retried: int = 0
    longest_call_s: float = 0.0
    broken: list[str] = field(default_factory=list)

    def add(self, outcome: Outcome, broken: list[str], panel: str) -> None:
        self.faults += sum(outcome.counts.values())
        self.runs[f"{panel} {outcome.result.verdict}"] += 1
        self.readings += outcome.truth.readings
        self.retried += outcome.retried
        self.longest_call_s = max(self.longest_call_s, outcome.truth.longest_call_s)
        self.broken += broken


def campaign(
    protocol: Protocol,
    kind: str,
    seeds: range,
    *,
    truthful: bool,
    run: Callable[..., Outcome] = run_in_memory,
) -> Tally:
    """Runs on a good panel and on faulty ones, in turn, with one kind of fault more or less often."""
    tally = Tally()
    for seed in seeds:
        faults = () if seed % 2 == 0 else (PANEL_FAULTS[seed // 2 % len(PANEL_FAULTS)],)
        outcome = run(protocol, (kind,), seed=seed, share=SHARES[seed % len(SHARES)], faults=faults)
        found = wrong(outcome, faulty=bool(faults), truthful=truthful, hurried=run is not run_in_memory)
        where = f"{protocol.name}, {kind}, seed {seed}, {faults or 'good panel'}"
        tally.add(outcome, [f"{where}: {one}" for one in found], "faulty" if faults else "good")
    return tally
