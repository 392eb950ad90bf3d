"""Analogue values of the bench: read, recorded, and for a supply held against what the run believes of it.

A supply that reads another level than was asked for proves the bench wrong, not the panel. What is in doubt
within the tolerance and the measure's own uncertainty is let pass: the value is recorded, and a person can
judge it. Values go into records as whole thousandths.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from harness.bench.parts import Measure, SupplySetting
from harness.clock import NS
from harness.errors import BenchError, BenchUnsafe, BoardGarbled, BoardTimeout
from harness.run.events import SupplySet, ValueRead

if TYPE_CHECKING:
    from harness.panel.parts import Supply
    from harness.run.rig import Rig

ABSENT_SHARE = 0.1
"""Below this share of its nominal level a supply counts as absent: what leaks past an open contactor."""

RISE_S = 2.0
"""How long a supply may take to its level after it was switched on or set."""


class Meters:
    """The measures of one rig, and the supplies that it can set."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._supplies = {supply.tag: supply for supply in rig.panel.supplies}
        self._settings = {setting.of: setting for setting in rig.bench.supply_settings}
        self._levels = [measure for measure in rig.bench.measures if measure.of]

    @property
    def settable(self) -> frozenset[str]:
        """Tags of the supplies that the run sets itself."""
        return frozenset(self._settings)

    def read_all(self) -> None:
        """Read and record every measure; a supply must be at its level."""
        for measure in self._rig.bench.measures:
            value = self._recorded(measure)
            if measure.of and not self._at_level(measure, value):
                raise self._wrong(measure, value)

    def refuse_voltage(self) -> None:
        """With the contactor open no supply may be measured behind it."""
        for measure in self._levels:
            self._recorded(measure)
        for measure, value in self._live():
            raise BenchUnsafe(
                f"bench {self._rig.bench.tag}: {measure.of} reads {_shown(measure, value)} before the supply "
                "contactor closed; the contactor may be welded or bridged: isolate and find it"
            )

    def still_live(self) -> bool | None:
        """Whether a supply goes on being measured behind the open contactor; None where it cannot be read."""
        try:
            return any(True for _ in self._live())
        except BenchError:
            return None

    def come_up(self, tags: Iterable[str] | None = None, *, contactor_closed: bool = True) -> None:
        """Wait until the supplies, or those of `tags`, measure at their levels. Raises BenchUnsafe."""
        clock = self._rig.fittings.clock
        give_up_ns = clock.now_ns() + round(RISE_S * NS)
        wanted = self._supplies.keys() if tags is None else set(tags)
        for measure in self._levels:
            if measure.of not in wanted or not (contactor_closed or measure.before_contactor):
                continue
            while not self._at_level(measure, value := self._value(measure)):
                if clock.now_ns() > give_up_ns:
                    self._recorded(measure)
                    raise self._wrong(measure, value)
                self._rig.watcher()
            self._recorded(measure)

    def set_level(self, tag: str, position: str) -> None:
        """Set a programmable supply to the level of a position; never above what the panel stands."""
        supply, setting = self._supplies[tag], self._settings[tag]
        raw = _raw(setting, supply, position)
        board = self._rig.fittings.boards[setting.board]
        stamp = board.write_registers(setting.register, [raw])
        (held,) = board.read_registers("holding", setting.register, 1)
        if held != raw:
            raise BenchUnsafe(
                f"supply {tag}: register {setting.register} of board {board.name} reads back {held}, {raw} "
                "was written; it is not set as wanted: check the register, and the supply's own limits"
            )
        self._rig.fittings.sink(
            SupplySet(
                at_us=self._rig.now_us,
                of=tag,
                position=position,
                board=setting.board,
                register=setting.register,
                raw=raw,
                level_thousandths=round(raw * setting.scale_v * 1e3),
                sent_us=self._rig.origin.down_us(stamp.sent_ns),
                acknowledged_us=self._rig.origin.up_us(stamp.received_ns),
            )
        )

    def _value(self, measure: Measure) -> float:
        """Asked for again as often as the board's retries allow: reading a value changes nothing."""
        board = self._rig.fittings.boards[measure.board]
        for left in range(board.spec.retries, -1, -1):
            try:
                words = board.read_registers(measure.table, measure.register, measure.words)
            except (BoardTimeout, BoardGarbled):
                if not left:
                    raise
                board.retried += 1
            else:
                return value_of(measure, words)
        raise AssertionError("at least one attempt is made")

    def _recorded(self, measure: Measure) -> float:
        value = self._value(measure)
        self._rig.fittings.sink(
            ValueRead(
                at_us=self._rig.now_us,
                name=measure.name,
                of=measure.of,
                unit=measure.unit,
                value_thousandths=round(value * 1e3),
                uncertainty_thousandths=-(-round(measure.uncertainty * 1e6) // 1000),
            )
        )
        return value

    def _live(self) -> Iterator[tuple[Measure, float]]:
        """The measures that show a supply behind the contactor, if the bench has one."""
        for measure in self._levels:
            if measure.before_contactor or self._rig.bench.contactor is None:
                continue
            value = self._value(measure)
            if abs(value) > ABSENT_SHARE * self._supplies[measure.of].nominal_v + measure.uncertainty:
                yield measure, value

    def _asked(self, measure: Measure) -> float:
        return self._supplies[measure.of].levels[self._rig.positions[measure.of]]

    def _at_level(self, measure: Measure, value: float) -> bool:
        asked = self._asked(measure)
        return abs(value - asked) <= measure.tolerance * asked + measure.uncertainty

    def _wrong(self, measure: Measure, value: float) -> BenchUnsafe:
        return BenchUnsafe(
            f"bench {self._rig.bench.tag}: supply {measure.of} reads {_shown(measure, value)}, "
            f"{self._asked(measure):g} V was asked for; set it, then start the run again"
        )


def value_of(measure: Measure, words: tuple[int, ...]) -> float:
    """The value of a measure from its registers, the high word first."""
    raw = 0
    for word in words:
        raw = raw << 16 | word
    bits = 16 * len(words)
    if measure.signed and raw >> bits - 1:
        raw -= 1 << bits
    return raw * measure.scale + measure.offset


def _raw(setting: SupplySetting, supply: Supply, position: str) -> int:
    """Counts for the level, rounded down where rounding up would go beyond the panel's range."""
    level = supply.levels[position]
    raw = round(level / setting.scale_v)
    if raw * setting.scale_v > supply.range_v.high * (1 + 1e-9):
        raw -= 1
    if not 0 < raw <= 0xFFFF:
        raise BenchUnsafe(
            f"supply {setting.of}: {level:g} V is {raw} counts of {setting.scale_v:g} V; "
            "1 to 65535 fit its register: check the scale in the bench file"
        )
    return raw


def _shown(measure: Measure, value: float) -> str:
    return f"{value:.4g} {measure.unit} +- {measure.uncertainty:g} {measure.unit}"
