"""Runners killed at random moments while outputs are on, watched by a second client of the same panel.

Each trial is a real run in a process of its own against a panel served in another. A client beside it reads
the outputs flat out, which is how it is known when they went off; the guardian is not asked.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from wire_benches import copy_demo, edit

from harness.record.verify import Verification, verify_run

# Rows that switch outputs all the time, for longer than any trial takes.
SEQUENCE = (
    """\
format: 1
title: Rows without end
panel: th-s0.panel.yaml
bench: th-s0.bench.yaml
expected: {table: th-s0.table.csv}
settle: 100 ms
hold: 20 ms
steps:
"""
    + "- rows: [start, stop against start, rest]\n" * 150
)
TIMEOUT_S = 0.1
SPARE_S = 0.3
DEADLINE_S = SPARE_S + 2 * TIMEOUT_S + 0.01  # as in guard_plan: spare, one board, its pause between polls
RUNNER = f"""\
import sys
sys.path[:] = {sys.path!r}
import harness.run.guard_plan
harness.run.guard_plan.SPARE_S = {SPARE_S}
from harness.cli.main import entry
entry()
"""
KILLS = {
    "kill -9": signal.SIGKILL,
    "SEGV": signal.SIGSEGV,
    "STOP": signal.SIGSTOP,
}
GIVE_UP_S = 20.0


class Outputs(Protocol):
    """Who sees the outputs of the panel: a board beside, or the server's own record."""

    def read_back(self) -> int | None: ...


@dataclass(frozen=True)
class Trial:
    """One kill: `safe_s` from the signal to the first reading of all outputs off, by the client beside it;
    `after_notice_s` from the guardian's notice to its proof, by its own journal."""

    how: str
    way: str
    safe_s: float
    after_notice_s: float
    on_before: int
    verified: Verification
    entries: list[dict[str, object]]

    @property
    def beyond_deadline_s(self) -> float:
        """From when death could be noticed: for a runner that only stops, the heartbeat deadline later."""
        return self.safe_s - (DEADLINE_S if self.how == "STOP" else 0.0)


def prepare(folder: Path, point: Callable[[Path], None], way: str) -> Path:
    """Files of a runner whose bench `point` makes reach the served panel. Returns the sequence."""
    copy_demo(folder, "th-s0.panel.yaml", "th-s0.bench.yaml", "th-s0.table.csv")
    bench = folder / "th-s0.bench.yaml"
    point(bench)
    text = bench.read_text().replace("    timeout: 500 ms", f"    timeout: {TIMEOUT_S * 1000:g} ms")
    bench.write_text(text)
    edit(bench, r"^hand:", f"guardian: {way}\nhand:")
    (folder / "endless.sequence.yaml").write_text(SEQUENCE)
    return folder / "endless.sequence.yaml"


def trial(
    sequence: Path,
    logs: Path,
    observer: Outputs,
    how: str,
    way: str,
    chance: random.Random,
    *,
    code: str = RUNNER,
) -> Trial:
    """Start a run, kill it at a random moment, wait until all outputs are off."""
    with subprocess.Popen(
        [sys.executable, "-c", code, "run", str(sequence), "--logs", str(logs)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        start_new_session=True,
    ) as runner:
        _until(lambda: observer.read_back() != 0, runner)
        _watch_for(observer, chance.uniform(0.0, 0.5))
        on_before = observer.read_back() or 0
        killed_ns = time.perf_counter_ns()
        os.kill(runner.pid, KILLS[how])
        off_ns = _off_at(observer)
        assert runner.stderr is not None
        said = runner.stderr.read().decode()  # to the end: the guardian writes there as well
    (folder,) = logs.iterdir()
    assert "all outputs safe, read back from every board" in said, said
    assert observer.read_back() == 0
    entries = [json.loads(line) for line in (folder / "guardian.jsonl").read_text().splitlines()]
    at = {entry["kind"]: int(entry["at_us"]) for entry in entries}
    return Trial(
        how,
        way,
        (off_ns - killed_ns) / 1e9,
        (at["made safe"] - at["runner gone"]) / 1e6,
        on_before,
        verify_run(folder),
        entries,
    )


def _until(true: Callable[[], bool], runner: subprocess.Popen[bytes]) -> None:
    give_up = time.monotonic() + GIVE_UP_S
    while not true():
        assert runner.poll() is None, runner.stderr and runner.stderr.read().decode()
        assert time.monotonic() < give_up, "outputs never came on"
        time.sleep(0.005)


def _watch_for(observer: Outputs, seconds: float) -> None:
    """Let the run go on; it must not have ended or been made safe meanwhile."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        assert observer.read_back() != 0, "the bench was made safe before the kill"
        time.sleep(0.005)


def _off_at(observer: Outputs) -> int:
    """When the outputs are first read all off."""
    give_up = time.monotonic() + GIVE_UP_S
    while observer.read_back() != 0:
        assert time.monotonic() < give_up, "outputs stayed on"
    return time.perf_counter_ns()
