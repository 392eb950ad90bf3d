"""Runs as processes of their own, on benches over a wire, with something wrong about the computer."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Any

from wire_benches import copy_demo, panel_on_the_wire, point_at

from harness.bench.parts import BoardSpec
from harness.bench.registry import make_board, server_command
from harness.clock import RealClock

FILES = ("th-s0.panel.yaml", "th-s0.bench.yaml", "th-s0.table.csv")
HEAD = """\
format: 1
title: Short
panel: th-s0.panel.yaml
bench: th-s0.bench.yaml
expected: {table: th-s0.table.csv}
settle: 250 ms
hold: 30 ms
steps:
- rows: [start, level low against start]
"""


def folder_of(place: Path) -> Path:
    """The demo TH-S0 with a bench of its own, and sequences short and long."""
    copy_demo(place, *FILES)
    copy_demo(place / "served", *FILES[:2])
    (place / "short.sequence.yaml").write_text(HEAD)
    (place / "long.sequence.yaml").write_text(HEAD + "- hold: 60 s\n")
    busy = "".join("- rows: [start, level low against start, stop against start]\n" for _ in range(100))
    (place / "busy.sequence.yaml").write_text(HEAD + busy)
    return place


@contextmanager
def on_the_wire(place: Path) -> Iterator[int]:
    """The panel of the folder served, its bench file pointing there."""
    with panel_on_the_wire(place / "served/th-s0.panel.yaml", place / "served/th-s0.bench.yaml") as port:
        point_at(place / "th-s0.bench.yaml", port)
        yield port


def words(*said: str, before: str = "") -> list[str]:
    """A command line of this program, of the copy under test; `before`: Python to run first."""
    start = f"import sys\nsys.path[:] = {sys.path!r}\n{before}\nfrom harness.cli.main import entry\nentry()"
    return [sys.executable, "-c", start, *said]


def run_words(place: Path, name: str, *more: str, before: str = "", logs: Path | None = None) -> list[str]:
    """The command line of a run of one of the folder's sequences."""
    sequence = str(place / f"{name}.sequence.yaml")
    return words("run", sequence, "--logs", str(logs or place / "logs"), *more, before=before)


@dataclass
class Ended:
    """How a process ended."""

    status: int
    out: str
    err: str

    @property
    def answer(self) -> dict[str, Any]:
        document: dict[str, Any] = json.loads(self.out)
        return document


@dataclass
class Started:
    """A process whose streams go to files: a guardian that it leaves behind would keep a pipe open."""

    process: subprocess.Popen[bytes]
    out: IO[bytes]
    err: IO[bytes]

    def __getattr__(self, name: str) -> Any:
        return getattr(self.process, name)


def started(command: list[str], **options: Any) -> Started:
    """It, with both streams caught unless said otherwise."""
    out, err = TemporaryFile(), TemporaryFile()  # noqa: SIM115 - `ended` closes them
    streams: dict[str, Any] = {"stdout": out, "stderr": err}
    return Started(subprocess.Popen(command, **(streams | options)), out, err)


def ended(process: Started, within_s: float = 40.0) -> Ended:
    """Wait for it; nothing that it said may be a traceback."""
    status = process.wait(within_s)
    said = []
    for stream in (process.out, process.err):
        with stream:
            stream.seek(0)
            said.append(stream.read().decode())
    assert "Traceback" not in "".join(said), said
    assert "internal error" not in "".join(said), said
    return Ended(status, *said)


@contextmanager
def served(place: Path, *way: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The folder's panel served by a process, the one behind `panelproof serve`; what it says when ready."""
    panel, bench = place / "served/th-s0.panel.yaml", place / "served/th-s0.bench.yaml"
    command = [*server_command(), "--panel", str(panel), "--bench", str(bench), *way]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        try:
            line = server.stdout.readline()
            assert "SIMULATED panel" in line
            yield server, line
        finally:
            server.terminate()


def wait_for_steps(logs: Path, count: int) -> Path:
    """Until the only run's journal shows `count` steps begun; its folder."""
    give_up = time.monotonic() + 30
    while time.monotonic() < give_up:
        for journal in logs.glob("*/journal.jsonl"):
            if journal.read_text(encoding="utf-8").count('"kind":"step started"') >= count:
                return journal.parent
        time.sleep(0.01)
    raise AssertionError(f"no {count} steps begun in time")


def outputs_at(port: int) -> int | None:
    """What the board on the wire says of its outputs."""
    spec = BoardSpec(
        name="again",
        driver="modbus-tcp",
        settings={"host": "127.0.0.1", "port": port, "unit": 1},
        output_count=8,
        input_count=8,
    )
    board = make_board(spec, RealClock())
    board.open()
    try:
        return board.read_back()
    finally:
        board.close()


def line_with(text: str, said: str) -> str:
    """The one line of `text` with `said` in it."""
    (line,) = {line for line in text.splitlines() if said in line}
    return line


def may_mount() -> bool:
    """Whether file systems can be mounted here."""
    return sys.platform == "linux" and os.geteuid() == 0


@contextmanager
def small_disk(place: Path, size_kb: int, *, read_only: bool = False) -> Iterator[Path]:
    """A file system of its own of that size."""
    place.mkdir()
    options = f"size={size_kb}k{',ro' if read_only else ''}"
    subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def fill(disk: Path) -> None:
    """Take what room there is left on it."""
    with (disk / "filler").open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"x" * 4096)
        except OSError:
            pass
