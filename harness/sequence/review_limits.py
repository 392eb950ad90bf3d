"""Review of ratings and times: may the bench carry this panel, and can it tell what the sequence asks.

Current: the largest single load or coil at the highest supply, cold, against the breaking current of each
board that has outputs. Which output feeds which loads is not worked out, so several loads on one contact are
not added up.

Time: a change can be placed in time no better than the stated width of the output delay, plus input age, plus
filter; for stop rows, which are polled at the board's pace, plus that. Transactions come on top and are not
counted, so a limit that is refused here could not be judged on the quickest of buses either.
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.bench.parts import Bench, BoardSpec, InputChannel
from harness.errors import Problem
from harness.panel.parts import Panel
from harness.sequence.files import LoadedSequence
from harness.sequence.steps import StopStep, TimeStep
from harness.source import KeyPath, Source
from harness.units import CURRENT, TIME, VOLTAGE, show


def ratings(loaded: LoadedSequence) -> Iterator[Problem]:
    """The panel's highest supply and largest current against what boards and inputs are rated for."""
    highest_v = max(supply.range_v.high for supply in loaded.panel.supplies)
    driving = {output.board for output in loaded.bench.outputs}
    for board in loaded.bench.boards:
        if board.name in driving:
            yield from _board(board, highest_v, loaded)
    for channel in loaded.bench.inputs:
        if not channel.wetting_v:
            yield from _input(channel, highest_v, loaded)


def _input(channel: InputChannel, highest_v: float, loaded: LoadedSequence) -> Iterator[Problem]:
    """A voltage input; one without a rating is taken on trust only where nothing real is connected."""
    source, seen = loaded.bench_source, f"panel {loaded.panel.tag} has up to {show(highest_v, VOLTAGE)}"
    if not channel.highest_v:
        if not loaded.bench.simulated:
            message = (
                f"{channel.name} states no highest voltage, and {seen}; add 'highest voltage: ...' here, "
            )
            yield source.problem(
                ("inputs", channel.name), message + "or under 'input' of its board", key=True
            )
    elif channel.highest_v < highest_v:
        path = _first_written(
            source,
            ("inputs", channel.name, "highest voltage"),
            ("boards", channel.board, "input", "highest voltage"),
        )
        yield source.problem(path, f"{channel.name} takes {show(channel.highest_v, VOLTAGE)} at most; {seen}")


def _board(board: BoardSpec, highest_v: float, loaded: LoadedSequence) -> Iterator[Problem]:
    path: KeyPath = ("boards", board.name, "ratings")
    source, tag = loaded.bench_source, loaded.panel.tag
    if not board.highest_v or not board.breaking_a:
        if not loaded.bench.simulated:
            message = (
                f"board {board.name} states no ratings, so nothing says that its outputs may switch {tag}; "
                "add 'ratings: {highest voltage: ..., breaking current: ...}'"
            )
            yield source.problem(path[:-1], message, key=True)
        return
    if board.highest_v < highest_v:
        message = f"outputs of {board.name} may switch {show(board.highest_v, VOLTAGE)}; "
        message += f"panel {tag} has up to {show(highest_v, VOLTAGE)}"
        yield source.problem((*path, "highest voltage"), message)
    part, current_a = _largest(loaded.panel, highest_v)
    if board.breaking_a < current_a:
        message = f"outputs of {board.name} may break {show(board.breaking_a, CURRENT)}; "
        message += f"{part} draws {show(current_a, CURRENT, 3)} at {show(highest_v, VOLTAGE)}"
        yield source.problem((*path, "breaking current"), message)


def _largest(panel: Panel, supply_v: float) -> tuple[str, float]:
    """The load or relay that draws the most on its own, and how much (A)."""
    coils = [(load.tag, load.coil) for load in panel.loads]
    coils += [(relay.tag, coil) for relay in panel.relays for coil in relay.coils]
    drawn = [(supply_v / coil.resistance_ohm, tag) for tag, coil in coils if coil.resistance_ohm > 0]
    current_a, tag = max(drawn, default=(0.0, ""))
    return tag, current_a


def resolution_s(bench: Bench, tags: list[str]) -> float:
    """The narrowest bounds of a time from stimulus to a change of `tags`, s; transactions not counted."""
    boards = {board.name: board for board in bench.boards}
    delays = [boards[name].output_delay_s for name in {output.board for output in bench.outputs}]
    width_s = max((d.high for d in delays), default=0.0) - min((d.low for d in delays), default=0.0)
    watching = [channel for channel in bench.inputs if channel.watches in tags]
    return width_s + max((_lag_s(channel, boards[channel.board]) for channel in watching), default=0.0)


def _lag_s(channel: InputChannel, board: BoardSpec) -> float:
    return channel.filter_s + board.input_age_s


def times(loaded: LoadedSequence) -> Iterator[Problem]:
    """Limits that the bench is too coarse for."""
    for step in loaded.sequence.steps:
        if isinstance(step, TimeStep):
            yield from _time(step, loaded)
        elif isinstance(step, StopStep):
            yield from _within(step, loaded)


def _time(step: TimeStep, loaded: LoadedSequence) -> Iterator[Problem]:
    finest_s = resolution_s(loaded.bench, [step.of])
    at_most_s, at_least_s = step.at_most_s, step.at_least_s
    if at_most_s is None:
        return
    path: KeyPath = (*step.path, "time", "at most")
    told = f"bench {loaded.bench.tag} can tell {step.of} to {show(finest_s, TIME)} at best"
    if _shorter(at_most_s, finest_s):
        yield loaded.source.problem(path, f"'at most' {show(at_most_s, TIME)} is too short: {told}")
    elif at_least_s is not None and _shorter(at_most_s - at_least_s, finest_s):
        window = show(at_most_s - at_least_s, TIME)
        yield loaded.source.problem(path, f"limits only {window} apart: {told}, so that no time could pass")


def _within(step: StopStep, loaded: LoadedSequence) -> Iterator[Problem]:
    pace_s = max((board.poll_s for board in loaded.bench.boards), default=0.0)
    finest_s = resolution_s(loaded.bench, list(step.stopped)) + pace_s
    if _shorter(step.within_s, finest_s):
        path = _first_written(
            loaded.source, (*step.path, "stop", "within"), (*step.path, "within"), ("within",), step.path
        )
        told = f"bench {loaded.bench.tag} can tell a stop to {show(finest_s, TIME)} at best"
        yield loaded.source.problem(path, f"'within' {show(step.within_s, TIME)} is too short: {told}")


def _shorter(one_s: float, other_s: float) -> bool:
    """Compared in whole ns: 110 ms less 100 ms is not shorter than 10 ms, whatever binary fractions say."""
    return round(one_s * 1e9) < round(other_s * 1e9)


def _first_written(source: Source, *paths: KeyPath) -> KeyPath:
    return next((path for path in paths if path in source.places), paths[-1])
