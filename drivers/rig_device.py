"""A board of the simulated rig as a Modbus device: coils command outputs, discrete inputs report inputs."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.modbus_device import COILS, HOLDING, ILLEGAL_ADDRESS, INPUT_REGISTERS, INPUTS, RefusedError
from drivers.rig import SimulatedRig
from drivers.rig_registers import Table
from harness.bench.hands import HAND, HAND_UNIT
from harness.bench.wire import units

_KINDS: dict[str, Table] = {HOLDING: "holding", INPUT_REGISTERS: "input"}

# Objects 0 to 2 of MODBUS Application Protocol V1.1b3, 6.21: VendorName, ProductCode, MajorMinorRevision.
SIMULATED_OBJECTS = {0: b"panelproof", 1: b"SIMULATED BOARD", 2: b"1"}


class RigDevice:
    """Outputs from `first_output` on, inputs from `first_input` on, the registers that its bench names."""

    def __init__(self, rig: SimulatedRig, board: str, first_output: int = 0, first_input: int = 0) -> None:
        spec = rig.specs[board]
        self._rig, self._board = rig, board
        spans = {
            COILS: range(first_output, first_output + spec.output_count),
            INPUTS: range(first_input, first_input + spec.input_count),
            HOLDING: rig.registers[board].span("holding"),
            INPUT_REGISTERS: rig.registers[board].span("input"),
        }
        self.tables = {table: span for table, span in spans.items() if span}
        self.objects = SIMULATED_OBJECTS

    def read_bits(self, table: str, address: int, count: int) -> int:  # noqa: ARG002 - the server cuts it
        image = self._rig.outputs(self._board) if table == COILS else self._rig.read(self._board)
        return image >> (address - self.tables[table].start)

    def write_bits(self, address: int, count: int, bits: int) -> None:
        shift = address - self.tables[COILS].start
        kept = self._rig.outputs(self._board) & ~(((1 << count) - 1) << shift)
        self._rig.write(self._board, kept | bits << shift)

    def read_registers(self, table: str, address: int, count: int) -> Sequence[int]:
        try:
            return self._rig.read_registers(self._board, _KINDS[table], address, count)
        except LookupError as error:
            raise RefusedError(ILLEGAL_ADDRESS) from error

    def write_registers(self, address: int, values: Sequence[int]) -> None:
        try:
            self._rig.write_registers(self._board, address, values)
        except LookupError as error:
            raise RefusedError(ILLEGAL_ADDRESS) from error


def devices(rig: SimulatedRig) -> dict[int, RigDevice]:
    """Every board of the rig by the unit that it answers to, board `hand` included.

    Raises BenchError when two boards claim one unit.
    """
    numbers = units(rig.bench) | {HAND: HAND_UNIT}
    return {numbers[name]: _device(rig, name) for name in rig.specs}


def _device(rig: SimulatedRig, name: str) -> RigDevice:
    settings = rig.specs[name].settings
    return RigDevice(rig, name, int(settings.get("first output", 0)), int(settings.get("first input", 0)))
