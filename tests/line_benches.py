"""TH-S0 for runs over every wire: the panel served by the command line, a bench file pointed at it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from wire_benches import copy_demo, edit, run

# What these tests run may lie in a checkout or be installed: the same place as what they import.
PANELPROOF = [
    sys.executable,
    "-c",
    f"import sys; sys.path[:] = {sys.path!r}; from harness.cli.main import entry; entry()",
]
FILES = ("th-s0.panel.yaml", "th-s0.bench.yaml", "th-s0.table.csv", "th-s0.sequence.yaml")
SHORT = """\
format: 1
title: Short
panel: th-s0.panel.yaml
bench: th-s0.bench.yaml
expected: {table: th-s0.table.csv}
settle: 250 ms
hold: 30 ms
steps:
- rows: [start, stop against start]
"""
Process = subprocess.Popen[str]


def bench_folder(folder: Path) -> Path:
    """The demo of TH-S0 twice, to run and to serve, and a short sequence of one start and one stop."""
    copy_demo(folder, *FILES)
    copy_demo(folder / "served", "th-s0.panel.yaml", "th-s0.bench.yaml")
    (folder / "short.sequence.yaml").write_text(SHORT)
    return folder


def point(bench: Path, driver: str, place: str, **settings: str) -> None:
    """Rewrite a simulated bench file so that all its boards are of `driver`, on a line or at HOST:PORT."""
    host, _, port = place.rpartition(":")
    where = {"host": host, "port": port} if driver.endswith("-tcp") else {"port": place}
    words = ", ".join(f"{key}: {value}" for key, value in (where | settings).items())
    text = bench.read_text(encoding="utf-8").replace("simulated: true\n", "")
    for unit in range(1, 1 + text.count("driver: simulated")):
        own = f"driver: {driver}\n    settings: {{{words}, unit: {unit}}}"
        text = text.replace("driver: simulated", own, 1)
    bench.write_text(text, encoding="utf-8")


def split_board(bench: Path) -> None:
    """P1 watched by an input of a second board."""
    second = """\
  IO2:
    driver: simulated
    inputs: 8
    timeout: 500 ms
    poll: 10 ms
    input age: 1 ms
    input: {on: 14 V, off: 12 V, resistance: 10 kohm, filter: 3 ms, highest voltage: 60 V}

# Break contacts"""
    edit(bench, r"^# Break contacts", second)
    edit(bench, r"DI1: \{board: IO1, channel: 1", "DI1: {board: IO2, channel: 3")


@contextmanager
def serve(folder: Path, *words: str) -> Iterator[Process]:
    """`panelproof serve` of TH-S0 as a process; killed at the end if it still runs."""
    command = [*PANELPROOF, "serve", str(folder / "served/th-s0.panel.yaml")]
    command += ["--bench", str(folder / "served/th-s0.bench.yaml"), *words]
    pipe = subprocess.PIPE
    place = os.environ | {"PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(command, stdout=pipe, stderr=pipe, text=True, env=place) as process:
        try:
            yield process
        finally:
            process.kill()


def place_of(process: Process) -> str:
    """Where it says that it serves."""
    assert process.stdout is not None
    line = process.stdout.readline()
    start, _, place = line.strip().rpartition(" on ")
    assert start == "serving SIMULATED panel TH-S0", line
    return place


def passed(sequence: Path, logs: Path) -> dict[str, Any]:
    """The document of a run that passed. A good panel never fails and is never an error of the bench.

    On a busy computer a poll may come so late that a time cannot be told, which is `inconclusive`, rightly:
    then once more, three times in all.
    """
    for _ in range(3):
        status, answer, err = run(sequence, logs)
        if status == 0:
            assert (answer["verdict"], answer["simulated"]) == ("pass", True), err
            return answer
        assert (status, answer.get("verdict")) == (3, "inconclusive"), err
    raise AssertionError(f"inconclusive three times: {err}")
