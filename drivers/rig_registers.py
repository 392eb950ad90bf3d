"""The registers of a simulated board: what the bench file measures, its watchdog's, a supply's setting.

A board has only the registers that its bench file names. Of a supply they hold the level that the panel is
really fed with, in counts of the measure's own scale; of anything else 0, or 20 C for a temperature.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Literal, Protocol

from drivers.rig_watchdog import RigWatchdog
from harness.bench.parts import Bench, Measure

Table = Literal["holding", "input"]
_ROOM_C = 20.0
_WORD = 0xFFFF


class Supplies(Protocol):
    """What registers see and set of the panel's supplies."""

    def level(self, tag: str, *, before_contactor: bool) -> float: ...

    def set_level(self, tag: str, volts: float) -> None: ...


class RigRegisters:
    """The registers of one board. LookupError for one that it has not, or that cannot be written."""

    def __init__(self, bench: Bench, board: str, supplies: Supplies, watchdog: RigWatchdog | None) -> None:
        self._supplies = supplies
        self._readers: dict[tuple[Table, int], Callable[[], int]] = {}
        self._writers: dict[int, Callable[[int, int], None]] = {}
        self._written: dict[int, int] = {}
        for measure in bench.measures:
            if measure.board == board:
                for word in range(measure.words):
                    place = (measure.table, measure.register + word)
                    self._readers[place] = partial(self._word, measure, word)
        for setting in bench.supply_settings:
            if setting.board == board:
                self._add(setting.register, partial(self._set_level, setting.of, setting.scale_v))
        if watchdog is not None:
            self._add_watchdog(watchdog)

    def span(self, table: Table) -> range:
        """From the first to the last register of a table; empty where it has none."""
        addresses = [address for kind, address in self._readers if kind == table]
        return range(min(addresses), max(addresses) + 1) if addresses else range(0)

    def read(self, table: Table, address: int, count: int) -> tuple[int, ...]:
        """`count` registers from `address` on."""
        return tuple(self._readers[table, address + k]() for k in range(count))

    def write(self, address: int, values: Sequence[int], now_ns: int) -> None:
        """Write holding registers, all or none."""
        writers = [self._writers[address + k] for k in range(len(values))]
        for k, (writer, value) in enumerate(zip(writers, values, strict=True)):
            self._written[address + k] = value
            writer(value, now_ns)

    def _add(self, address: int, writer: Callable[[int, int], None]) -> None:
        self._writers[address] = writer
        self._readers["holding", address] = lambda: self._written.get(address, 0)

    def _add_watchdog(self, watchdog: RigWatchdog) -> None:
        self._add(watchdog.register, watchdog.arm)
        if watchdog.clear_register is not None:
            self._add(watchdog.clear_register, watchdog.clear)
        if watchdog.feed_register is not None:
            self._add(watchdog.feed_register, lambda _value, now_ns: watchdog.feed(now_ns))

    def _set_level(self, tag: str, scale_v: float, value: int, _now_ns: int) -> None:
        self._supplies.set_level(tag, value * scale_v)

    def _word(self, measure: Measure, word: int) -> int:
        """Word `word` of a measure, the high one first; beyond its end of scale a converter stops."""
        value = _ROOM_C if measure.unit == "C" else 0.0
        if measure.of:
            value = self._supplies.level(measure.of, before_contactor=measure.before_contactor)
        bits = 16 * measure.words
        low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if measure.signed else (0, (1 << bits) - 1)
        raw = min(max(round((value - measure.offset) / measure.scale), low), high)
        return raw >> 16 * (measure.words - 1 - word) & _WORD
