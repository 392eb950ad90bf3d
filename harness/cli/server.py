"""The simulated panel's server as a child process: started, waited for, ended with its parent."""

from __future__ import annotations

import os
import queue
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from harness.bench.registry import server_command
from harness.errors import BenchError

START_S = 20.0
END_S = 3.0


@contextmanager
def served(panel: Path, bench: Path, faults: Sequence[str], seed: int) -> Iterator[tuple[str, int]]:
    """A server of the simulated panel on a free port of this computer, as (host, port). Raises BenchError."""
    words = ["--panel", str(panel), "--bench", str(bench), "--modbus-tcp", "127.0.0.1:0", "--seed", str(seed)]
    for name in faults:
        words += ["--fault", name]
    # A session of its own: Ctrl-C at the terminal must reach the runner alone, which still has to make safe.
    own = {"creationflags": 0x200} if sys.platform == "win32" else {"start_new_session": True}
    process = subprocess.Popen(
        [*server_command(), *words, "--until-stdin-closes"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
        **own,
    )
    try:
        yield _address(process)
    finally:
        _end(process)


def _address(process: subprocess.Popen[str]) -> tuple[str, int]:
    assert process.stdout is not None
    line = _first_line(process.stdout)
    if " on " not in line:
        process.kill()
        said = (process.communicate()[1] or "").strip().splitlines()
        reason = said[-1] if said else f"it said nothing within {START_S:g} s"
        raise BenchError(f"the simulated panel's server did not start: {reason}")
    host, _, port = line.rsplit(" on ", 1)[1].strip().rpartition(":")
    return host, int(port)


def _first_line(stream: IO[str]) -> str:
    lines: queue.Queue[str] = queue.Queue()
    threading.Thread(target=lambda: lines.put(stream.readline()), daemon=True).start()
    try:
        return lines.get(timeout=START_S)
    except queue.Empty:
        return ""


def _end(process: subprocess.Popen[str]) -> None:
    for stream in (process.stdin, process.stdout, process.stderr):
        if stream is not None:
            stream.close()
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
