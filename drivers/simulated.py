"""Simulated boards in this process, over one simulated panel: for runs on a virtual clock.

Each transaction takes 0.2 to 0.6 ms of the clock, 0.4 ms on average, in two parts drawn anew each time: a
poll that takes ever the same time would lock to the panel's own events and always miss them by the same
amount. Not modelled: lost, late or garbled answers, and boards that fail (tests have servers for that).
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Literal

from drivers.rig import SimulatedRig
from harness.bench.board import Board, Identity, Sample, Stamp
from harness.bench.parts import Bench, BoardSpec
from harness.clock import NS, Clock
from harness.errors import BenchError, BoardRefused
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

    def _do_read_registers(
        self,
        table: Literal["holding", "input"],
        address: int,
        count: int,
        timeout_s: float,  # noqa: ARG002
    ) -> tuple[int, ...]:
        self._pass()
        try:
            values = self._panel.read_registers(self.name, table, address, count)
        except LookupError as error:
            raise self._no_register(table, address) from error
        self._pass()
        return values

    def _do_write_registers(self, address: int, values: Sequence[int], timeout_s: float) -> Stamp:  # noqa: ARG002
        sent_ns = self.clock.now_ns()
        self._pass()
        try:
            self._panel.write_registers(self.name, address, values)
        except LookupError as error:
            raise self._no_register("holding", address) from error
        self._pass()
        return Stamp(sent_ns, self.clock.now_ns())

    def _do_arm_watchdog(self, timeout_s: float) -> float:
        wanted, watchdog = self.spec.watchdog, self._panel.watchdogs.get(self.name)
        if wanted is None or watchdog is None:
            raise self._lacks("watchdog")
        if watchdog.clear_register is not None:
            self._do_write_registers(watchdog.clear_register, [watchdog.clear_value], timeout_s)
        counts = max(1, round(wanted.time_out_s * NS) // watchdog.count_ns)
        self._do_write_registers(watchdog.register, [counts], timeout_s)
        armed = self._do_read_registers("holding", watchdog.register, 1, timeout_s)[0]
        return armed * watchdog.count_ns / NS

    def watchdog_time_out(self) -> float:
        """As the board is armed now, s."""
        watchdog = self._panel.watchdogs.get(self.name)
        if watchdog is None:
            raise self._lacks("watchdog")
        self._pass()
        return watchdog.counts * watchdog.count_ns / NS

    def _do_feed_watchdog(self, timeout_s: float) -> None:
        watchdog = self._panel.watchdogs.get(self.name)
        if watchdog is not None and watchdog.feed_register is not None:
            self._do_write_registers(watchdog.feed_register, [1], timeout_s)

    def _no_register(self, table: str, address: int) -> BoardRefused:
        return BoardRefused(f"board {self.name}: it has no {table} register at {address}", code=2)

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
