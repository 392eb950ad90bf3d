"""Runners killed at random moments: how long until every output is off. By hand; the short form is a test.

`PYTHONPATH=tests python tests/benchmarks/kills.py --kills 300`. Each row: one way of dying, one way of
guarding, one wire. `safe` counts from the signal, and for STOP from the heartbeat deadline after it, until
somebody beside sees all outputs off; `proved` counts from the guardian's notice until it has read them back.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT)]

from kill_trials import KILLS, Outputs, Trial, prepare, trial  # noqa: E402
from line_benches import point  # noqa: E402
from recorded_panel import panel_on_a_line  # noqa: E402
from wire_benches import copy_demo, panel_on_the_wire, point_at  # noqa: E402

WAYS = ("shared", "own")
GOAL_S = 0.1  # after notice, plus the wire time of the write
WIRE_S = {"tcp": 0.002, "rtu 19200": 0.06}
"""Of the transactions until the proof: at 19200 baud four of about 15 ms each."""

Target = tuple[Callable[[Path], None], Outputs]


@contextmanager
def target(wire: str, folder: Path) -> Iterator[Target]:
    """A served panel: how to point a bench file at it, and who sees its outputs."""
    from harness.bench.parts import BoardSpec
    from harness.bench.registry import make_board
    from harness.clock import RealClock

    copy_demo(folder, "th-s0.panel.yaml", "th-s0.bench.yaml")
    files = (folder / "th-s0.panel.yaml", folder / "th-s0.bench.yaml")
    with ExitStack() as stack:
        if wire == "tcp":
            port = stack.enter_context(panel_on_the_wire(*files))
            settings: dict[str, str | int | float | bool] = {"host": "127.0.0.1", "port": port}
            spec = BoardSpec(
                name="beside",
                driver="modbus-tcp",
                settings=settings,
                output_count=8,
                input_count=0,
                timeout_s=5,
            )
            yield lambda bench: point_at(bench, port), stack.enter_context(make_board(spec, RealClock()))
        else:
            name, recorded = stack.enter_context(panel_on_a_line(*files, "--baud=19200"))
            yield lambda bench: point(bench, "modbus-rtu", name, baud="19200"), recorded


def measure(kills: int, seed: int, wire: str = "tcp") -> list[Trial]:
    """That many kills over all ways of dying and of guarding, in turn."""
    chance = random.Random(seed)
    kinds = [(how, way) for way in WAYS for how in KILLS]
    done: list[Trial] = []
    with tempfile.TemporaryDirectory() as name, target(wire, Path(name) / "served") as (aim, outputs):
        for number in range(kills):
            how, way = kinds[number % len(kinds)]
            folder = Path(name) / str(number)
            sequence = prepare(folder, aim, way)
            done.append(trial(sequence, folder / "logs", outputs, how, way, chance))
    return done


def show(trials: list[Trial], wire: str) -> None:
    """The figures, a row for each way of dying and of guarding, and one for all."""
    print(f"{wire}: {len(trials)} kills, every output off after each; ms: median / 99 % / worst")
    for way in WAYS:
        for how in KILLS:
            row(f"  {way:6} {how:7}", [t for t in trials if (t.way, t.how) == (way, how)])
    row("  all           ", trials)
    bad = [
        t
        for t in trials
        if t.verified.state != "interrupted" or "all outputs safe" not in t.verified.guardian
    ]
    print(f"  journals readable to their last line and shown as interrupted: {len(trials) - len(bad)}")
    adopted = sum(
        '"adopted": true' in str(t.entries).replace("'", '"').replace("True", "true") for t in trials
    )
    print(f"  open port taken over: {adopted}")


def row(title: str, trials: list[Trial]) -> None:
    """One row of figures."""
    if trials:
        safe = spread([t.beyond_deadline_s for t in trials])
        proved = spread([t.after_notice_s for t in trials])
        print(f"{title} {len(trials):4}  safe {safe}  proved {proved}")


def spread(seconds: list[float]) -> str:
    """Median, 99th percentile and worst."""
    ordered = sorted(seconds)
    at = [ordered[min(len(ordered) - 1, round(share * (len(ordered) - 1)))] for share in (0.5, 0.99, 1)]
    return " / ".join(f"{value * 1000:6.1f}" for value in at)


@pytest.mark.benchmark
@pytest.mark.parametrize(("wire", "kills"), [("tcp", 300), ("rtu 19200", 60)])
@pytest.mark.timeout(3000)
def test_every_kill_is_safe_in_time(wire: str, kills: int) -> None:
    trials = measure(kills, 1, wire)
    show(trials, wire)
    assert max(t.after_notice_s for t in trials) < GOAL_S + WIRE_S[wire]
    assert all(t.verified.state == "interrupted" for t in trials)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Kill runners and see the outputs go off.")
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--wire", choices=tuple(WIRE_S), default="tcp")
    words = parser.parse_args()
    show(measure(words.kills, words.seed, words.wire), words.wire)
