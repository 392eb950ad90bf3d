"""How each input of a bench file reads: its own values, else those of its board, checked for sense."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from harness.bench.file_shape import BenchShape, InputChannelShape, InputShape
from harness.models import Problems
from harness.source import KeyPath
from harness.units import VOLTAGE, show

_KEYS = ("on", "off", "resistance", "filter", "wetting", "highest_voltage", "both_polarities")
_NEEDED = ("on", "off", "resistance")


@dataclass(frozen=True, slots=True)
class Reading:
    """The values that an input reads by, SI units; 0 V of wetting or highest voltage: not stated."""

    on_v: float
    off_v: float
    resistance_ohm: float
    filter_s: float
    wetting_v: float
    highest_v: float
    both_polarities: bool


def reading_of(own: InputChannelShape, board: InputShape) -> Reading:
    """The values of one input. They are complete after `check_thresholds` found nothing."""
    values = {key: _value(own, board, key) or 0.0 for key in _KEYS}
    return Reading(
        on_v=values["on"],
        off_v=values["off"],
        resistance_ohm=values["resistance"],
        filter_s=values["filter"],
        wetting_v=values["wetting"],
        highest_v=values["highest_voltage"],
        both_polarities=bool(values["both_polarities"]),
    )


def _value(own: InputShape, board: InputShape, key: str) -> float | None:
    value = getattr(own, key)
    return getattr(board, key) if value is None else value  # type: ignore[no-any-return]


def check_thresholds(shape: BenchShape, problems: Problems) -> None:
    """Add inputs without thresholds, and thresholds that cannot work, to `problems`."""
    for name, board in shape.boards.items():
        _check_order(("boards", name, "input"), board.input, InputShape(), problems)
    for name, own in shape.inputs.items():
        if own.board not in shape.boards:
            continue
        defaults = shape.boards[own.board].input
        for key in _NEEDED:
            if _value(own, defaults, key) is None:
                text = f"{key!r} is missing in {name}; give it here or under 'input' of board {own.board}"
                problems.add(("inputs", name), text, key=True)
        if any(getattr(own, key) is not None for key in _KEYS):
            _check_order(("inputs", name), own, defaults, problems)


def _check_order(path: KeyPath, own: InputShape, board: InputShape, problems: Problems) -> None:
    """Off < on < wetting and highest voltage; the problem stands at the value written nearest."""
    on = _value(own, board, "on")
    if on is None:
        return
    for low, high, text in _wrong_orders(own, board, on):
        key = low if getattr(own, low) is not None else high
        problems.add((*path, key.replace("_", " ")), text)


def _wrong_orders(own: InputShape, board: InputShape, on: float) -> Iterator[tuple[str, str, str]]:
    off = _value(own, board, "off")
    if off is not None and off >= on:
        yield (
            "off",
            "on",
            f"off threshold {show(off, VOLTAGE)} is not below the on threshold {show(on, VOLTAGE)}",
        )
    for key in ("wetting", "highest_voltage"):
        limit = _value(own, board, key)
        if limit is not None and on >= limit:
            what = key.replace("_", " ")
            text = f"on threshold {show(on, VOLTAGE)} is not below the {what} {show(limit, VOLTAGE)}"
            yield "on", key, f"{text}; the input could never read on"
