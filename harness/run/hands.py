"""Setting by hand what no board drives: a person is asked; a simulated bench has a board for it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from harness.bench.board import Board, Stamp
from harness.bench.hands import hand_outputs

Ask = Callable[[str, Callable[[], None]], str]
"""Shows a request to a person; returns `done`, `skipped` or `cannot ask`. While it waits it calls the second
argument again and again, which may raise to end the run."""


def cannot_ask(request: str, meanwhile: Callable[[], None]) -> str:  # noqa: ARG001 - the shape of Ask
    """For runs with nobody at the bench."""
    return "cannot ask"


class NotSet(Exception):
    """A person did not set what was asked for."""


class SimulatedHands:
    """Sets hand-set things of a simulated bench through its board of hands: one output per position."""

    def __init__(self, board: Board, places: Sequence[tuple[str, str]]) -> None:
        self._board = board
        self._places = places

    @property
    def name(self) -> str:
        return self._board.name

    def set(self, positions: Mapping[str, str]) -> tuple[dict[str, bool], Stamp]:
        """All of `positions` in one transaction. Returns what was written, by `TAG position`, and when."""
        states = hand_outputs(self._places, positions)
        stamp = self._board.write(states)
        return {f"{self._places[i][0]} {self._places[i][1]}": on for i, on in states.items()}, stamp
