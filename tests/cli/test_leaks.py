"""Nothing is left open: threads, files and children are as many after a thousand runs as after a few."""

from __future__ import annotations

import gc
import io
import json
import os
import shutil
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from environment_runs import folder_of, on_the_wire

from harness.cli.main import main

COUNTS = pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="this system does not list open files")
VIRTUAL = ["demo:th-s0.sequence.yaml", "--virtual-time"]


def held() -> tuple[int, int, int]:
    """Threads, open files, children."""
    gc.collect()
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()
    return len(threading.enumerate()), len(os.listdir("/proc/self/fd")), len(children)  # noqa: PTH208


def one(words: list[str], logs: Path, status: int) -> None:
    """A run, its record thrown away: a thousand would be in the way."""
    out, err = io.StringIO(), io.StringIO()
    assert main(["run", *words, "--json", "--logs", str(logs)], out=out, err=err) == status, err.getvalue()
    json.loads(out.getvalue())
    shutil.rmtree(logs)


def flat(once: Callable[[int], None], runs: int) -> None:
    """The first few runs load modules and may keep something for good; after them all stays as it is."""
    for number in range(3):
        once(number)
    before = held()
    counts = {before}
    for number in range(runs):
        once(number)
        if number % 10 == 9:
            counts.add(held())
    after = held()
    print(f"threads, files, children before {before} and after {runs} runs {after}", file=sys.stderr)
    assert counts | {after} == {before}


@COUNTS
def test_flat_over_runs_in_virtual_time(tmp_path: Path) -> None:
    """Passing and failing ones in turn."""
    fault = ["--fault", "K1 coil open"]
    flat(lambda n: one(VIRTUAL + fault * (n % 2), tmp_path / "logs", n % 2), 20)


@COUNTS
@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_flat_over_a_thousand_runs_in_virtual_time(tmp_path: Path) -> None:
    fault = ["--fault", "K1 coil open"]
    flat(lambda n: one(VIRTUAL + fault * (n % 2), tmp_path / "logs", n % 2), 1000)


@COUNTS
def test_flat_over_runs_on_a_wire(tmp_path: Path) -> None:
    wire(tmp_path, 2)


@COUNTS
@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_flat_over_many_runs_on_a_wire(tmp_path: Path) -> None:
    wire(tmp_path, 30)


def wire(folder: Path, runs: int) -> None:
    place = folder_of(folder / "bench")
    with on_the_wire(place):
        flat(lambda _: one([str(place / "short.sequence.yaml")], folder / "logs", 0), runs)


@COUNTS
def test_the_count_sees_what_is_left_open(tmp_path: Path) -> None:
    kept: list[object] = []

    def leaks(_number: int) -> None:
        kept.append((tmp_path / "file").open("w"))

    with pytest.raises(AssertionError):
        flat(leaks, 25)
    for file in kept:
        file.close()  # type: ignore[attr-defined]
