"""Data models for tests of Modbus servers: tables that hold what a worked example of the protocol says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence


class TableDevice:
    """A device over plain dicts; `bits` and `registers` map table name to {address: value}."""

    def __init__(
        self,
        tables: Mapping[str, range],
        bits: Mapping[str, dict[int, bool]] | None = None,
        registers: Mapping[str, dict[int, int]] | None = None,
        objects: Mapping[int, bytes] | None = None,
    ) -> None:
        self.tables = dict(tables)
        self.bits = {table: dict(values) for table, values in (bits or {}).items()}
        self.registers = {table: dict(values) for table, values in (registers or {}).items()}
        self.objects = dict(objects or {})
        self.fails = False

    def read_bits(self, table: str, address: int, count: int) -> int:
        if self.fails:
            raise RuntimeError("the device's own trouble")
        held = self.bits.get(table, {})
        return sum(held.get(address + k, False) << k for k in range(count))

    def write_bits(self, address: int, count: int, bits: int) -> None:
        held = self.bits.setdefault("coils", {})
        held |= {address + k: bool(bits >> k & 1) for k in range(count)}

    def read_registers(self, table: str, address: int, count: int) -> Sequence[int]:
        held = self.registers.get(table, {})
        return [held.get(address + k, 0) for k in range(count)]

    def write_registers(self, address: int, values: Sequence[int]) -> None:
        held = self.registers.setdefault("holding registers", {})
        held |= {address + k: value for k, value in enumerate(values)}


def bits_of(text: str, first: int) -> dict[int, bool]:
    """Hex bytes as the protocol sends them, lowest bit first, from address `first`."""
    data = bytes.fromhex(text)
    return {first + k: bool(data[k // 8] >> k % 8 & 1) for k in range(8 * len(data))}
