"""Are two boards of a bench file one and the same: at one address, with channels that overlap?

Each would command the outputs without knowing of the other, and the first fault would look like a restart.
"""

from __future__ import annotations

from itertools import combinations

from harness.bench.file_shape import BenchShape, BoardShape
from harness.models import Problems

_DEFAULTS = {"modbus-tcp": {"port": "502"}}
_BY_UNIT = ("modbus-tcp", "modbus-rtu")


def check_shared(shape: BenchShape, problems: Problems) -> None:
    """Add boards that are one board under two names to `problems`."""
    for (first, one), (name, other) in combinations(shape.boards.items(), 2):
        if _address(one) is None or _address(one) != _address(other):
            continue
        for side in ("output", "input"):
            ours, theirs = _channels(one, side), _channels(other, side)
            if max(ours.start, theirs.start) < min(ours.stop, theirs.stop):
                text = f"board {name} has {side}s of board {first}: both are at one address; "
                text += f"describe it as one board, or set another host, port, unit or 'first {side}'"
                problems.add(("boards", name), text, key=True)
                break


def _address(board: BoardShape) -> tuple[object, ...] | None:
    """What tells a board from others of its driver; None where the file does not say where it is.

    A Modbus unit has a number. Boards of other drivers on one line differ in what is said to them.
    """
    settings = _DEFAULTS.get(board.driver, {}) | board.settings
    if not ("host" in settings or "port" in settings):
        return None
    if board.driver not in _BY_UNIT:
        return board.driver, tuple(sorted(settings.items()))
    host, port = settings.get("host", "").strip().lower(), _plain(settings.get("port", ""))
    return board.driver, host, port, _plain(settings.get("unit", "1"))


def _plain(text: str) -> str:
    """A number without leading zeros; any other text as it is."""
    return str(int(text)) if text.strip().isdecimal() else text.strip()


def _channels(board: BoardShape, side: str) -> range:
    first = board.settings.get(f"first {side}", "0").strip()
    start = int(first) if first.isdecimal() else 0
    return range(start, start + (board.outputs if side == "output" else board.inputs))
