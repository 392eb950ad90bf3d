"""The computer's own clocks during a run: sleep ends it, a stepped wall clock is a remark and no more."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import pytest

from drivers.simulated import in_process
from harness.bench.board import Board, Sample
from harness.bench.hands import HAND, hand_channels
from harness.clock import NS, RealClock, VirtualClock
from harness.demo_files import resolve
from harness.errors import BoardTimeout
from harness.measure.reading import Verdict
from harness.run.clock_watch import BUSY_NS, LOOK_EVERY_NS, ClockWatch, ComputerSlept
from harness.run.engine import Engine, Result
from harness.run.events import Broken, ClockStepped, Event, MadeSafe, RunEnded, StepEnded
from harness.run.hands import SimulatedHands, cannot_ask
from harness.run.origin import Origin
from harness.run.rig import Fittings, Rig
from harness.sequence.files import load_sequence

LOADED = load_sequence(resolve("demo:th-s0.sequence.yaml"))
ROUND_NS = NS


def watch(clock: VirtualClock) -> tuple[ClockWatch, list[int]]:
    steps: list[int] = []
    made = ClockWatch(clock, ROUND_NS, lambda by_ns, _text: steps.append(by_ns))
    made.look()
    return made, steps


@pytest.mark.parametrize("away_ns", [0, LOOK_EVERY_NS, ROUND_NS + BUSY_NS])
def test_ordinary_waits_are_nothing(away_ns: int) -> None:
    clock = VirtualClock()
    made, steps = watch(clock)
    clock.advance(away_ns)
    assert made.look() == clock.now_ns() + LOOK_EVERY_NS
    assert (steps, made.remarks) == ([], [])


@pytest.mark.parametrize(
    ("slept_s", "said"), [(0.5, "0.5 s"), (9.94, "9.9 s"), (42, "42 s"), (30_000, "30000 s")]
)
def test_sleep_that_the_monotonic_clock_does_not_count(slept_s: float, said: str) -> None:
    clock = VirtualClock()
    made, steps = watch(clock)
    clock.suspend(round(slept_s * NS))
    with pytest.raises(
        ComputerSlept, match=rf"^the computer slept for {said} during the run; switch sleep off"
    ):
        made.look()
    assert steps == [], "the wall clock went on with the sleep; nobody set it"


def test_a_blink_is_no_sleep() -> None:
    clock = VirtualClock()
    made, steps = watch(clock)
    clock.suspend(NS // 2 - 1)
    made.look()
    assert steps == []


def test_sleep_that_the_monotonic_clock_counts_shows_as_a_gap() -> None:
    """As on a system whose performance counter goes on during sleep, and for a program that was stopped."""
    clock = VirtualClock()
    made, _ = watch(clock)
    clock.advance(ROUND_NS + BUSY_NS + 1)
    with pytest.raises(ComputerSlept, match=r"slept for 6\.0 s during the run, or this program was stopped"):
        made.look()


@pytest.mark.parametrize(
    ("by_s", "said"), [(3600, "+3600 s"), (-3600, "-3600 s"), (0.5, "+0.5 s"), (-86_400, "-86400 s")]
)
def test_a_step_of_the_wall_clock_is_told_once(by_s: float, said: str) -> None:
    clock = VirtualClock()
    made, steps = watch(clock)
    clock.advance(NS // 10)
    clock.step_wall(round(by_s * NS))
    made.look()
    clock.advance(NS // 10)
    made.look()
    assert steps == [round(by_s * NS)]
    (remark,) = made.remarks
    assert remark.startswith(f"the computer's clock was stepped by {said} during the run;")


class Delayed(VirtualClock):
    """The program is kept waiting for a second between reading one clock and the other, `delays` times."""

    delays = 0

    def slept_ns(self) -> int:
        before_ns = super().slept_ns()
        if self.delays:
            self.delays -= 1
            self.advance(NS)
            return before_ns - NS  # the clock that counts sleep was read a second before the other
        return before_ns


@pytest.mark.parametrize("delays", [1, 2, 3, 4, 5])
def test_being_kept_waiting_between_two_clocks_is_neither_sleep_nor_step(delays: int) -> None:
    clock = Delayed()
    made, steps = watch(clock)
    clock.delays = delays
    for _ in range(10):
        clock.advance(LOOK_EVERY_NS)
        made.look()
    assert (steps, made.remarks, clock.delays) == ([], [], 0)


def test_a_clock_that_is_slewed_is_no_step() -> None:
    """500 ppm, the fastest that adjtimex(2) slews, for an hour: 1.8 s in all, never 0.5 s between looks."""
    clock = VirtualClock()
    made, steps = watch(clock)
    for _ in range(3600):
        clock.advance(NS)
        clock.step_wall(500_000)
        made.look()
    assert (steps, made.remarks) == ([], [])


def test_the_real_clock_says_that_it_does_not_sleep_now() -> None:
    """The steadiest of ten, because a busy machine may keep this test waiting between two readings."""
    clock = RealClock()
    apart_ns = []
    for _ in range(10):
        before = clock.slept_ns()
        time.sleep(0.01)
        apart_ns.append(abs(clock.slept_ns() - before))
    assert min(apart_ns) < 5_000_000


def test_a_system_that_does_not_say_never_slept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(time, "CLOCK_BOOTTIME", raising=False)
    assert RealClock().slept_ns() == 0


@dataclass
class Trial:
    """The demo in virtual time; `at_poll` happens as board IO1 is read for the 100th time."""

    at_poll: Callable[[VirtualClock], None]
    events: list[Event] = field(default_factory=list)
    boards: dict[str, Board] = field(default_factory=dict)

    def run(self, nth: int = 100) -> Result:
        clock = VirtualClock()
        self.boards = in_process(LOADED.panel, LOADED.bench, clock, seed=3)
        for board in self.boards.values():
            board.open()
        read, count = self.boards["IO1"].read, iter(range(1, 1_000_000))

        def meddled(timeout_s: float | None = None) -> Sample:
            if next(count) == nth:
                self.at_poll(clock)
            return read(timeout_s)

        self.boards["IO1"].read = meddled  # type: ignore[method-assign]
        hands = SimulatedHands(
            self.boards[HAND], hand_channels(LOADED.bench.hand_set, LOADED.panel.positions)
        )
        fittings = Fittings(self.boards, clock, self.events.append, cannot_ask, hands)
        rig = Rig(LOADED.panel, LOADED.bench, fittings, Origin(0))
        return Engine(rig, LOADED.sequence, seed=3, screen=False).run()

    def all(self, kind: type) -> list[Event]:
        return [event for event in self.events if isinstance(event, kind)]


def nothing(_clock: VirtualClock) -> None:
    pass


@pytest.mark.parametrize(
    "sleep", [lambda c: c.suspend(42 * NS), lambda c: c.advance(42 * NS)], ids=["not counted", "counted"]
)
def test_a_run_that_the_computer_slept_through_is_an_error_and_safe(
    sleep: Callable[[VirtualClock], None],
) -> None:
    trial = Trial(sleep)
    result = trial.run()
    assert result.verdict is Verdict.ERROR
    assert result.error.startswith("the computer slept for 42 s during the run")
    assert trial.boards["IO1"].outputs == 0
    (safe,) = trial.all(MadeSafe)
    assert safe.proved  # type: ignore[attr-defined]
    assert [type(event) for event in trial.events][-1] is RunEnded


def test_sleep_at_the_very_end_is_found_too() -> None:
    counting = Trial(nothing)
    counting.run()
    last = counting.all(StepEnded)[-1].polls  # type: ignore[attr-defined]
    result = Trial(lambda clock: clock.suspend(NS)).run(nth=last)
    assert result.verdict is Verdict.ERROR
    assert "slept for 1.0 s" in result.error


def test_a_board_that_is_silent_after_a_sleep_is_not_blamed() -> None:
    def wakes(clock: VirtualClock) -> None:
        clock.suspend(42 * NS)
        raise BoardTimeout("board IO1: no answer")

    trial = Trial(wakes)
    assert trial.run().error.startswith("the computer slept for 42 s")
    (broken,) = trial.all(Broken)
    assert broken.error == "ComputerSlept"  # type: ignore[attr-defined]


def test_a_board_that_is_silent_without_a_sleep_is() -> None:
    def silent(_clock: VirtualClock) -> None:
        raise BoardTimeout("board IO1: no answer")

    assert Trial(silent).run().error == "board IO1: no answer"


@pytest.mark.parametrize("by_s", [3600, -3600])
def test_a_stepped_wall_clock_changes_no_verdict_and_no_time(by_s: int) -> None:
    plain, stepped = Trial(nothing), Trial(lambda clock: clock.step_wall(by_s * NS))
    before, after = plain.run(), stepped.run()
    assert before.verdict is after.verdict is Verdict.PASS
    assert (before.remarks, len(after.remarks)) == ((), 1)
    assert after.remarks[0].startswith(f"the computer's clock was stepped by {by_s:+d} s")
    (told,) = stepped.all(ClockStepped)
    assert told.by_ms == by_s * 1000  # type: ignore[attr-defined]
    stepped.events.remove(told)
    (ended,) = stepped.all(RunEnded)
    assert ended.remarks == after.remarks  # type: ignore[attr-defined]
    stepped.events[-1] = replace(ended, remarks=())  # type: ignore[type-var]
    assert stepped.events == plain.events
