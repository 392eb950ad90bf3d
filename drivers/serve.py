"""The server process of a simulated panel, started as `python -m drivers.serve --panel ... --bench ...`.

It shares no clock and no interpreter with the program that tests the panel. When it is ready it prints one
line, `serving SIMULATED panel TH-P1 on 127.0.0.1:40123` (or on `/dev/pts/7`, or on a serial port), and serves
until SIGTERM, SIGINT or, when started with `--until-stdin-closes`, until whoever started it is gone.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NoReturn

from drivers.rig import SimulatedRig
from drivers.serve_wires import PARITIES, check_words, make_server
from harness.bench.files import load_bench
from harness.clock import RealClock
from harness.errors import PanelproofError, UsageError
from harness.panel.files import load_panel


def main(argv: Sequence[str]) -> int:
    """Serve until told to stop. Returns the exit status of the command contract."""
    try:
        _serve(_arguments(argv))
    except PanelproofError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_status
    return 0


def _serve(words: argparse.Namespace) -> None:
    check_words(words)
    panel, bench = load_panel(words.panel).panel, load_bench(words.bench).bench
    rig = SimulatedRig(panel, bench, RealClock(), seed=words.seed, faults=words.fault)
    server = make_server(words, rig)
    try:
        _stop_on_signals(server.stop)
        if words.until_stdin_closes:
            threading.Thread(target=_wait_for_end_of_input, args=(server.stop,), daemon=True).start()
        sys.stdout.write(f"serving SIMULATED panel {panel.tag} on {server.place}\n")
        sys.stdout.flush()
        server.serve(rig.advance)
    finally:
        server.close()


class _Parser(argparse.ArgumentParser):
    """argparse whose complaints are one line."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(f"{self.prog}: {message}")


def _arguments(argv: Sequence[str]) -> argparse.Namespace:
    parser = _Parser(prog="drivers.serve", description="Serve a SIMULATED panel.")
    parser.add_argument("--panel", type=Path, required=True, help="panel file")
    parser.add_argument("--bench", type=Path, required=True, help="bench file")
    wires = parser.add_mutually_exclusive_group(required=True)
    wires.add_argument("--modbus-tcp", metavar="HOST:PORT", help="port 0: any free one")
    wires.add_argument("--modbus-rtu", metavar="PTY-OR-PORT", help="`pty`, `pty:PATH` or a serial port")
    wires.add_argument("--modbus-rtu-tcp", metavar="HOST:PORT", help="RTU frames on a TCP connection")
    wires.add_argument("--text-line", metavar="PTY-OR-PORT", help="`pty`, `pty:PATH` or a serial port")
    parser.add_argument("--baud", type=int, help="of a serial line, or emulated (19200)")
    parser.add_argument("--parity", choices=PARITIES, help="of a serial port (even)")
    parser.add_argument("--unpaced", action="store_true", help="a pseudo terminal as fast as it goes")
    parser.add_argument("--turnaround", metavar="TIME", help="what the device takes before it answers (0 ms)")
    parser.add_argument("--clients", type=int, metavar="N", help="the most at a time (any number)")
    parser.add_argument("--fault", action="append", default=[], metavar="NAME", help="may be given again")
    parser.add_argument("--seed", type=int, default=0, help="of relay times and output delays")
    parser.add_argument("--until-stdin-closes", action="store_true", help="end with the parent process")
    return parser.parse_args(argv)


def _stop_on_signals(stop: Callable[[], None]) -> None:
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: stop())


def _wait_for_end_of_input(stop: Callable[[], None]) -> None:
    try:
        while os.read(0, 4096):
            pass
    except OSError:
        pass  # no standard input at all counts as closed
    stop()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
