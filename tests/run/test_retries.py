"""A run on a line that loses answers now and then: what is counted, what is said, and what it costs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import pytest

from drivers.rig import SimulatedRig
from drivers.simulated import SimulatedBoard
from harness.bench.board import Board, Sample, Stamp
from harness.bench.hands import HAND, hand_channels
from harness.clock import NS, VirtualClock
from harness.demo_files import resolve
from harness.errors import BoardGarbled, BoardTimeout
from harness.measure.reading import Verdict
from harness.run.engine import Engine, Result
from harness.run.events import Event, RunEnded, StepEnded
from harness.run.hands import SimulatedHands, cannot_ask
from harness.run.origin import Origin
from harness.run.rig import Fittings, Rig
from harness.sequence.files import load_sequence

LOADED = load_sequence(resolve("demo:th-s0.sequence.yaml"))
TIMEOUT_S = 0.02


@dataclass
class Trial:
    """The demo with `retries` on every board; `lost` says of the n-th question to board IO1 whether its
    answer is lost (time-out), of a write too: it is carried out, and only the acknowledgement is lost."""

    lost: Callable[[int], bool]
    retries: int = 2
    garbled: bool = False
    events: list[Event] = field(default_factory=list)
    asked: int = 0

    def run(self) -> Result:
        clock, trial = VirtualClock(), self
        boards = tuple(replace(b, retries=self.retries, timeout_s=TIMEOUT_S) for b in LOADED.bench.boards)
        bench = replace(LOADED.bench, boards=boards)

        class Poor(SimulatedBoard):
            def _do_read(self, timeout_s: float) -> Sample:
                sample = super()._do_read(timeout_s)
                self.perhaps_lost(timeout_s)
                return sample

            def _do_write(self, image: int, timeout_s: float) -> Stamp:
                stamp = super()._do_write(image, timeout_s)
                self.perhaps_lost(timeout_s)
                return stamp

            def perhaps_lost(self, timeout_s: float) -> None:
                if self.name != "IO1":
                    return
                trial.asked += 1
                if not trial.lost(trial.asked):
                    return
                if trial.garbled:
                    raise BoardGarbled("board IO1: foreign answer")
                clock.advance(round(timeout_s * NS))
                raise BoardTimeout("board IO1: no answer")

        rig = SimulatedRig(LOADED.panel, bench, clock, seed=3)
        made: dict[str, Board] = {n: Poor(spec, clock, rig, seed=3) for n, spec in rig.specs.items()}
        for board in made.values():
            board.open()
        hands = SimulatedHands(made[HAND], hand_channels(bench.hand_set, LOADED.panel.positions))
        fittings = Fittings(made, clock, self.events.append, cannot_ask, hands)
        return Engine(
            Rig(LOADED.panel, bench, fittings, Origin(0)), LOADED.sequence, seed=3, screen=False
        ).run()

    def ended(self) -> list[StepEnded]:
        return [event for event in self.events if isinstance(event, StepEnded)]


@pytest.mark.parametrize("garbled", [False, True], ids=["lost", "garbled"])
def test_a_line_that_loses_one_answer_in_200_passes_and_says_so(garbled: bool) -> None:
    trial = Trial(lambda n: n % 200 == 0, garbled=garbled)
    result = trial.run()
    assert result.verdict is Verdict.PASS
    lost = trial.asked // 200
    assert lost > 3
    assert result.retries == lost
    (remark,) = result.remarks
    assert remark.startswith(f"boards had to be asked again {lost} times (0.")
    assert "poor" not in remark
    (over,) = [event for event in trial.events if isinstance(event, RunEnded)]
    assert (over.retries, over.remarks) == (lost, result.remarks)
    in_steps = sum(step.retries for step in trial.ended())
    assert 0 < in_steps <= lost


def test_a_good_line_says_nothing() -> None:
    trial = Trial(lambda n: False)
    result = trial.run()
    assert (result.verdict, result.retries, result.remarks) == (Verdict.PASS, 0, ())
    assert {step.retries for step in trial.ended()} == {0}


def test_a_poor_line_is_called_so() -> None:
    result = Trial(lambda n: n % 10 == 0, garbled=True).run()
    assert result.retries > 100
    assert "the line is poor: check its cable" in result.remarks[0]
    assert result.verdict is Verdict.PASS, "a remark, no verdict: every answer that was taken is right"


def test_more_in_a_row_than_allowed_end_the_run() -> None:
    result = Trial(lambda n: 300 <= n < 303).run()
    assert result.verdict is Verdict.ERROR
    assert result.error == "board IO1: no answer (asked 3 times)"
    assert Trial(lambda n: 300 <= n < 302).run().verdict is Verdict.PASS


def test_without_retries_the_first_ends_it() -> None:
    result = Trial(lambda n: n == 300, retries=0).run()
    assert (result.verdict, result.error) == (Verdict.ERROR, "board IO1: no answer")


def test_the_time_without_an_answer_counts_in_the_longest_gap() -> None:
    """Two lost answers of 20 ms each in mid-step: a flicker as long could have been missed, it says so."""
    plain = Trial(lambda n: False)
    plain.run()
    usual_us = max(step.longest_gap_us for step in plain.ended())
    assert usual_us < 20_000
    trial = Trial(lambda n: n in {310, 311})
    assert trial.run().verdict is Verdict.PASS
    (hit,) = [step for step in trial.ended() if step.retries]
    assert hit.retries == 2
    assert 40_000 < hit.longest_gap_us < 40_000 + usual_us + 2_000
    assert hit.missed_below_us > hit.longest_gap_us
    assert all(step.longest_gap_us <= usual_us + 2_000 for step in trial.ended() if step is not hit)


def test_a_write_whose_acknowledgement_is_lost_widens_the_time_it_starts() -> None:
    """Every first write of a pair is repeated; the times of stops hold the ones measured on a good line."""
    good, poor = Trial(lambda n: False), Trial(lambda n: n % 37 == 0)
    assert good.run().verdict is Verdict.PASS
    assert poor.run().verdict in {Verdict.PASS, Verdict.INCONCLUSIVE}
    spans = [
        {
            (step.title, reading.note): (reading.low_us, reading.high_us)
            for step in trial.ended()
            for reading in step.readings
            if reading.quantity == "time" and reading.low_us is not None
        }
        for trial in (good, poor)
    ]
    assert spans[0].keys() >= spans[1].keys()
    assert spans[1]
    for low_us, high_us in spans[1].values():
        assert high_us is not None
        assert low_us is not None
        assert low_us <= 25_000 + 8_000  # K1 drops out in 8 to 25 ms, output contacts move in 2 to 8 ms
        assert high_us >= 8_000
