"""Ways in which a run could say pass although nothing was proved: each must not. All in virtual time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import pytest

from drivers.rig import SimulatedRig
from drivers.simulated import SimulatedBoard
from harness.bench.board import Board
from harness.bench.hands import HAND, hand_channels
from harness.bench.parts import Bench
from harness.clock import VirtualClock
from harness.demo_files import resolve
from harness.measure.reading import Verdict
from harness.panel.parts import Span
from harness.run.engine import Engine, Result
from harness.run.events import Event, MadeSafe
from harness.run.hands import SimulatedHands, cannot_ask
from harness.run.origin import Origin
from harness.run.rig import Fittings, Rig
from harness.sequence.files import LoadedSequence, load_sequence
from harness.sequence.steps import SetStep, Step, StopStep, TimeStep, Watch

S0 = load_sequence(resolve("demo:th-s0.sequence.yaml"))
P1 = load_sequence(resolve("demo:th-p1.sequence.yaml"))


@dataclass
class Trial:
    """A run whose simulated rig can be broken; `poll_s` of every board."""

    loaded: LoadedSequence
    poll_s: float = 0.01
    faults: tuple[str, ...] = ()
    rig_kind: type[SimulatedRig] = SimulatedRig
    change: Callable[[Bench], Bench] = lambda bench: bench
    events: list[Event] = field(default_factory=list)
    boards: dict[str, Board] = field(default_factory=dict)

    def run(self, *steps: Step, seed: int = 1) -> Result:
        boards = tuple(replace(board, poll_s=self.poll_s) for board in self.loaded.bench.boards)
        bench = self.change(replace(self.loaded.bench, boards=boards))
        clock, panel = VirtualClock(), self.loaded.panel
        simulated = self.rig_kind(panel, bench, clock, seed=seed, faults=self.faults)
        self.boards = {n: SimulatedBoard(s, clock, simulated, seed=seed) for n, s in simulated.specs.items()}
        for board in self.boards.values():
            board.open()
        hands = SimulatedHands(self.boards[HAND], hand_channels(bench.hand_set, panel.positions))
        fittings = Fittings(self.boards, clock, self.events.append, cannot_ask, hands)
        rig = Rig(panel, bench, fittings, Origin(0))
        return Engine(rig, replace(self.loaded.sequence, steps=steps), seed=seed, screen=False).run()


def places(loaded: LoadedSequence, **positions: str) -> dict[str, str]:
    return loaded.panel.rest | positions


# A relay that drops out in 180 to 310 ms against a limit of 150 ms; flat out polling is quick enough to apply
# the stimulus before the relay has even picked up, and then the path at idle would be timed.
@pytest.mark.parametrize("poll_s", [0.0, 0.012], ids=["flat out", "12 ms"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_timing_starts_from_a_panel_at_rest(poll_s: float, seed: int) -> None:
    step = TimeStep(
        title="button to Y4 in notch 8",
        start=places(P1, S2="8"),
        end=places(P1, S2="8", S1="pressed"),
        of="Y4",
        to=True,
        repeats=3,
        at_least_s=None,
        at_most_s=0.15,
        settle_s=0.4,
        beyond_s=0.5,
    )
    assert Trial(P1, poll_s).run(step, seed=seed).verdict is Verdict.PASS
    slow = Trial(P1, poll_s, faults=("K1 slow to release",))
    assert slow.run(step, seed=seed).verdict is Verdict.FAIL


def test_a_pulse_is_no_edge() -> None:
    """K1 without its seal-in follows the start button; the lamp comes and goes with it."""
    step = TimeStep(
        title="lamp",
        start=places(S0),
        end=places(S0, S1="pressed"),
        of="P1",
        to=True,
        repeats=1,
        at_least_s=None,
        at_most_s=0.1,
        settle_s=0.3,
        beyond_s=0.3,
        hold_s=0.2,
    )
    assert Trial(S0).run(step).verdict is Verdict.PASS

    class Pulse(SimulatedRig):
        """The lamp's input goes off again 60 ms after it came, for good."""

        seen_ns = 0

        def read(self, board: str) -> int:
            bits = super().read(board)
            now_ns = self.clock.now_ns()
            self.seen_ns = self.seen_ns or (now_ns if bits & 2 else 0)
            return bits & ~2 if self.seen_ns and now_ns - self.seen_ns > 60_000_000 else bits

    result = Trial(S0, rig_kind=Pulse).run(step)
    assert result.verdict is Verdict.FAIL
    assert "did not stay" in result.steps[-1].readings[0].read


@pytest.mark.parametrize("poll_s", [0.0, 0.01], ids=["flat out", "10 ms"])
def test_a_state_is_not_settled_before_the_write_can_show(poll_s: float) -> None:
    """No hold at all, and no seal-in: K1 drops out some 30 ms after the start button was let go."""
    started = SetStep(
        title="start", positions=places(S0, S1="pressed"), states={"K1": True}, settle_s=0.3, hold_s=0.0
    )
    let_go = replace(started, title="let go", positions=places(S0))
    assert Trial(S0, poll_s).run(started, let_go).verdict is Verdict.PASS
    broken = Trial(S0, poll_s, faults=("K1.13-14 stuck open",)).run(started, let_go)
    assert broken.failed == ("let go",)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_follows_a_stop_is_held(seed: int) -> None:
    """The sequence says that it stays stopped; with the start button still pressed it certainly restarts."""
    step = StopStep(
        title="stop",
        running=places(S0, S1="pressed"),
        running_states={"K1": True, "P1": True},
        demand=places(S0, S1="pressed", S0="pressed"),
        stopped={"K1": False, "P1": False},
        within_s=0.15,
        hold_s=0.05,
        settle_s=0.3,
        after={"K1": False, "P1": False},
    )
    assert Trial(S0, 0.0).run(step, seed=seed).verdict is Verdict.FAIL
    assert Trial(S0, 0.0).run(replace(step, after=step.running_states), seed=seed).verdict is Verdict.PASS


class Welded(SimulatedRig):
    """The supply contactor never opens."""

    def _switch_supply(self, on: bool) -> None:
        super()._switch_supply(True)


IDLE = SetStep(title="idle", positions=places(P1), states={"Y4": False}, settle_s=0.3, hold_s=0.1)
NOTCH = SetStep(title="notch 2", positions=places(P1, S2="2"), states={"Y1": True}, settle_s=0.3, hold_s=0.1)


def test_a_welded_contactor_is_found_and_never_called_safe() -> None:
    trial = Trial(P1, rig_kind=Welded)
    result = trial.run(NOTCH)
    assert result.verdict is Verdict.ERROR
    assert "the supply reads present before the contactor closed" in result.error
    assert "the supply still reads present" in result.unsafe
    (safe,) = [event for event in trial.events if isinstance(event, MadeSafe)]
    assert not safe.proved


def test_a_contactor_that_welds_during_the_run_is_not_called_safe() -> None:
    class Welds(SimulatedRig):
        def _switch_supply(self, on: bool) -> None:
            super()._switch_supply(on or self._supply_on)

    result = Trial(P1, rig_kind=Welds).run(NOTCH)
    assert result.verdict is Verdict.ERROR
    assert "switch the panel's supply off by hand" in result.unsafe


def test_a_supply_that_goes_away_is_an_error_even_where_all_is_expected_off() -> None:
    class Lost(SimulatedRig):
        def read(self, board: str) -> int:
            if self.clock.now_ns() > 900_000_000 and self._supply_on:
                self.advance()
                self._switch_supply(False)
                self._note(self.clock.now_ns())
            return super().read(board)

    result = Trial(P1, rig_kind=Lost).run(NOTCH, *[replace(IDLE, title=f"idle {k}") for k in range(8)])
    assert result.verdict is Verdict.ERROR
    assert "supply went away" in result.error


def test_nothing_ever_seen_on_is_not_a_pass() -> None:
    def unplugged(bench: Bench) -> Bench:
        return replace(bench, contactor=None, supply_present=None)

    class Dead(SimulatedRig):
        def _switch_supply(self, on: bool) -> None:
            super()._switch_supply(False)

    off = SetStep(
        title="off", positions=places(S0, S0="pressed"), states={"P1": False}, settle_s=0.3, hold_s=0.1
    )
    trial = Trial(S0, rig_kind=Dead, change=unplugged)
    trial.loaded = replace(S0, sequence=replace(S0.sequence, rest_states={"P1": False}))
    result = trial.run(off)
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "an unplugged panel would read the same" in result.note


def test_a_watch_goes_on_from_step_to_step() -> None:
    """The lamp stays on over six steps of about 100 ms each; more than 300 ms are not allowed."""
    watch = Watch(states={"P1": True}, longest_s=0.3)
    steps = [
        SetStep(
            title=f"on {k}",
            positions=places(S0, S1="pressed"),
            states={"P1": True},
            settle_s=0.3,
            hold_s=0.1,
            never=(watch,),
        )
        for k in range(6)
    ]
    result = Trial(S0).run(*steps)
    assert result.verdict is Verdict.FAIL
    assert result.failed[0] in {"on 2", "on 3"}
    apart = [steps[0], replace(steps[1], never=()), steps[2]]
    assert Trial(S0).run(*apart).verdict is Verdict.PASS


def test_a_timing_that_surely_fails_is_kept_whatever_the_bus_does() -> None:
    """Every read of the board takes 40 ms: a gap that voids what is inconclusive, not what is sure."""
    step = TimeStep(
        title="slow bus",
        start=places(P1, S2="8"),
        end=places(P1, S2="8", S1="pressed"),
        of="Y4",
        to=True,
        repeats=1,
        at_least_s=None,
        at_most_s=0.1,
        settle_s=1.0,
        beyond_s=1.0,
    )

    class SlowBus(SimulatedRig):
        def read(self, board: str) -> int:
            self.clock.sleep_until(self.clock.now_ns() + 40_000_000)
            return super().read(board)

    result = Trial(P1, rig_kind=SlowBus, faults=("K1 slow to release",)).run(step)
    (reading,) = result.steps[-1].readings
    assert reading.verdict is Verdict.FAIL
    assert "void" not in reading.note


def test_a_relay_judged_at_its_coil_says_so() -> None:
    def at_the_coil(bench: Bench) -> Bench:
        inputs = tuple(
            replace(c, proves="coil", terminals=("K1:A1", "K1:A2"), inverted=False, wetting_v=0.0)
            if c.watches == "K1"
            else c
            for c in bench.inputs
        )
        return replace(bench, inputs=inputs)

    started = SetStep(
        title="start", positions=places(S0, S1="pressed"), states={"K1": True}, settle_s=0.3, hold_s=0.1
    )
    result = Trial(S0, change=at_the_coil, faults=("K1 stuck dropped out",)).run(started)
    (reading,) = result.steps[-1].readings
    assert (reading.read, reading.note) == ("on", "coil voltage only")


def test_frozen_inputs_do_not_pass() -> None:
    """From the 100th read on the board answers with what it read then, well formed and wrong."""

    class Frozen(SimulatedRig):
        reads = 0
        word = 0

        def read(self, board: str) -> int:
            self.reads += 1
            self.word = super().read(board) if self.reads < 100 else self.word
            return self.word

    steps = (NOTCH, *[replace(s, title=f"{s.title} {k}") for k in range(4) for s in (IDLE, NOTCH)])
    on_off = [replace(s, states={"Y1": s.title.startswith("notch")}) for s in steps]
    result = Trial(P1, rig_kind=Frozen).run(*on_off)
    assert result.failed
    assert result.verdict is Verdict.ERROR  # the supply reads present for ever, which nobody may call safe


def test_an_emergency_stop_over_a_welded_contactor_is_not_called_safe() -> None:
    class Welds(SimulatedRig):
        """The contactor welds as it closes; later the emergency stop is pressed: its loop opens."""

        def _switch_supply(self, on: bool) -> None:
            super()._switch_supply(on or self._supply_on)

        def read(self, board: str) -> int:
            pressed = self.clock.now_ns() > 700_000_000
            stop = self.bench.emergency_stop
            assert stop is not None
            return super().read(board) & ~(1 << stop.channel if pressed else 0)

    trial = Trial(P1, rig_kind=Welds)
    result = trial.run(NOTCH, *[replace(NOTCH, title=f"notch {k}") for k in range(8)])
    assert result.verdict is Verdict.ERROR
    assert "emergency stop pressed" in result.error
    assert "the supply still reads present" in result.unsafe


def test_an_answer_before_the_stated_delay_is_an_error_of_the_bench() -> None:
    """The bench file states 60 to 70 ms of output delay, its contacts take 2 to 8 ms."""
    step = TimeStep(
        title="lamp",
        start=places(S0),
        end=places(S0, S1="pressed"),
        of="P1",
        to=True,
        repeats=1,
        at_least_s=None,
        at_most_s=0.2,
        settle_s=0.3,
        beyond_s=0.3,
    )
    trial = Trial(S0, 0.0)

    class Quick(SimulatedRig):
        def __init__(self, panel: object, bench: Bench, *rest: object, **names: object) -> None:
            boards = tuple(replace(b, output_delay_s=Span(0.002, 0.008)) for b in bench.boards)
            super().__init__(panel, replace(bench, boards=boards), *rest, **names)  # type: ignore[arg-type]

    trial.rig_kind = Quick
    trial.change = lambda bench: replace(
        bench, boards=tuple(replace(b, output_delay_s=Span(0.06, 0.07)) for b in bench.boards)
    )
    result = trial.run(step)
    assert result.verdict is Verdict.ERROR
    assert "quicker than the bench file's output delay says" in result.error


def test_a_stop_near_its_limit_is_not_called_late_by_the_bench_s_own_lag() -> None:
    """Output contacts take 8 ms of the stop's time; what the bench takes is no fault of the panel."""
    step = StopStep(
        title="stop",
        running=places(S0, S1="pressed"),
        running_states={"K1": True, "P1": True},
        demand=places(S0, S1="pressed", S0="pressed"),
        stopped={"K1": False, "P1": False},
        within_s=0.026,  # K1 takes 8 to 25 ms
        hold_s=0.05,
        settle_s=0.3,
        after={"K1": True, "P1": True},
    )
    verdicts = {Trial(S0, 0.0).run(step, seed=seed).verdict for seed in range(6)}
    assert verdicts <= {Verdict.PASS, Verdict.INCONCLUSIVE}
    late = {Trial(S0, 0.0, faults=("K1 slow to release",)).run(step, seed=seed).verdict for seed in range(6)}
    assert late == {Verdict.FAIL}
