"""The panel TH-S0 served on a pseudo terminal, and a record of its outputs kept by the server itself.

A serial line has one master, so nobody can look on from beside: the server prints each change of outputs.
"""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

SERVER = f"""\
import sys
sys.path[:] = {sys.path!r}
from drivers import rig, serve
change = rig.SimulatedRig._set_outputs
def told(self, board, image, now_ns):
    change(self, board, image, now_ns)
    print(board, image, flush=True)
rig.SimulatedRig._set_outputs = told
serve.main(sys.argv[1:])
"""


class Recorded:
    """The outputs of board IO1 as its server last said; asked like a board that reads them back."""

    def __init__(self) -> None:
        self._image = 0

    def read_back(self) -> int:
        return self._image

    def listen(self, lines: Iterator[str]) -> None:
        """Take what the server prints, to its end."""
        for line in lines:
            board, image = line.split()
            if board == "IO1":
                self._image = int(image)


@contextmanager
def panel_on_a_line(panel: Path, bench: Path, *words: str) -> Iterator[tuple[str, Recorded]]:
    """The pseudo terminal's name, and the record."""
    command = [
        sys.executable,
        "-c",
        SERVER,
        f"--panel={panel}",
        f"--bench={bench}",
        "--modbus-rtu=pty",
        *words,
    ]
    pipe = subprocess.PIPE
    with subprocess.Popen([*command, "--until-stdin-closes"], stdin=pipe, stdout=pipe, text=True) as server:
        assert server.stdout is not None
        first = server.stdout.readline()
        assert first.startswith("serving SIMULATED panel TH-S0 on /dev/"), first
        recorded = Recorded()
        ear = threading.Thread(target=recorded.listen, args=(iter(server.stdout.readline, ""),), daemon=True)
        ear.start()
        try:
            yield first.split()[-1], recorded
        finally:
            server.kill()
            ear.join()
