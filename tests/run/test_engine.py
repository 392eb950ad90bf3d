"""Ends of a run other than pass and fail: not set by hand, on for too long, emergency stop, safe ends."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import pytest

from drivers.simulated import in_process
from harness.bench.board import Board, Sample, Stamp
from harness.bench.hands import HAND, hand_channels
from harness.bench.parts import Bench, SpecialChannel
from harness.clock import VirtualClock
from harness.demo_files import resolve
from harness.errors import BoardTimeout
from harness.measure.reading import Verdict
from harness.run.engine import Engine, Result
from harness.run.events import Asked, Event, MadeSafe, RunEnded, Written
from harness.run.hands import Ask, SimulatedHands, cannot_ask
from harness.run.origin import Origin
from harness.run.rig import Fittings, Rig
from harness.sequence.files import load_sequence
from harness.sequence.steps import HoldStep, Sequence, SetStep, Step, Watch

LOADED = load_sequence(resolve("demo:th-s0.sequence.yaml"))
REST = LOADED.panel.rest
RUNNING = REST | {"S1": "pressed"}
LEFT = "not safe before the run; made safe first"


def set_step(title: str, positions: dict[str, str], *, on: bool) -> SetStep:
    return SetStep(title=title, positions=positions, states={"K1": on, "P1": on}, settle_s=0.3, hold_s=0.05)


def sequence(*steps: Step, on_failure: str = "continue") -> Sequence:
    return replace(LOADED.sequence, steps=steps, on_failure=on_failure)  # type: ignore[arg-type]


@dataclass
class Trial:
    """One run in virtual time with everything that can be changed about it."""

    bench: Bench = LOADED.bench
    faults: tuple[str, ...] = ()
    ask: Ask = cannot_ask
    with_hands: bool = True
    events: list[Event] = field(default_factory=list)
    boards: dict[str, Board] = field(default_factory=dict)

    def engine(self, procedure: Sequence) -> Engine:
        clock = VirtualClock()
        self.boards = in_process(LOADED.panel, self.bench, clock, seed=3, faults=self.faults)
        for board in self.boards.values():
            board.open()
        places = hand_channels(self.bench.hand_set, LOADED.panel.positions)
        hands = SimulatedHands(self.boards[HAND], places) if self.with_hands else None
        fittings = Fittings(self.boards, clock, self.events.append, self.ask, hands)
        rig = Rig(LOADED.panel, self.bench, fittings, Origin(0))
        return Engine(rig, procedure, seed=3, screen=False)

    def run(self, procedure: Sequence) -> Result:
        return self.engine(procedure).run()

    def of_kind(self, kind: type) -> list[Event]:
        return [event for event in self.events if isinstance(event, kind)]


def answers(answer: str, only: str = "") -> Ask:
    """Somebody who sets everything but what `only` names, to which the answer is `answer`."""
    return lambda request, _meanwhile: answer if only in request else "done"


BREAKER = set_step("breaker open", REST | {"F1": "open"}, on=False)


@pytest.mark.parametrize("answer", ["skipped", "cannot ask"])
def test_what_was_not_set_by_hand_is_not_run_and_never_a_pass(answer: str) -> None:
    trial = Trial(ask=answers(answer, "to open"), with_hands=False)
    result = trial.run(sequence(BREAKER, set_step("start", RUNNING, on=True)))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert [step.verdict for step in result.steps] == [Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.PASS]
    assert result.steps[1].note == f"not run: Set F1 (Control breaker) to open by hand: {answer}"
    given = [event.answer for event in trial.of_kind(Asked)]  # type: ignore[attr-defined]
    assert given == ["done", "done", answer]  # F1 and the supply at rest, then F1 to open


def test_a_watch_sees_what_happens_while_a_person_is_busy() -> None:
    """The lamp, which must not be on for more than 100 ms, stays on while F1 is looked for."""
    watch = Watch(states={"P1": True}, longest_s=0.1)
    slow = replace(BREAKER, never=(watch,))

    def after_a_while(request: str, meanwhile: Callable[[], None]) -> str:
        for _ in range(40 if "to open" in request else 0):
            meanwhile()
        return "done"

    trial = Trial(ask=after_a_while, with_hands=False)
    result = trial.run(sequence(set_step("start", RUNNING, on=True), slow))
    (reading,) = [r for r in result.steps[-1].readings if r.quantity == "watch"]
    assert reading.verdict is Verdict.FAIL
    assert reading.low_us is not None
    assert reading.low_us > 300_000


def test_things_that_nobody_sets_to_rest_end_the_run_before_the_supply_comes_on() -> None:
    trial = Trial(with_hands=False)
    result = trial.run(sequence(set_step("start", RUNNING, on=True)))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert result.note == "not run: Set F1 (Control breaker) to closed by hand: cannot ask"
    assert len(result.not_run) == 2
    assert not any(event.outputs.get("supply contactor") == "on" for event in trial.of_kind(Written))  # type: ignore[attr-defined]


def test_a_person_who_says_done_but_did_not_is_found_out() -> None:
    """The breaker stays closed on the bench, so the row that needs it open does not come true."""
    opened = set_step("start with the breaker open", RUNNING | {"F1": "open"}, on=False)
    result = Trial(ask=answers("done"), with_hands=False).run(sequence(opened))
    assert result.verdict is Verdict.FAIL


def test_a_supply_level_is_asked_for_in_volts() -> None:
    requests: list[str] = []

    def note(request: str, _meanwhile: Callable[[], None]) -> str:
        requests.append(request)
        return "done"

    Trial(ask=note, with_hands=False).run(sequence(set_step("low", REST | {"main": "lowest"}, on=False)))
    assert requests == [
        "Set F1 (Control breaker) to closed by hand",
        "Set main to 24 V (nominal) by hand",
        "Set main to 16.8 V (lowest) by hand",
    ]


def test_a_load_on_for_too_long_ends_the_run_as_a_fail() -> None:
    bench = replace(LOADED.bench, longest_on_s={"P1": 0.5})
    stay = HoldStep(title="stay", positions=RUNNING, states={"P1": True}, hold_s=2.0)
    trial = Trial(bench=bench)
    result = trial.run(sequence(set_step("start", RUNNING, on=True), stay, BREAKER))
    assert result.verdict is Verdict.FAIL
    assert result.failed == ("stay",)
    assert "P1 was on for longer than the 0.5 s" in result.steps[-1].note
    assert result.not_run == ("breaker open",)
    assert trial.boards["IO1"].outputs == 0


def test_the_emergency_stop_is_an_error_and_safe() -> None:
    """The loop opens in the middle of a hold: input 7, on while the loop is whole, goes off."""
    trial = Trial()
    engine = trial.engine(sequence(set_step("start", RUNNING, on=True), BREAKER))
    read, count = trial.boards["IO1"].read, iter(range(40))

    def pressed(timeout_s: float | None = None) -> Sample:
        sample = read(timeout_s)
        whole = next(count, None) is not None
        return sample if whole else Sample(sample.sent_ns, sample.received_ns, sample.bits & ~(1 << 7))

    trial.boards["IO1"].read = pressed  # type: ignore[method-assign]
    result = engine.run()
    assert result.verdict is Verdict.ERROR
    assert "emergency stop pressed" in result.error
    assert trial.of_kind(MadeSafe)
    assert trial.boards["IO1"].outputs == 0


@pytest.mark.parametrize(
    ("on_failure", "judged"), [("continue", 3), ("stop", 2)], ids=["continue", "stop at the first failure"]
)
def test_on_failure(on_failure: str, judged: int) -> None:
    steps = (set_step("start", RUNNING, on=True), set_step("stop", REST | {"S0": "pressed"}, on=False))
    result = Trial(faults=("K1 coil open",)).run(sequence(*steps, on_failure=on_failure))
    assert result.verdict is Verdict.FAIL
    assert len(result.steps) == judged
    assert result.not_run == (() if judged == 3 else ("stop",))


def test_a_fail_stays_in_the_headline_when_an_error_overrides() -> None:
    trial = Trial(faults=("K1 coil open",))
    engine = trial.engine(sequence(set_step("start", RUNNING, on=True), BREAKER))
    fail_after(trial.boards["IO1"], polls=90)
    result = engine.run()
    assert result.verdict is Verdict.ERROR
    assert result.failed == ("start",)
    (ended,) = trial.of_kind(RunEnded)
    assert ended.failed == ("start",)  # type: ignore[attr-defined]


def fail_after(board: Board, *, polls: int) -> None:
    """From then on the board's inputs cannot be read; its outputs still can be written."""
    read, count = board.read, iter(range(polls))

    def limited(timeout_s: float | None = None) -> object:
        if next(count, None) is None:
            raise BoardTimeout(f"board {board.name}: no answer")
        return read(timeout_s)

    board.read = limited  # type: ignore[method-assign,assignment]


@pytest.mark.parametrize(
    "ending", [BoardTimeout("no answer"), KeyboardInterrupt(), ZeroDivisionError()], ids=repr
)
def test_whatever_ends_a_run_the_supply_goes_first_then_all_outputs(ending: BaseException) -> None:
    trial = Trial()
    engine = trial.engine(sequence(set_step("start", RUNNING, on=True)))
    read, count = trial.boards["IO1"].read, itertools.count()

    def breaks(timeout_s: float | None = None) -> object:
        if next(count) == 30:
            raise ending
        return read(timeout_s)

    trial.boards["IO1"].read = breaks  # type: ignore[method-assign,assignment]
    if isinstance(ending, BoardTimeout):
        assert engine.run().verdict is Verdict.ERROR
    else:
        with pytest.raises(type(ending)):
            engine.run()
    assert trial.boards["IO1"].outputs == 0
    writes = [event.outputs for event in trial.of_kind(Written)]  # type: ignore[attr-defined]
    assert writes[-3:] == [{"supply contactor": "off"}, {"all outputs": "off"}, {"all outputs": "off"}]
    assert any(states.get("supply contactor") == "on" for states in writes)
    (safe,) = trial.of_kind(MadeSafe)
    assert safe.proved  # type: ignore[attr-defined]
    (ended,) = trial.of_kind(RunEnded)
    assert ended.verdict is not Verdict.PASS  # type: ignore[attr-defined]


def test_an_output_that_stays_on_is_found_before_anything_moves() -> None:
    trial = Trial()
    engine = trial.engine(sequence(BREAKER))
    trial.boards["IO1"].read_back = lambda timeout_s=None: 0b100  # type: ignore[method-assign]
    result = engine.run()
    assert result.verdict is Verdict.ERROR
    assert "board IO1: outputs are not safe after being made so (reads 0x4)" in result.error
    assert not any(
        states.get("supply contactor") == "on"
        for states in (event.outputs for event in trial.of_kind(Written))  # type: ignore[attr-defined]
    )


@pytest.mark.parametrize("stuck", [0x80, 0x4], ids=["the contactor", "another output"])
def test_an_output_that_reads_on_after_the_end_is_not_safe_and_no_pass(stuck: int) -> None:
    """A welded output relay that shows in the read-back only."""
    trial = Trial()
    engine = trial.engine(LOADED.sequence)
    board = trial.boards["IO1"]
    truly = board._do_read_back

    def welded(timeout_s: float) -> int | None:
        image = truly(timeout_s)
        return image if image is None or board.outputs else image | stuck

    write = board._do_write

    def once_written(image: int, timeout_s: float) -> Stamp:
        if image:
            board._do_read_back = welded  # type: ignore[method-assign]
        return write(image, timeout_s)

    board._do_write = once_written  # type: ignore[method-assign]
    result = engine.run()
    assert result.verdict is Verdict.ERROR
    assert f"board IO1 reads its outputs as {stuck:#x} after it was made safe" in result.unsafe
    (safe,) = trial.of_kind(MadeSafe)
    assert not safe.proved  # type: ignore[attr-defined]
    assert safe.text.startswith("NOT SAFE")  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("left_on", "said"),
    [
        ({}, ()),
        ({2: True}, (f"board IO1: outputs 2 {LEFT}",)),
        ({2: True, 7: True}, (f"board IO1: outputs 2, 7, the supply contactor among them, {LEFT}",)),
    ],
    ids=["nothing", "an output", "the contactor too"],
)
def test_what_an_earlier_run_left_on_is_said(left_on: dict[int, bool], said: tuple[str, ...]) -> None:
    trial = Trial()
    engine = trial.engine(sequence(BREAKER))
    if left_on:
        trial.boards["IO1"].write(left_on)
    result = engine.run()
    assert result.remarks == said
    (ended,) = trial.of_kind(RunEnded)
    assert ended.remarks == said  # type: ignore[attr-defined]


def test_a_feed_that_the_bench_does_not_switch_is_found_before_the_contactor_closes() -> None:
    """The bench's contactor is said to be on an output that switches nothing; the panel is live already."""
    live = replace(LOADED.bench, contactor=None, supply_present=None)
    trial = Trial(bench=live, faults=("K1 stuck picked up",))
    engine = trial.engine(sequence(BREAKER))
    engine._rig.bench = replace(live, contactor=SpecialChannel(board="IO1", channel=6))
    result = engine.run()
    assert result.verdict is Verdict.ERROR
    assert "DI1 read on before the supply contactor closed" in result.error


def test_a_flicker_during_a_hold_is_a_failure_with_its_time() -> None:
    """K1's lamp contact opens for 30 ms in the middle of a hold, as a dirty one does."""
    trial = Trial()
    engine = trial.engine(sequence(set_step("start", RUNNING, on=True)))
    board, original = trial.boards["IO1"], trial.boards["IO1"].read
    clock = engine._rig.fittings.clock
    seen: list[int] = []

    def flickers(timeout_s: float | None = None) -> object:
        sample = original(timeout_s)
        if sample.bits >> 1 & 1 and not seen:
            seen.append(clock.now_ns())
        inside = seen and 50_000_000 < clock.now_ns() - seen[0] < 70_000_000
        return Sample(sample.sent_ns, sample.received_ns, sample.bits & ~2) if inside else sample

    board.read = flickers  # type: ignore[method-assign,assignment]
    result = engine.run()
    assert result.verdict is Verdict.FAIL
    (wrong,) = [r for r in result.steps[-1].readings if r.verdict is Verdict.FAIL]
    assert (wrong.of, wrong.expected) == ("P1", "on throughout")
    assert wrong.read.startswith("left it after ")
    assert wrong.low_us is not None
    assert wrong.high_us is not None
    assert wrong.low_us <= 20_000 <= wrong.high_us
