"""A Modbus slave of another make in front of the simulated panel, in a process of its own.

modbus_tk (1.1.5) holds the tables and speaks on the wire; the simulated panel is only their source and
sink: before discrete inputs are read they are brought up to date, after every request the coils are handed
on. Both happen in modbus_tk's own thread, so the panel has one owner. Boards answer to the units that
`harness.bench.wire.units` gives them, board `hand` to 247. modbus_tk has no identification (function 43);
one that says SIMULATED BOARD is added, because that is what it is, unless it is to be `mute`.

    with foreign_slave(panel_path, bench_path, faults=["K1 coil open"]) as port:
        ...
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import harness

# MODBUS Application Protocol V1.1b3, 6.21, after the function: type 0E, basic, conformity 01, three objects
IDENTITY = "0E 01 01 00 00 03 00 04 54 65 73 74 01 0F 53 49 4D 55 4C 41 54 45 44 20 42 4F 41 52 44 02 01 31"
_HOUSE = Path(harness.__file__).resolve().parents[1]  # the copy under test, a checkout or an installed one


@contextmanager
def foreign_slave(
    panel: Path, bench: Path, faults: Sequence[str] = (), *, mute: bool = False
) -> Iterator[int]:
    """The slave as a process; gives its port on 127.0.0.1."""
    command = [sys.executable, "-P", __file__, str(panel), str(bench)]
    command += ["--mute"] if mute else []
    for name in faults:
        command += ["--fault", name]
    place = os.environ | {"PYTHONPATH": str(_HOUSE)}
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=place
    ) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        try:
            line = process.stdout.readline()
            assert line, "the slave did not start"
            yield int(line)
        finally:
            process.stdin.close()
            assert process.wait(10) == 0


class Bridge:
    """Keeps modbus_tk's tables and the simulated panel together."""

    def __init__(self, server: Any, rig: Any, units: dict[str, int], identity: bytes) -> None:
        from modbus_tk import defines

        self._rig = rig
        self._slaves = {}
        self._coils: dict[str, int] = {}
        for name, spec in rig.specs.items():
            slave = server.add_slave(units[name])
            if identity:
                slave._fn_code_map[43] = lambda _pdu: identity
            if spec.output_count:
                slave.add_block("coils", defines.COILS, 0, spec.output_count)
            if spec.input_count:
                slave.add_block("inputs", defines.DISCRETE_INPUTS, 0, spec.input_count)
            self._slaves[name] = slave
            self._coils[name] = 0

    def before_inputs(self, args: tuple[Any, bytes]) -> None:
        for name, slave in self._slaves.items():
            count = self._rig.specs[name].input_count
            if slave is args[0] and count:
                bits = self._rig.read(name)
                slave.set_values("inputs", 0, [bits >> k & 1 for k in range(count)])

    def after_request(self, args: tuple[Any, bytes]) -> None:
        for name, slave in self._slaves.items():
            count = self._rig.specs[name].output_count
            if count:
                states = slave.get_values("coils", 0, count)
                image = sum(bool(on) << k for k, on in enumerate(states))
                if image != self._coils[name]:
                    self._coils[name] = image
                    self._rig.write(name, image)


def main() -> None:
    from modbus_tk import hooks, modbus_tcp

    from drivers.rig import SimulatedRig
    from harness.bench.files import load_bench
    from harness.bench.hands import HAND, HAND_UNIT
    from harness.bench.wire import units
    from harness.clock import RealClock
    from harness.panel.files import load_panel

    parser = argparse.ArgumentParser()
    parser.add_argument("panel", type=Path)
    parser.add_argument("bench", type=Path)
    parser.add_argument("--fault", action="append", default=[])
    parser.add_argument("--mute", action="store_true")
    wanted = parser.parse_args()
    bench = load_bench(wanted.bench).bench
    rig = SimulatedRig(load_panel(wanted.panel).panel, bench, RealClock(), faults=wanted.fault)
    identity = b"" if wanted.mute else bytes.fromhex(IDENTITY)
    server = modbus_tcp.TcpServer(port=0, address="127.0.0.1")
    bridge = Bridge(server, rig, units(bench) | {HAND: HAND_UNIT}, identity)
    hooks.install_hook("modbus.Slave.handle_read_discrete_inputs_request", bridge.before_inputs)
    hooks.install_hook("modbus.Server.after_handle_request", bridge.after_request)
    server.start()
    while server._sock is None:
        time.sleep(0.001)
    print(server._sock.getsockname()[1], flush=True)
    sys.stdin.read()
    server.stop()


if __name__ == "__main__":
    main()
