"""The simulated panel as the tables of a Modbus slave of another make: source of inputs, sink of coils."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from pathlib import Path

from drivers.rig import SimulatedRig
from harness.bench.files import load_bench
from harness.bench.hands import HAND, HAND_UNIT
from harness.bench.wire import units
from harness.clock import RealClock
from harness.panel.files import load_panel

# MODBUS Application Protocol V1.1b3, 6.21, after the function: type 0E, basic, conformity 01, three objects.
# None of the other makes has identification (function 43); each is given this, because that is what it is.
IDENTITY = bytes.fromhex(
    "0E 01 01 00 00 03 00 04 54 65 73 74 01 0F 53 49 4D 55 4C 41 54 45 44 20 42 4F 41 52 44 02 01 31"
)


class Tables:
    """Coils and discrete inputs by unit, over one panel. Any thread may ask: one at a time gets in.

    `identity`: what a slave says after function 43; empty for one that cannot say what it is.
    """

    def __init__(self, panel: Path, bench: Path, faults: Sequence[str], *, mute: bool) -> None:
        loaded = load_bench(bench).bench
        self._rig = SimulatedRig(load_panel(panel).panel, loaded, RealClock(), faults=faults)
        numbers = units(loaded) | {HAND: HAND_UNIT}
        self._boards = {numbers[name]: name for name in self._rig.specs}
        self._lock = threading.RLock()
        self.identity = b"" if mute else IDENTITY

    def identify(self, data: bytes) -> bytes:
        """Unit and PDU of the answer to a request from its unit on; empty where it is no such question."""
        asked = len(data) > 1 and data[0] in self._boards and data[1] == 43
        return data[:2] + self.identity if asked and self.identity else b""

    @property
    def units(self) -> list[int]:
        return list(self._boards)

    def outputs(self, unit: int) -> int:
        """How many coils a unit has."""
        return self._rig.specs[self._boards[unit]].output_count

    def inputs(self, unit: int) -> int:
        """How many discrete inputs a unit has."""
        return self._rig.specs[self._boards[unit]].input_count

    def read(self, unit: int) -> list[bool]:
        """All inputs, of one moment."""
        with self._lock:
            bits = self._rig.read(self._boards[unit])
        return [bool(bits >> k & 1) for k in range(self.inputs(unit))]

    def coils(self, unit: int) -> list[bool]:
        with self._lock:
            image = self._rig.outputs(self._boards[unit])
        return [bool(image >> k & 1) for k in range(self.outputs(unit))]

    def write(self, unit: int, states: Mapping[int, bool]) -> None:
        """Set coils together; nothing happens where none changes."""
        with self._lock:
            board = self._boards[unit]
            before = image = self._rig.outputs(board)
            for address, on in states.items():
                image = image | 1 << address if on else image & ~(1 << address)
            if image != before:
                self._rig.write(board, image)
