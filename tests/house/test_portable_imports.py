"""Workshop computers are often Windows laptops: everything imports, and runs, without what Windows lacks.

A process hides those modules and names before it imports anything of the program. What the interpreter's own
library loaded before that for this system stays loaded; it is not what is tested here.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
from pathlib import Path

import pytest
from kill_trials import RUNNER, prepare, trial
from wire_benches import copy_demo, panel_on_the_wire, point_at

import harness
from harness.bench.parts import BoardSpec
from harness.bench.registry import make_board
from harness.clock import RealClock

ROOT = Path(harness.__file__).resolve().parents[1]
MODULES = ["fcntl", "termios", "tty", "pty", "resource", "grp", "pwd", "syslog", "readline", "curses"]
NAMES = {
    "os": "fork forkpty pidfd_open setsid getsid killpg getuid openpty posix_spawn mkfifo set_blocking "
    "fchmod O_NOFOLLOW O_NONBLOCK O_NOCTTY ttyname ctermid",
    "select": "poll epoll",
    "signal": "pidfd_send_signal SIGKILL SIGHUP SIGQUIT SIGTSTP SIGSTOP SIGCONT SIGPIPE SIGTTOU alarm",
    "socket": "send_fds recv_fds AF_UNIX SO_REUSEPORT",
    "time": "clock_gettime_ns clock_gettime CLOCK_BOOTTIME CLOCK_MONOTONIC",
}
HIDING = f"""
import sys
sys.path[:] = {sys.path!r}
# The library's own users of these, as they are on this system: processes, pseudo terminals, event loops.
import asyncio, subprocess, socket, selectors, shutil, tempfile, importlib.metadata
import multiprocessing.connection, concurrent.futures, uuid, platform, getpass, ctypes.util, pydoc, pdb

class Hidden:
    def find_spec(self, name, path=None, target=None):
        if name in {MODULES!r}:
            raise ModuleNotFoundError(f"No module named {{name!r}} (hidden: Windows has none)", name=name)

for name in {MODULES!r}:
    sys.modules.pop(name, None)
sys.meta_path.insert(0, Hidden())
for module, names in {NAMES!r}.items():
    for name in names.split():
        if hasattr(sys.modules.get(module) or __import__(module), name):
            delattr(sys.modules[module], name)
"""
IMPORTING = (
    HIDING
    + f"""
import importlib, json, pathlib
failed = {{}}
names = []
root = pathlib.Path({str(ROOT)!r})
for path in sorted([*(root / "harness").rglob("*.py"), *(root / "drivers").rglob("*.py")]):
    name = ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")
    if name.endswith("__main__"):
        continue
    names.append(name)
    try:
        importlib.import_module(name)
    except BaseException as error:
        failed[name] = f"{{type(error).__name__}}: {{error}}"
print(json.dumps([names, failed]))
"""
)
COMMAND = HIDING + "\nfrom harness.cli.main import entry\nentry()\n"
# The guardian as its own process, hidden from the same things.
HIDDEN_GUARDIAN = f"""
import harness.cli.guarding as guarding
start = {HIDING!r} + "\\nfrom harness.cli.guardian import entry; entry()"
guarding.guardian_command = lambda: [sys.executable, "-c", start]
"""
GUARDED = HIDING + HIDDEN_GUARDIAN + "from harness.cli.main import entry\nentry()\n"


def python(code: str, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, timeout=100, check=False
    )


def test_every_module_imports_without_what_windows_lacks() -> None:
    done = python(IMPORTING)
    assert done.returncode == 0, done.stderr
    names, failed = json.loads(done.stdout)
    assert {"harness.cli.run", "harness.cli.guardian", "drivers.modbus_tcp", "drivers.serve"} <= set(names)
    assert failed == {}


@pytest.mark.parametrize("name", ["fcntl", "termios"])
def test_the_hiding_hides(name: str) -> None:
    done = python(HIDING + f"import {name}")
    assert "hidden: Windows has none" in done.stderr
    assert "has no attribute" in python(HIDING + "import os; os.fork()").stderr


def test_a_run_in_virtual_time_needs_nothing_of_it(tmp_path: Path) -> None:
    sequence = "demo:th-s0.sequence.yaml"
    done = python(COMMAND, "run", sequence, "--virtual-time", "--json", "--logs", str(tmp_path))
    assert (done.returncode, done.stderr.count("Traceback")) == (0, 0), done.stderr
    assert json.loads(done.stdout)["verdict"] == "pass"


def test_a_run_over_a_wire_with_a_guardian_needs_nothing_of_it(tmp_path: Path) -> None:
    """The bench asks for shared ports; where there is no way to share them, the guardian opens its own.

    The lock of a bench is the system's own and not hidden: this one, with a server of the run's, needs none.
    """
    copy_demo(tmp_path, "th-s0.panel.yaml", "th-s0.bench.yaml", "th-s0.table.csv")
    sequence = tmp_path / "short.sequence.yaml"
    sequence.write_text(
        "format: 1\ntitle: Short\npanel: th-s0.panel.yaml\nbench: th-s0.bench.yaml\n"
        "expected: {table: th-s0.table.csv}\nsettle: 250 ms\nhold: 30 ms\nsteps:\n- rows: [start]\n"
    )
    done = python(GUARDED, "run", str(sequence), "--json", "--logs", str(tmp_path / "logs"))
    assert (done.returncode, done.stderr.count("Traceback")) == (0, 0), done.stderr
    answer = json.loads(done.stdout)
    assert (answer["verdict"], answer["simulated"]) == ("pass", True)
    assert "guardian" not in done.stderr


def test_a_guardian_that_has_nothing_of_it_makes_safe(tmp_path: Path) -> None:
    """Only the guardian is hidden from it here: the lock that the runner takes is this system's own."""
    copy_demo(tmp_path / "served", "th-s0.panel.yaml", "th-s0.bench.yaml")
    files = (tmp_path / "served/th-s0.panel.yaml", tmp_path / "served/th-s0.bench.yaml")
    code = RUNNER.replace(
        "from harness.cli.main import entry", f"{HIDDEN_GUARDIAN}\nfrom harness.cli.main import entry"
    )
    with panel_on_the_wire(*files) as port:
        sequence = prepare(tmp_path, lambda bench: point_at(bench, port), "own")
        settings: dict[str, str | int | float | bool] = {"host": "127.0.0.1", "port": port}
        spec = BoardSpec(
            name="beside", driver="modbus-tcp", settings=settings, output_count=8, input_count=0, timeout_s=5
        )
        with make_board(spec, RealClock()) as observer:
            done = trial(sequence, tmp_path / "logs", observer, "kill -9", "own", random.Random(1), code=code)
    assert "all outputs safe, read back from every board" in done.verified.guardian
