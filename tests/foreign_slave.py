"""A Modbus slave of another make in front of the simulated panel, in a process of its own.

The makes are modbus_tk, uModbus and libmodbus, each in a module of its own, on TCP and on a serial line (a
pseudo terminal without pace). Each speaks on the wire; the simulated panel is only the source and sink of
its tables. Boards answer to the units that `harness.bench.wire.units` gives them, board `hand` to 247. Unless
it is to be `mute` each says SIMULATED BOARD, because that is what it is.

    with foreign_slave(panel_path, bench_path, faults=["K1 coil open"]) as port: ...
    with foreign_rtu_slave(panel_path, bench_path, make="umodbus") as terminal: ...
"""

from __future__ import annotations

import argparse
import importlib
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import harness

MAKES = ("modbus_tk", "umodbus", "libmodbus")
_HOUSE = Path(harness.__file__).resolve().parents[1]  # the copy under test, a checkout or an installed one


def need(make: str) -> None:
    """Skip the test where libmodbus is not installed, unless it must be."""
    if make != "libmodbus" or os.environ.get("PANELPROOF_REQUIRE_LIBMODBUS") == "1":
        return
    import pytest
    from foreign_libmodbus import library

    try:
        library()
    except OSError:
        pytest.skip("libmodbus.so.5 is not installed (Debian: libmodbus5)")


@contextmanager
def foreign_slave(
    panel: Path, bench: Path, faults: Sequence[str] = (), *, mute: bool = False, make: str = "modbus_tk"
) -> Iterator[int]:
    """The slave on TCP; gives its port on 127.0.0.1."""
    with _process(panel, bench, faults, make, "tcp", mute=mute) as place:
        yield int(place)


@contextmanager
def foreign_rtu_slave(
    panel: Path, bench: Path, faults: Sequence[str] = (), *, mute: bool = False, make: str = "modbus_tk"
) -> Iterator[str]:
    """The slave on a serial line; gives the terminal to open."""
    with _process(panel, bench, faults, make, "rtu", mute=mute) as place:
        yield place


@contextmanager
def _process(
    panel: Path, bench: Path, faults: Sequence[str], make: str, wire: str, *, mute: bool
) -> Iterator[str]:
    command = [sys.executable, "-P", __file__, str(panel), str(bench), "--make", make, "--wire", wire]
    command += ["--mute"] if mute else []
    for name in faults:
        command += ["--fault", name]
    place = os.environ | {"PYTHONPATH": f"{_HOUSE}{os.pathsep}{Path(__file__).parent}"}
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=place
    ) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        try:
            line = process.stdout.readline()
            assert line, "the slave did not start"
            yield line.strip()
        finally:
            process.stdin.close()
            assert process.wait(10) == 0


def _identified(tables: Any, request: bytes) -> bytes:
    from drivers.rtu_frame import sealed

    said = tables.identify(request)
    return sealed(said) if said else b""


def main() -> None:
    from foreign_panel import Tables
    from serial_relay import Relay

    parser = argparse.ArgumentParser()
    parser.add_argument("panel", type=Path)
    parser.add_argument("bench", type=Path)
    parser.add_argument("--make", choices=MAKES)
    parser.add_argument("--wire", choices=("tcp", "rtu"))
    parser.add_argument("--fault", action="append", default=[])
    parser.add_argument("--mute", action="store_true")
    wanted = parser.parse_args()
    tables = Tables(wanted.panel, wanted.bench, wanted.fault, mute=wanted.mute)
    front = importlib.import_module(f"foreign_{wanted.make}")
    if wanted.wire == "tcp":
        print(front.start_tcp(tables), flush=True)
    else:
        relay = Relay(front.ports(tables), lambda request: _identified(tables, request))
        front.start_rtu(tables, relay.devices)
        print(relay.master, flush=True)
    sys.stdin.read()
    os._exit(0)  # their threads do not all end


if __name__ == "__main__":
    main()
