"""A simulated bench put on a wire: which unit each board answers to, and the bench as its client sees it."""

from __future__ import annotations

from dataclasses import replace

from harness.bench.hands import HAND, HAND_UNIT, hand_board_spec
from harness.bench.parts import Bench, BoardSpec, SettingValue
from harness.errors import BenchError
from harness.panel.parts import Panel

WIRED = "modbus-tcp"
_NUMBERED = (WIRED, "modbus-rtu", "modbus-rtu-tcp", "text-line")  # drivers whose setting `unit` counts

WATCHDOG_REGISTER = 65000  # away from those that a bench file measures


def units(bench: Bench) -> dict[str, int]:
    """Board name to Modbus unit: its own `unit` setting, else the lowest unit that is free, from 1.

    Raises BenchError when two boards claim the same unit.
    """
    taken: dict[int, str] = {HAND_UNIT: HAND}
    for board in bench.boards:
        if board.driver in _NUMBERED:
            unit = int(board.settings.get("unit", 1))
            if unit in taken:
                raise BenchError(
                    f"boards {taken[unit]} and {board.name} both answer to unit {unit};"
                    " one server needs a different `unit` for each"
                )
            taken[unit] = board.name
    free = iter(unit for unit in range(1, HAND_UNIT) if unit not in taken)
    names = {name: unit for unit, name in taken.items() if name != HAND}
    return {board.name: names[board.name] if board.name in names else next(free) for board in bench.boards}


def wire_specs(bench: Bench, panel: Panel, host: str, port: int) -> Bench:
    """The bench with every simulated board reached at `host`:`port`, plus board `hand` where it is needed."""
    numbers = units(bench)
    boards = tuple(
        _wired(board, host, port, numbers[board.name]) if board.driver == "simulated" else board
        for board in bench.boards
    )
    if bench.hand_set and boards:
        boards = (*boards, hand_board_spec(bench, panel, _wired(boards[0], host, port, HAND_UNIT)))
    return replace(bench, boards=boards, simulated=True)


def watchdog_settings(board: BoardSpec) -> dict[str, SettingValue]:
    """Where a simulated board's watchdog is on the wire: as its settings say, else at a place of its own."""
    if board.watchdog is None:
        return {}
    own = {key: value for key, value in board.settings.items() if key.startswith("watchdog ")}
    made: dict[str, SettingValue] = {"watchdog register": WATCHDOG_REGISTER, "watchdog count": "1 ms"}
    return made | own


def _wired(board: BoardSpec, host: str, port: int, unit: int) -> BoardSpec:
    settings: dict[str, SettingValue] = {"host": host, "port": port, "unit": unit}
    settings |= {"first output": 0, "first input": 0} | watchdog_settings(board)
    return replace(board, driver=WIRED, settings=settings)
