"""What the bench's own pace makes of a verdict: a slow bench chooses no times, a blind one proves nothing."""

from __future__ import annotations

import random
from typing import Any

import pytest
from bench_trials import REST, Trial, bench

from drivers.rig import SimulatedRig
from drivers.simulated import SimulatedBoard
from harness.bench.board import Sample
from harness.errors import BoardTimeout
from harness.measure.reading import Verdict
from harness.run.events import StepEnded
from harness.sequence.steps import SetStep, TimeStep

MS = 1_000_000
LIMIT_MS = 100.0
LAMP = TimeStep(
    title="start button to lamp",
    start=REST | {"S0": "pressed"},
    end=REST | {"S1": "pressed"},
    of="P1",
    to=True,
    repeats=5,
    at_least_s=None,
    at_most_s=LIMIT_MS / 1e3,
    settle_s=0.4,
    beyond_s=0.3,
)


class SlowBoard(SimulatedBoard):
    """14 ms a transaction, as 8 inputs and 8 outputs take at 9600 baud."""

    def _pass(self) -> None:
        self.clock.sleep_until(self.clock.now_ns() + 7 * MS)


def lamp_late(rig: SimulatedRig, true_ms: list[float], seed: int) -> None:
    """The lamp's input comes on 62 to 112 ms after the start button's output, each time anew."""
    draw, due = random.Random(seed), [0]
    write, read = rig.write, rig.read

    def noted(board: str, image: int) -> None:
        before = rig.outputs(board)
        write(board, image)
        if board == "IO1" and image & 0x84 == 0x84 and not before & 0x4:
            true_ms.append(draw.uniform(62, 112))
            due[0] = rig.clock.now_ns() + round(true_ms[-1] * MS)

    def late(board: str) -> int:
        on = board == "IO1" and rig.outputs("IO1") & 0x84 == 0x84 and rig.clock.now_ns() >= due[0] > 0
        return read(board) & ~0x2 | (0x2 if on else 0)

    rig.write, rig.read = noted, late  # type: ignore[method-assign]


def test_a_slow_bench_never_passes_a_panel_that_was_over_the_limit() -> None:
    """Were its times void whenever they straddle the limit, the shortest of four would be kept."""
    verdicts = []
    for seed in range(20):
        true_ms: list[float] = []

        def meddle(rig: SimulatedRig, true_ms: list[float] = true_ms, seed: int = seed) -> None:
            lamp_late(rig, true_ms, seed)

        trial = Trial(bench(poll_s=0.0), meddle=meddle, board_class=SlowBoard)
        result = trial.run(LAMP)
        verdicts.append(result.verdict)
        assert len(true_ms) == LAMP.repeats, "a time was taken again"
        if max(true_ms) > LIMIT_MS:
            assert result.verdict is not Verdict.PASS
    assert Verdict.INCONCLUSIVE in verdicts


class DeafBoard(SimulatedBoard):
    """Once, from the given read on, deaf for 0.9 s of clock; the retry after it is answered."""

    deaf_at = 0
    reads = 0

    def _do_read(self, timeout_s: float) -> Sample:
        self.reads += 1
        if self.name == "IO1" and self.reads == self.deaf_at:
            self.clock.sleep_until(self.clock.now_ns() + 900 * MS)
            raise BoardTimeout("board IO1: no answer")
        return super()._do_read(timeout_s)


@pytest.mark.parametrize(
    ("deaf_at", "verdict"),
    [(0, Verdict.PASS), (60, Verdict.INCONCLUSIVE), (300, Verdict.INCONCLUSIVE)],
    ids=["never deaf", "deaf early", "deaf late"],
)
def test_what_was_not_seen_for_longer_than_it_has_to_stay_is_not_proved(
    deaf_at: int, verdict: Verdict, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(DeafBoard, "deaf_at", deaf_at)
    trial = Trial(bench(retries=2), board_class=DeafBoard)
    result = trial.run()
    assert result.verdict is verdict, result.steps
    blind = [event for event in ended(trial) if "nothing was seen" in event.note]
    assert len(blind) == (verdict is Verdict.INCONCLUSIVE)
    assert all(event.verdict is Verdict.INCONCLUSIVE for event in blind)


def ended(trial: Trial) -> list[Any]:
    return trial.of_kind(StepEnded)


def test_a_fail_stays_a_fail_though_the_bench_was_blind(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(DeafBoard, "deaf_at", 20)
    lamp_on = SetStep(title="wrong", positions=REST, states={"P1": True}, settle_s=0.1, hold_s=0.05)
    assert Trial(bench(retries=2), board_class=DeafBoard).run(lamp_on).verdict is Verdict.FAIL
