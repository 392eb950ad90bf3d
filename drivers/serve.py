"""The server process of a simulated panel, started as `python -m drivers.serve --panel ... --bench ...`.

It shares no clock and no interpreter with the program that tests the panel. When it is ready it prints one
line, `serving SIMULATED panel TH-P1 on 127.0.0.1:40123`, and serves until SIGTERM, SIGINT or, when started
with `--until-stdin-closes`, until whoever started it is gone.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from drivers.modbus_server import ModbusServer
from drivers.rig import SimulatedRig
from drivers.rig_device import devices
from harness.bench.files import load_bench
from harness.clock import RealClock
from harness.errors import PanelproofError, UsageError
from harness.panel.files import load_panel


def main(argv: Sequence[str]) -> int:
    """Serve until told to stop. Returns the exit status of the command contract."""
    wanted = _arguments(argv)
    try:
        host, port = split_address(wanted.modbus_tcp)
        panel, bench = load_panel(wanted.panel).panel, load_bench(wanted.bench).bench
        rig = SimulatedRig(panel, bench, RealClock(), seed=wanted.seed, faults=wanted.fault)
        server = ModbusServer(devices(rig), host, port)
    except PanelproofError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_status
    _stop_on_signals(server.stop)
    if wanted.until_stdin_closes:
        threading.Thread(target=_wait_for_end_of_input, args=(server.stop,), daemon=True).start()
    bound_host, bound_port = server.address
    shown = f"[{bound_host}]" if ":" in bound_host else bound_host
    sys.stdout.write(f"serving SIMULATED panel {panel.tag} on {shown}:{bound_port}\n")
    sys.stdout.flush()
    server.serve(idle=rig.advance)
    return 0


def split_address(text: str) -> tuple[str, int]:
    """HOST:PORT, port 0 for any free one. Raises UsageError."""
    host, colon, port = text.rpartition(":")
    if not colon or not host or not (port.isascii() and port.isdigit() and int(port) <= 65535):
        raise UsageError(f"{text!r} is not HOST:PORT; for example 127.0.0.1:5020, port 0 for any free one")
    return host.strip("[]"), int(port)


def _arguments(argv: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="drivers.serve", description="Serve a SIMULATED panel.")
    parser.add_argument("--panel", type=Path, required=True, help="panel file")
    parser.add_argument("--bench", type=Path, required=True, help="bench file")
    parser.add_argument("--modbus-tcp", required=True, metavar="HOST:PORT", help="port 0: any free one")
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
