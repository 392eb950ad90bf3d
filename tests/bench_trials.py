"""Runs of the demo panel TH-S0 in virtual time on benches that a test changes, with boards that misbehave."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from drivers.rig import SimulatedRig
from drivers.simulated import SimulatedBoard
from harness.bench.board import Board
from harness.bench.hands import HAND, hand_channels
from harness.bench.parts import Bench, BoardSpec, Measure
from harness.bench.watchdog_proofs import Proofs
from harness.clock import VirtualClock
from harness.demo_files import resolve
from harness.run.engine import Engine, Result
from harness.run.events import Event
from harness.run.hands import Ask, SimulatedHands, cannot_ask
from harness.run.origin import Origin
from harness.run.rig import Fittings, Rig
from harness.sequence.files import load_sequence
from harness.sequence.steps import Step

LOADED = load_sequence(resolve("demo:th-s0.sequence.yaml"))
REST = LOADED.panel.rest
SUPPLY = LOADED.panel.supplies[0]
Meddle = Callable[[SimulatedRig], None]


def bench(*, measures: tuple[Measure, ...] = (), simulated: bool = True, **board: Any) -> Bench:
    """The demo bench, its board IO1 with `board` changed."""
    first, *others = LOADED.bench.boards
    boards = (replace(first, **board), *others)
    return replace(LOADED.bench, boards=boards, measures=measures, simulated=simulated)


def unseen(made: Bench) -> Bench:
    """A bench without the input that shows the supply, which else is the first to show that it went."""
    return replace(made, supply_present=None)


@dataclass
class Trial:
    """One run. `meddle` changes the simulated rig before it; `board_class` makes IO1."""

    bench: Bench
    meddle: Meddle = lambda _rig: None
    board_class: type[SimulatedBoard] = SimulatedBoard
    ask: Ask = cannot_ask
    with_hands: bool = True
    proofs: Proofs | None = None
    clock: VirtualClock = field(default_factory=VirtualClock)
    events: list[Event] = field(default_factory=list)
    boards: dict[str, Board] = field(default_factory=dict)

    def made(self) -> Rig:
        self.simulation = SimulatedRig(LOADED.panel, self.bench, self.clock, seed=3)
        self.meddle(self.simulation)
        self.boards = {name: self._board(spec) for name, spec in self.simulation.specs.items()}
        for board in self.boards.values():
            board.open()
        places = hand_channels(self.bench.hand_set, LOADED.panel.positions)
        hands = SimulatedHands(self.boards[HAND], places) if self.with_hands else None
        fittings = Fittings(self.boards, self.clock, self.events.append, self.ask, hands, proofs=self.proofs)
        return Rig(LOADED.panel, self.bench, fittings, Origin(0))

    def run(self, *steps: Step) -> Result:
        return self.engine_of(self.made(), *steps).run()

    def engine_of(self, rig: Rig, *steps: Step) -> Engine:
        """The engine for the demo's procedure, or for `steps`."""
        procedure = replace(LOADED.sequence, steps=steps) if steps else LOADED.sequence
        return Engine(rig, procedure, seed=3, screen=False)

    def of_kind(self, kind: type) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]

    def _board(self, spec: BoardSpec) -> Board:
        kind = SimulatedBoard if spec.name == HAND else self.board_class
        return kind(spec, self.clock, self.simulation, seed=3)
