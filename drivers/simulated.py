"""Simulated boards in this process, over one simulated panel: for runs on a virtual clock.

Each transaction takes 0.2 to 0.6 ms of the clock, 0.4 ms on average, in two parts drawn anew each time: a
poll that takes ever the same time would lock to the panel's own events and always miss them by the same
amount. Not modelled: lost, late or garbled answers, and boards that fail (tests have servers for that).
"""

from __future__ import annotations

import random
from collections.abc import Sequence

from drivers.rig import SimulatedRig
from harness.bench.board import Board, Identity, Sample, Stamp
from harness.bench.parts import Bench, BoardSpec
from harness.clock import Clock
from harness.errors import BenchError
from harness.panel.parts import Panel

IDENTITY = Identity("panelproof", "SIMULATED BOARD", "1", simulated=True)
_SHORTEST_NS, _SPREAD_NS = 100_000, 200_000  # each way


class SimulatedBoard(Board):
    """One board of a rig. It needs no settings; those of another driver are taken and not used."""

    def __init__(
        self, spec: BoardSpec, clock: Clock, rig: SimulatedRig | None = None, *, seed: int = 0
    ) -> None:
        super().__init__(spec, clock)
        self._rig = rig
        self._phase = random.Random(f"{seed} phase {spec.name}")  # noqa: S311 - repeatable, not secret

    def _do_open(self, timeout_s: float) -> None:  # noqa: ARG002 - nothing to wait for
        if self._rig is None:
            raise BenchError(
                f"board {self.name}: a simulated board has no panel of its own; use `panelproof run`,"
                " or reach one that `panelproof serve` serves"
            )

    def _do_identify(self, timeout_s: float) -> Identity:  # noqa: ARG002
        return IDENTITY

    def _do_write(self, image: int, timeout_s: float) -> Stamp:  # noqa: ARG002
        sent_ns = self.clock.now_ns()
        self._pass()
        self._panel.write(self.name, image)
        self._pass()
        return Stamp(sent_ns, self.clock.now_ns())

    def _do_read(self, timeout_s: float) -> Sample:  # noqa: ARG002
        sent_ns = self.clock.now_ns()
        self._pass()
        bits = self._panel.read(self.name)
        self._pass()
        return Sample(sent_ns, self.clock.now_ns(), bits)

    def _do_read_back(self, timeout_s: float) -> int | None:  # noqa: ARG002
        self._pass()
        image = self._panel.outputs(self.name)
        self._pass()
        return image

    def _do_close(self) -> None:
        pass

    @property
    def _panel(self) -> SimulatedRig:
        assert self._rig is not None
        return self._rig

    def _pass(self) -> None:
        """Let the time of one way pass."""
        self.clock.sleep_until(self.clock.now_ns() + _SHORTEST_NS + int(self._phase.random() * _SPREAD_NS))


def in_process(
    panel: Panel, bench: Bench, clock: Clock, *, seed: int = 0, faults: Sequence[str] = ()
) -> dict[str, Board]:
    """Every board of a bench over one simulated panel, by name, with board `hand` where it is needed.

    Raises BenchError when the bench and the panel do not fit, UsageError for a fault that the panel lacks.
    """
    rig = SimulatedRig(panel, bench, clock, seed=seed, faults=faults)
    return {name: SimulatedBoard(spec, clock, rig, seed=seed) for name, spec in rig.specs.items()}
