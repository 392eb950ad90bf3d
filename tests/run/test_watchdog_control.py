"""What proves no watchdog: outputs that fall by themselves, boards that look only when asked; losing one."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bench_trials import Trial, bench

from drivers.rig import SimulatedRig
from drivers.simulated import SimulatedBoard
from harness.bench.board import Sample, Stamp
from harness.bench.parts import Watchdog
from harness.errors import BenchUnsafe, BoardTimeout
from harness.measure.reading import Verdict
from harness.run.events import WatchdogProved
from harness.run.watchdogs import make_ready, refuse_changed

WATCHDOG = Watchdog(time_out_s=0.5, proof_output=5)
LOOPED = replace(WATCHDOG, proof_input=5)
MS = 1_000_000
BIT = 1 << 5


def never(rig: SimulatedRig) -> None:
    rig.watchdogs["IO1"].broken = "never"


class Pulse(SimulatedBoard):
    """No watchdog, but output 5 falls by itself `after_ms` after it was switched on."""

    after_ms = 400
    on_since_ns: int | None = None

    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        stamp = super()._do_write(image, timeout_s)
        self.on_since_ns = self.clock.now_ns() if image & BIT else None
        return stamp

    def _do_read_back(self, timeout_s: float) -> int | None:
        if self.on_since_ns is not None and self.clock.now_ns() - self.on_since_ns > self.after_ms * MS:
            self._panel.write(self.name, self._panel.outputs(self.name) & ~BIT)
        return super()._do_read_back(timeout_s)


class LongPulse(Pulse):
    """Longer than the fed part alone: it would fall in the silence were it not switched on anew for that."""

    after_ms = 900


@pytest.mark.parametrize(
    ("kind", "error"),
    [(Pulse, "output 5 went off by itself within 4"), (LongPulse, "its watchdog did not switch off")],
)
def test_an_output_that_falls_by_itself_proves_nothing(kind: type[SimulatedBoard], error: str) -> None:
    trial = Trial(bench(watchdog=WATCHDOG), never, board_class=kind)
    result = trial.run()
    assert result.verdict is Verdict.ERROR
    assert error in result.error
    assert trial.of_kind(WatchdogProved) == []


class Lazy(SimulatedBoard):
    """It looks at its watchdog only when a request comes; its relay drops 5 ms after that."""

    reads_back = True
    last_ns = 0
    off_ns = 0

    def _wake(self) -> None:
        now_ns = self.clock.now_ns()
        if self.last_ns and now_ns - self.last_ns > 500 * MS:
            self._panel.write(self.name, 0)
            self.off_ns = now_ns + 5 * MS
        self.last_ns = now_ns

    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        self._wake()
        return super()._do_write(image, timeout_s)

    def _do_read_back(self, timeout_s: float) -> int | None:
        self._wake()
        return super()._do_read_back(timeout_s) if self.reads_back else None

    def _do_read(self, timeout_s: float) -> Sample:
        self._wake()
        on = self._panel.outputs(self.name) & BIT or self.clock.now_ns() < self.off_ns
        sample = super()._do_read(timeout_s)
        return sample._replace(bits=sample.bits & ~BIT | (BIT if on else 0))


class LazyAndMute(Lazy):
    reads_back = False


@pytest.mark.parametrize("kind", [Lazy, LazyAndMute])
def test_a_board_that_looks_only_when_asked_is_told_by_its_proof_input(kind: type[SimulatedBoard]) -> None:
    trial = Trial(bench(watchdog=LOOPED), never, board_class=kind)
    result = trial.run()
    assert result.verdict is Verdict.ERROR
    assert "its watchdog did not switch off" in result.error


class LosesFirst(Lazy):
    """Its first answer after a silence is lost; the relay has dropped when it is asked again."""

    def _do_read(self, timeout_s: float) -> Sample:
        if self.last_ns and self.clock.now_ns() - self.last_ns > 500 * MS:
            self._wake()
            self.clock.sleep_until(self.clock.now_ns() + 100 * MS)
            raise BoardTimeout("no answer")
        return super()._do_read(timeout_s)


def test_a_board_that_had_to_be_asked_again_after_the_silence_proves_nothing() -> None:
    made = bench(watchdog=LOOPED)
    made = replace(made, boards=tuple(replace(spec, retries=2) for spec in made.boards))
    result = Trial(made, never, board_class=LosesFirst).run()
    assert result.verdict is Verdict.ERROR
    assert "had to be asked again after the silence" in result.error


def test_a_board_that_lost_its_watchdog_while_its_outputs_were_safe_is_noticed() -> None:
    trial = Trial(bench(watchdog=WATCHDOG))
    rig = trial.made()
    board = rig.fittings.boards["IO1"]
    with board:
        refuse_changed(board)  # not armed yet: nothing to lose
        make_ready(rig)
        refuse_changed(board)
        trial.simulation.watchdogs["IO1"].counts = 0
        with pytest.raises(BenchUnsafe, match="IO1: lost its watchdog: it restarted"):
            refuse_changed(board)
