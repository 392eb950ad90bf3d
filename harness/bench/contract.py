"""The contract suite: puts any board through what `harness.bench.board` promises, and says what it breaks.

Shipped, so that the author of a driver runs it too, in process, over a wire or on a real board with nothing
connected to its outputs: IT MOVES EVERY OUTPUT. `check_board(lambda: MyBoard(spec, clock))` returns the
promises that were broken; an empty list is a pass. A board that cannot read its outputs back is checked for
what shows without that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from math import inf, nan

from harness.bench.board import Board, Identity, Sample, Stamp
from harness.errors import BenchError, BoardClosed

MakeBoard = Callable[[], Board]
Check = Callable[[Board, MakeBoard], Iterator[str]]
_BAD_TIMEOUTS = (0.0, -1.0, nan, inf)
_CALLS: dict[str, Callable[[Board], object]] = {
    "identify": lambda board: board.identify(),
    "write": lambda board: board.write({}),
    "read": lambda board: board.read(),
    "read_back": lambda board: board.read_back(),
    "make_safe": lambda board: board.make_safe(),
}
_TIMED_CALLS: dict[str, Callable[[Board, float], object]] = {
    "identify": lambda board, limit_s: board.identify(limit_s),
    "write": lambda board, limit_s: board.write({}, limit_s),
    "read": lambda board, limit_s: board.read(limit_s),
    "read_back": lambda board, limit_s: board.read_back(limit_s),
    "make_safe": lambda board, limit_s: board.make_safe(limit_s),
}
_STAMPED: dict[str, Callable[[Board], Stamp | Sample]] = {
    "write": lambda board: board.write({}),
    "read": lambda board: board.read(),
    "make_safe": lambda board: board.make_safe(),
}


def check_board(make_board: MakeBoard) -> list[str]:
    """Every promise that the board breaks, one line each. `make_board` gives a new, closed board each time.

    A BenchError out of a check is a broken promise too: the board must be there and answer.
    """
    return [line for check in _CHECKS for line in _run(check, make_board)]


def _run(check: Check, make_board: MakeBoard) -> list[str]:
    broken: list[str] = []
    board = make_board()
    try:
        with closing(board):
            broken += check(board, make_board)
    except Exception as error:  # whatever it is, a driver must not let it out
        kind = "" if isinstance(error, BenchError) else f"{type(error).__name__}, not a BenchError: "
        broken.append(f"{check.__name__.strip('_').replace('_', ' ')}: {kind}{error}")
    return broken


def _closed_before_open(board: Board, _again: MakeBoard) -> Iterator[str]:
    yield from (f"{name} before open does not raise BoardClosed" for name in _works_while_closed(board))


def _opens_without_moving(board: Board, _again: MakeBoard) -> Iterator[str]:
    board.open()
    if board.read_back() not in (None, board.spec.safe_image):
        yield "open leaves outputs not safe, although the board was made safe before"
    if board.outputs != board.spec.safe_image:
        yield "open leaves the output image not the safe one"
    board.write(_all(board, on=True))
    board.open()
    if board.outputs != _full(board) or board.read_back() not in (None, _full(board)):
        yield "open of an open board moves outputs"


def _identifies_itself(board: Board, _again: MakeBoard) -> Iterator[str]:
    board.open()
    identity = board.identify()
    if not isinstance(identity, Identity):
        yield "identify does not return an Identity"
    elif identity != board.identify():
        yield "identify says something else the second time"


def _writes_each_output(board: Board, _again: MakeBoard) -> Iterator[str]:
    board.open()
    board.write(_all(board, on=False))
    for channel in range(board.spec.output_count):
        board.write({channel: True})
        yield from _differs(board, 1 << channel, f"output {channel} written on")
        board.write({channel: False})
        yield from _differs(board, 0, f"output {channel} written off")


def _merges_writes(board: Board, _again: MakeBoard) -> Iterator[str]:
    board.open()
    board.write(_all(board, on=False))
    wanted = 0
    for channel in range(board.spec.output_count):
        wanted |= 1 << channel
        board.write({channel: True})
    yield from _differs(board, wanted, "outputs written on one by one")
    board.write({})
    yield from _differs(board, wanted, "an empty write")
    for channel in range(board.spec.output_count):
        wanted &= ~(1 << channel)
        board.write({channel: False})
        yield from _differs(board, wanted, f"output {channel} written off among others that are on")
    board.write(_all(board, on=True))
    board.write(_all(board, on=False))
    yield from _differs(board, 0, "all outputs written off at once")


def _refuses_unknown_channels(board: Board, _again: MakeBoard) -> Iterator[str]:
    board.open()
    for channel in (board.spec.output_count, -1):
        try:
            board.write(_all(board, on=True) | {channel: True})
        except ValueError:
            yield from _differs(board, board.spec.safe_image, f"a write refused for output {channel}")
        else:
            yield f"write of output {channel} does not raise ValueError"
            board.make_safe()


def _refuses_bad_timeouts(board: Board, _again: MakeBoard) -> Iterator[str]:
    board.open()
    for name, call in _TIMED_CALLS.items():
        for limit_s in _BAD_TIMEOUTS:
            try:
                call(board, limit_s)
            except ValueError:
                continue
            yield f"{name} with time-out {limit_s} does not raise ValueError"


def _stamps_in_order(board: Board, _again: MakeBoard) -> Iterator[str]:
    board.open()
    last_ns = board.clock.now_ns()
    for name, call in (*_STAMPED.items(), *_STAMPED.items()):
        stamp = call(board)
        now_ns = board.clock.now_ns()
        if not last_ns <= stamp.sent_ns <= stamp.received_ns <= now_ns:
            yield f"{name} is stamped {stamp.sent_ns} to {stamp.received_ns}, done from {last_ns} to {now_ns}"
        last_ns = now_ns


def _samples_fit(board: Board, _again: MakeBoard) -> Iterator[str]:
    board.open()
    for image in (_all(board, on=False), _all(board, on=True)):
        board.write(image)
        bits = board.read().bits
        if not 0 <= bits < 1 << board.spec.input_count:
            yield f"a sample {bits:#x} does not fit {board.spec.input_count} inputs"


def _makes_safe(board: Board, _again: MakeBoard) -> Iterator[str]:
    board.open()
    board.write(_all(board, on=True))
    yield from _differs(board, _full(board), "all outputs written on at once")
    board.make_safe()
    yield from _differs(board, board.spec.safe_image, "make_safe")


def _closes_safe_and_twice(board: Board, again: MakeBoard) -> Iterator[str]:
    board.open()
    board.write(_all(board, on=True))
    board.close()
    board.close()
    yield from (f"{name} after close does not raise BoardClosed" for name in _works_while_closed(board))
    with again() as second:
        if second.read_back() not in (None, board.spec.safe_image):
            yield "close leaves outputs not safe"
        second.write(_all(second, on=True))
    with again() as third:
        if third.read_back() not in (None, board.spec.safe_image):
            yield "the end of a with block leaves outputs not safe"


def _opens_again(board: Board, _again: MakeBoard) -> Iterator[str]:
    with board:
        board.write(_all(board, on=True))
    with board:
        yield from _differs(board, board.spec.safe_image, "open after close")


def _differs(board: Board, wanted: int, after: str) -> Iterator[str]:
    if board.outputs != wanted:
        yield f"after {after} the output image is {board.outputs:#x}, not {wanted:#x}"
    read = board.read_back()
    if read not in (None, wanted):
        yield f"after {after} the board reads back {read:#x}, not {wanted:#x}"


def _works_while_closed(board: Board) -> Iterator[str]:
    for name, call in _CALLS.items():
        try:
            call(board)
        except BoardClosed:
            continue
        yield name


def _all(board: Board, *, on: bool) -> dict[int, bool]:
    return dict.fromkeys(range(board.spec.output_count), on)


def _full(board: Board) -> int:
    return (1 << board.spec.output_count) - 1


_CHECKS: tuple[Check, ...] = (
    _closed_before_open,
    _opens_without_moving,
    _identifies_itself,
    _writes_each_output,
    _merges_writes,
    _refuses_unknown_channels,
    _refuses_bad_timeouts,
    _stamps_in_order,
    _samples_fit,
    _makes_safe,
    _closes_safe_and_twice,
    _opens_again,
)
