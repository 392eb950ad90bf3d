"""Do the analogue values of a bench file make sense: which register, one unit, no finer than a count."""

from __future__ import annotations

from collections.abc import Collection, Set
from typing import Literal

from harness.bench.file_amounts import HIGHEST_ADDRESS
from harness.bench.file_shape import BenchShape, LevelShape, MeasureShape
from harness.bench.registry import has_registers, known_drivers
from harness.models import Problems
from harness.source import KeyPath
from harness.wording import listed


def register_of(shape: MeasureShape) -> tuple[Literal["holding", "input"], int]:
    """The table and register of a measure. It has exactly one after `check_measures` found nothing."""
    if shape.input_register is not None:
        return "input", shape.input_register
    return "holding", shape.holding_register or 0


def check_measures(shape: BenchShape, problems: Problems, broken: Set[str]) -> None:
    """Add what is wrong with measures and settable supplies to `problems`."""
    for name, measure in shape.measures.items():
        path: KeyPath = ("measures", name)
        _check_board(path, measure.board, shape, problems, broken)
        _check_register(path, name, measure, problems)
        _check_amounts(path, measure, problems)
    measured = {measure.of for measure in shape.measures.values()}
    if broken & _written(problems):
        measured |= shape.supply.set_.keys()  # by the one whose shape has a fault, for all that is known
    for tag, level in shape.supply.set_.items():
        path = ("supply", "set", tag)
        _check_board(path, level.board, shape, problems, broken)
        _check_level(path, tag, level, measured, problems)
        _check_echo(tag, level, shape, problems)


def _written(problems: Problems) -> set[str]:
    """The names of the measures in the file, whatever their shape."""
    measures = problems.source.data.get("measures") if isinstance(problems.source.data, dict) else None
    return set(measures) if isinstance(measures, dict) else set()


def _check_board(
    path: KeyPath, name: str, shape: BenchShape, problems: Problems, broken: Collection[str]
) -> None:
    board = shape.boards.get(name)
    if name in broken:
        return
    if board is None:
        hint = problems.hint(name, shape.boards, lambda: f"; boards are {listed(shape.boards)}")
        problems.add((*path, "board"), f"no board has the name {name}{hint}")
    elif board.driver in known_drivers() and not has_registers(board.driver):
        problems.add((*path, "board"), f"board {name} has driver {board.driver}, which has no registers")


def _check_register(path: KeyPath, name: str, measure: MeasureShape, problems: Problems) -> None:
    given = [number for number in (measure.input_register, measure.holding_register) if number is not None]
    if len(given) != 1:
        found = "both" if given else "neither"
        text = f"{name} has {found} of 'input register' and 'holding register'; give one of them"
        problems.add(path, text, key=True)
    elif given[0] + measure.words - 1 > HIGHEST_ADDRESS:
        problems.add(path, f"{name} ends beyond register {HIGHEST_ADDRESS}", key=True)


def _check_amounts(path: KeyPath, measure: MeasureShape, problems: Problems) -> None:
    """One unit throughout; half a count at the least, which is what the register's resolution alone costs
    (JCGM 100:2008, F.2.2.1)."""
    unit = measure.scale.unit
    for key in ("offset", "uncertainty"):
        amount = getattr(measure, key)
        if amount is not None and amount.unit != unit:
            problems.add((*path, key), f"{key} is in {amount.unit} and the scale in {unit}; write one unit")
    if measure.uncertainty.unit == unit and measure.uncertainty.value < measure.scale.value / 2:
        text = f"less than half a count; at least {measure.scale.value / 2:g} {unit}, and what the meter adds"
        problems.add((*path, "uncertainty"), text)
    if measure.of is not None and unit != "V":
        problems.add((*path, "of"), f"a supply's level is a voltage, and this measure is in {unit}")


def _check_level(
    path: KeyPath, tag: str, level: LevelShape, measured: Collection[str | None], problems: Problems
) -> None:
    if level.scale.unit != "V":
        problems.add((*path, "scale"), f"found a scale in {level.scale.unit}; a supply's level is a voltage")
    if tag not in measured:
        text = f"nothing measures {tag}; a level that is set has to be read back: add a measure 'of: {tag}'"
        problems.add(path, text, key=True)


def _check_echo(tag: str, level: LevelShape, shape: BenchShape, problems: Problems) -> None:
    """The register that sets a supply says what was asked for, not what came: no measure may read it."""
    for name, measure in shape.measures.items():
        first = measure.holding_register
        if measure.board != level.board or first is None or measure.of is None:
            continue
        if first <= level.register_ < first + measure.words:
            text = f"register {level.register_} of board {level.board} is what sets {tag}; it reads "
            text += "what was asked for, also when the supply ignores it: read what is measured"
            problems.add(("measures", name, "holding register"), text)
