"""Looking at an open bench over and over: all inputs each time, the rest in turns so that none is slow."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.bench.parts import Measure
from harness.clock import NS
from harness.errors import BoardRefused
from harness.run.measures import value_of
from harness.run.rig import Rig
from harness.run.watchdogs import refuse_changed

LEAST_NS = NS // 100
TURN_NS = NS // 10


@dataclass(frozen=True, slots=True)
class Seen:
    """One look at the bench. `word`: all inputs; `commanded`, `read_back` by board, None where it cannot.

    `values`: measures by name; None where one could not be read.
    """

    word: int
    commanded: Mapping[str, int]
    read_back: Mapping[str, int | None]
    values: Mapping[str, float | None] = field(default_factory=dict)


class Looking:
    """Looks at the bench of a rig. One board is read back, or one measure read, every tenth of a second."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._boards = {spec.name: rig.fittings.boards[spec.name] for spec in rig.bench.boards}
        self._read_back: dict[str, int | None] = {}
        self._values: dict[str, float | None] = {}
        self._turns: list[str | Measure] = [*self._boards, *rig.bench.measures]
        self._turn = 0
        self._next_ns = 0

    def all(self) -> Seen:
        """A look at everything there is. Raises BenchError."""
        for _ in self._turns:
            self._take_turn()
        return self.look()

    def look(self) -> Seen:
        """A look, not sooner than the poll period after the one before. Raises BenchError."""
        clock, sampler = self._rig.fittings.clock, self._rig.sampler
        if sampler.last is not None:
            clock.sleep_until(sampler.last.sent_ns + LEAST_NS)
        shot = sampler.paced()
        if shot.received_ns >= self._next_ns:
            self._next_ns = shot.received_ns + TURN_NS
            self._take_turn()
        commanded = {name: board.outputs for name, board in self._boards.items()}
        return Seen(shot.word, commanded, dict(self._read_back), dict(self._values))

    def _take_turn(self) -> None:
        """Outputs that are not as commanded end it: a board restarted, or somebody else writes to it."""
        what = self._turns[self._turn]
        self._turn = (self._turn + 1) % len(self._turns)
        if isinstance(what, Measure):
            self._measure(what)
            return
        board = self._boards[what]
        refuse_changed(board)
        self._read_back[what] = board.read_back() if board.spec.output_count else 0

    def _measure(self, measure: Measure) -> None:
        board = self._rig.fittings.boards[measure.board]
        try:
            words = board.read_registers(measure.table, measure.register, measure.words)
            self._values[measure.name] = value_of(measure, words)
        except BoardRefused:
            self._values[measure.name] = None
