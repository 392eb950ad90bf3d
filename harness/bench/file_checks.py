"""Does a bench file fit together: boards, channels, who is on which, every problem with its place."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Set
from dataclasses import dataclass

from harness.bench.file_measures import check_measures
from harness.bench.file_safe_state import check_safe_states
from harness.bench.file_shape import BenchShape
from harness.bench.file_shared import check_shared
from harness.bench.file_thresholds import check_thresholds
from harness.bench.hands import HAND
from harness.bench.registry import check_settings, known_drivers, moves_at_once
from harness.models import Problems
from harness.source import KeyPath
from harness.wording import listed, quoted


def check_bench(shape: BenchShape, problems: Problems, broken: Set[str] = frozenset()) -> None:
    """Add everything that does not fit together to `problems`; naming a `broken` board is no fault."""
    _check_boards(shape, problems)
    _check_channels(shape, problems, broken)
    _check_terminals(shape, problems)
    _check_imitated(shape, problems)
    check_thresholds(shape, problems)
    check_safe_states(shape, problems)
    check_measures(shape, problems, broken)
    check_shared(shape, problems)
    _check_hand(shape, problems)
    if shape.supply.contactor is not None and shape.supply.contactor.inverted:
        text = "the supply contactor must open when its output goes off; "
        remedy = "take 'inverted' out and use its make contact"
        problems.add(("supply", "contactor", "inverted"), text + remedy)
    _check_forbidden(shape, problems)


def _check_forbidden(shape: BenchShape, problems: Problems) -> None:
    """A combination that must never be needs outputs that change together, with nothing in between."""
    slow = {
        name
        for name, board in shape.boards.items()
        if not moves_at_once(board.driver, board.settings, board.outputs)
    }
    for index, combination in enumerate(shape.forbidden):
        if not combination:
            problems.add(("forbidden", index), "an empty combination; expected positions such as {S3: low}")
        for output in shape.outputs.values():
            tag = output.imitates[0]
            if output.board in slow and tag in combination:
                text = f"{tag} is on board {output.board}, whose outputs move one after the other: "
                remedy = (
                    "between two of them the combination could be there; use a board that writes all at once"
                )
                problems.add(("forbidden", index), text + remedy)
                break


def _check_boards(shape: BenchShape, problems: Problems) -> None:
    drivers = known_drivers()
    for name, board in shape.boards.items():
        path: KeyPath = ("boards", name)
        if board.driver not in drivers:
            hint = problems.hint(board.driver, drivers, lambda: f"; there are {listed(sorted(drivers))}")
            problems.add((*path, "driver"), f"unknown driver {quoted(board.driver)}{hint}")
        else:
            for text in check_settings(board.driver, board.settings):
                problems.add(_setting_place((*path, "settings"), text, board.settings), text)
        if name == HAND:
            problems.add(path, f"the name {HAND} is kept for what a person sets; choose another", key=True)
        if board.outputs == board.inputs == 0:
            problems.add(path, f"board {name} has neither outputs nor inputs; say how many", key=True)


def _setting_place(path: KeyPath, text: str, settings: dict[str, str]) -> KeyPath:
    """Drivers put the key in backticks."""
    named = re.search("`([^`]+)`", text)
    return (*path, named[1]) if named and named[1] in settings else path


@dataclass(frozen=True, slots=True)
class _Use:
    """Something that sits on a channel: where the file says so, what, and which."""

    path: KeyPath
    what: str
    side: str
    board: str
    channel: int


def _uses(shape: BenchShape) -> Iterator[_Use]:
    for name, output in shape.outputs.items():
        yield _Use(("outputs", name), f"output {name}", "output", output.board, output.channel)
    for name, reading in shape.inputs.items():
        yield _Use(("inputs", name), f"input {name}", "input", reading.board, reading.channel)
    if (contactor := shape.supply.contactor) is not None:
        path: KeyPath = ("supply", "contactor")
        yield _Use(path, "the supply contactor", "output", contactor.board, contactor.channel)
    if (present := shape.supply.present) is not None:
        yield _Use(("supply", "present"), "supply present", "input", present.board, present.channel)
    if (stop := shape.emergency_stop) is not None:
        yield _Use(("emergency stop",), "the emergency stop", "input", stop.board, stop.channel)


def _check_channels(shape: BenchShape, problems: Problems, broken: Collection[str]) -> None:
    taken: dict[tuple[str, str, int], _Use] = {}
    for use in _uses(shape):
        board = shape.boards.get(use.board)
        if use.board in broken:
            continue
        if board is None:
            hint = problems.hint(use.board, shape.boards, lambda: f"; boards are {listed(shape.boards)}")
            problems.add((*use.path, "board"), f"no board has the name {use.board}{hint}")
            continue
        count = board.outputs if use.side == "output" else board.inputs
        if use.channel >= count:
            allowed = f"it has 0 to {count - 1}" if count else f"it has no {use.side}s"
            text = f"board {use.board} has no {use.side} {use.channel}; {allowed}"
            problems.add((*use.path, "channel"), text)
        other = taken.setdefault((use.board, use.side, use.channel), use)
        if other is not use:
            line = problems.source.place((*other.path, "channel"))[0]
            text = f"{use.side} {use.channel} of board {use.board} is taken by {other.what} (line {line})"
            problems.add((*use.path, "channel"), text)
    for name in shape.inputs:
        if name in shape.outputs:
            line = problems.source.place(("outputs", name), key=True)[0]
            problems.add(("inputs", name), f"{name} is the name of an output already (line {line})", key=True)


def _check_terminals(shape: BenchShape, problems: Problems) -> None:
    pairs = [(("outputs", name, "terminals"), output.terminals) for name, output in shape.outputs.items()]
    pairs += [(("inputs", name, "terminals"), reading.terminals) for name, reading in shape.inputs.items()]
    for path, terminals in pairs:
        if terminals and terminals[0] == terminals[1]:
            problems.add(path, f"both terminals are {terminals[0]}; expected two different ones")


def _check_imitated(shape: BenchShape, problems: Problems) -> None:
    first: dict[tuple[str, str], str] = {}
    for name, output in shape.outputs.items():
        other = first.setdefault(output.imitates, name)
        if other != name:
            line = problems.source.place(("outputs", other, "imitates"))[0]
            contact = ".".join(output.imitates)
            text = f"{contact} is imitated by output {other} already (line {line}); one output per contact"
            problems.add(("outputs", name, "imitates"), text)


def _check_hand(shape: BenchShape, problems: Problems) -> None:
    driven = {output.imitates[0]: name for name, output in shape.outputs.items()}
    seen: set[str] = set()
    for index, tag in enumerate(shape.hand):
        if tag in seen:
            problems.add(("hand", index), f"{tag} stands in the list twice")
        elif tag in driven:
            text = f"{tag} is imitated by output {driven[tag]}; it cannot be set by hand as well"
            problems.add(("hand", index), text)
        elif tag in shape.supply.set_:
            problems.add(("hand", index), f"{tag} is set by the run (under 'supply'); take it out here")
        seen.add(tag)
