"""Walks a sequence on a rig: start, row 0, steps, verdict, and the safe state whatever ends it."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from harness.bench.board import Board, Identity
from harness.clock import NS
from harness.errors import BenchError, RecordError
from harness.measure.reading import Reading, Verdict, worst
from harness.run import start, watchdogs
from harness.run.actions import Doing, cycle_step, hold_step, set_step, stop_step, time_step
from harness.run.events import (
    BoardFound,
    Broken,
    Exchanged,
    Progress,
    RunEnded,
    Sink,
    StepEnded,
    StepStarted,
)
from harness.run.exchanged import Seen, exchanged_inputs
from harness.run.hands import NotSet
from harness.run.proving import Carried, Prover
from harness.run.rig import Rig
from harness.run.sampling import KeptOnTooLong, Shot
from harness.run.stopping import quietly
from harness.sequence.steps import CycleStep, HoldStep, Sequence, SetStep, Step, StopStep, TimeStep

PROGRESS_NS = 50_000_000
POOR_SHARE = 0.01
"""From this share of questions asked again on, the line is called poor. A good one needs none."""

_ACTIONS: dict[type, Callable[..., tuple[Reading, ...]]] = {
    SetStep: set_step,
    StopStep: stop_step,
    TimeStep: time_step,
    HoldStep: hold_step,
    CycleStep: cycle_step,
}


@dataclass(frozen=True, slots=True)
class StepResult:
    """One step as judged."""

    title: str
    verdict: Verdict
    readings: tuple[Reading, ...]
    positions: dict[str, str]
    note: str = ""


@dataclass(slots=True)
class Result:
    """What a run came to. `failed` keeps its entries when an error overrides the verdict."""

    simulated: bool
    steps: list[StepResult] = field(default_factory=list)
    not_run: tuple[str, ...] = ()
    error: str = ""
    exchanged: str = ""
    unsafe: str = ""
    note: str = ""
    retries: int = 0
    remarks: tuple[str, ...] = ()

    @property
    def failed(self) -> tuple[str, ...]:
        return tuple(step.title for step in self.steps if step.verdict is Verdict.FAIL)

    @property
    def verdict(self) -> Verdict:
        """The worst of all steps; a step not run is at least inconclusive, a broken run is an error."""
        parts = [step.verdict for step in self.steps]
        parts += [Verdict.INCONCLUSIVE] if self.not_run or not self.steps else []
        parts += [Verdict.ERROR] if self.error or self.unsafe else []
        parts += [] if self.seen_on else [Verdict.INCONCLUSIVE]
        return worst(parts)

    @property
    def seen_on(self) -> bool:
        """Whether anything was ever shown to come on, or to change: an unplugged panel reads off for ever."""
        return any(
            reading.verdict is Verdict.PASS and (reading.quantity == "time" or reading.expected == "on")
            for step in self.steps
            for reading in step.readings
        )


class Engine:
    """One run of one sequence. `seed` gives the random phases of repeats; `screen` asks for progress."""

    def __init__(self, rig: Rig, sequence: Sequence, *, seed: int, screen: bool) -> None:
        self._rig = rig
        self._sequence = sequence
        self._phase = random.Random(seed)  # noqa: S311 - phases of repeats, nothing secret
        self._screen = screen
        self._seen: list[Seen] = []
        self._index = 0
        self._told_ns = 0
        self._tripped = False
        self._carried: Carried = {}
        self._retried = 0
        self._error: BenchError | RecordError | None = None
        self.result = Result(simulated=rig.bench.simulated)

    @property
    def _sink(self) -> Sink:
        return self._rig.fittings.sink

    def run(self) -> Result:
        """Run it all. Errors of the bench or the record end the run with verdict error; any other exception
        passes, bench safe."""
        try:
            self._run_steps()
        except BenchError as error:
            self._error = self._rig.sampler.clocks.reason(error)
        except RecordError as error:
            self._error = error
        except NotSet as reason:
            self.result.note = f"not run: {reason}"
        except KeptOnTooLong as reason:
            self._end_step(start.rest_step(self._sequence, self._rig.panel), (), Verdict.FAIL, str(reason))
        finally:
            with quietly():
                self._end()
        return self.result

    def _end(self) -> None:
        """Make safe, then report. A journal that cannot be written complains once; then all is done again."""
        try:
            self._end_now()
        except RecordError as error:
            self._error = self._error or error
            self._end_now()

    def _end_now(self) -> None:
        self.result.error = "" if self._error is None else str(self._error)
        self.result.unsafe = self._rig.make_safe(self._say_why)
        self._finish()

    def _run_steps(self) -> None:
        start.prove_off(self._rig)
        watchdogs.make_ready(self._rig)
        start.supply_on(self._rig)
        self._do(start.rest_step(self._sequence, self._rig.panel))
        for step in self._sequence.steps:
            if self._tripped or (self._sequence.on_failure == "stop" and self.result.failed):
                return
            self._do(step)
        self._rig.sampler.clocks.look()

    def _do(self, step: Step) -> None:
        self._sink(StepStarted(at_us=self._rig.now_us, index=self._index, title=step.title))
        self._retried = self._rig.retried
        prover = Prover(self._rig, self._tell, self._carried)
        self._carried = {}
        doing = Doing(self._rig, prover, self._phase, self._sequence.decision_rule, self._judged)
        try:
            readings = _ACTIONS[type(step)](step, doing)
        except NotSet as reason:
            self._end_step(step, prover.watched(), Verdict.INCONCLUSIVE, f"not run: {reason}")
            return
        except KeptOnTooLong as reason:
            self._tripped = True
            self._end_step(step, prover.watched(), Verdict.FAIL, f"run ended: {reason}")
            return
        self._carried = prover.showing()
        readings = (*readings, *prover.watched())
        self._check_bench(step, readings)
        blind = self._blind(step)
        verdict = worst(r.verdict for r in readings)
        self._end_step(step, readings, max(verdict, Verdict.INCONCLUSIVE) if blind else verdict, blind)

    def _blind(self, step: Step) -> str:
        """Why nothing is proved to have stayed: asking again, the bench saw nothing for longer than that."""
        gap_ns = self._rig.sampler.longest_gap_ns
        stay_ns = max(round(step.hold_s * NS), self._rig.quiet_ns)
        if self._rig.retried == self._retried or gap_ns <= stay_ns:
            return ""
        return (
            f"inconclusive at best: a board had to be asked again, and for {gap_ns / 1e6:.0f} ms nothing was "
            f"seen of what has to stay for {stay_ns / 1e6:.0f} ms"
        )

    def _check_bench(self, step: Step, readings: tuple[Reading, ...]) -> None:
        """What a step read counts only if outputs and supplies still are as the run believes."""
        try:
            self._rig.refuse_changed()
            self._rig.meters.read_all()
        except BenchError as error:
            self._end_step(step, readings, Verdict.ERROR, f"not to be trusted: {error}")
            raise

    def _end_step(self, step: Step, readings: tuple[Reading, ...], verdict: Verdict, note: str) -> None:
        verdict = max(verdict, worst(r.verdict for r in readings)) if readings else verdict
        rest = self._rig.panel.rest
        positions = {t: p for t, p in self._judged_at(step).items() if p != rest[t]}
        self.result.steps.append(StepResult(step.title, verdict, readings, positions, note))
        gap_us = self._rig.sampler.longest_gap_ns // 1000
        self._sink(
            StepEnded(
                at_us=self._rig.now_us,
                index=self._index,
                title=step.title,
                verdict=verdict,
                rule=self._sequence.decision_rule,
                positions=positions,
                readings=readings,
                longest_gap_us=gap_us,
                missed_below_us=gap_us + self._rig.channels.slack_ns // 1000,
                polls=self._rig.sampler.polls,
                note=note,
                retries=self._rig.retried - self._retried,
            )
        )
        self._index += 1

    def _judged_at(self, step: Step) -> Mapping[str, str]:
        """The positions that the step is about: a stop row's demand, a timing's end, else as they stand."""
        match step:
            case StopStep():
                return step.demand
            case TimeStep():
                return step.end
        return self._rig.positions

    def _judged(self, states: Mapping[str, bool], word: int) -> None:
        self._seen.append(Seen(dict(states), word))

    def _tell(self, shot: Shot, doing: str) -> None:
        if not self._screen or shot.received_ns - self._told_ns < PROGRESS_NS:
            return
        self._told_ns = shot.received_ns
        states = self._rig.channels.states(shot.word)
        at_us = self._rig.origin.down_us(shot.received_ns)
        self._sink(Progress(at_us=at_us, index=self._index, doing=doing, states=states))

    def _say_why(self) -> None:
        error = self._error
        if error is not None:
            self._sink(Broken(at_us=self._rig.now_us, error=type(error).__name__, text=str(error)))

    def _finish(self) -> None:
        if self.result.steps and not self.result.error and not self.result.seen_on:
            self.result.note = "nothing was ever seen to come on: an unplugged panel would read the same"
        done = len(self.result.steps)
        titles = [start.REST_TITLE, *(step.title for step in self._sequence.steps)]
        self.result.not_run = tuple(titles[done:])
        self._find_exchanged()
        self._remark()
        self._sink(
            RunEnded(
                at_us=self._rig.now_us,
                verdict=self.result.verdict,
                simulated=self.result.simulated,
                failed=self.result.failed,
                not_run=self.result.not_run,
                polls=self._rig.sampler.polls,
                retries=self.result.retries,
                remarks=self.result.remarks,
            )
        )

    def _remark(self) -> None:
        retries, polls = self._rig.retried, self._rig.sampler.polls
        self.result.retries = retries
        share = retries / (polls * len(self._rig.fittings.boards) + retries) if retries else 0.0
        remarks = [f"boards had to be asked again {retries} times ({share:.1%})"] if retries else []
        if share >= POOR_SHARE:
            remarks[0] += "; the line is poor: check its cable, its ends, its speed and what disturbs it"
        self.result.remarks = (*self._rig.found_on, *self._rig.sampler.clocks.remarks, *remarks)

    def _find_exchanged(self) -> None:
        pair = exchanged_inputs(self._seen, self._rig.channels) if self.result.failed else None
        if pair is None:
            return
        one, other = pair
        text = (
            f"the readings fit inputs {one.name} and {other.name} exchanged: {one.watches} reads on "
            f"{other.name} and {other.watches} on {one.name}; check the wiring to the bench first"
        )
        self.result.exchanged = text
        self._sink(
            Exchanged(
                at_us=self._rig.now_us,
                inputs=(one.name, other.name),
                watches=(one.watches, other.watches),
                text=text,
            )
        )


def found(board: Board, identity: Identity, at_us: int) -> BoardFound:
    """The event that says what a board is."""
    return BoardFound(
        at_us=at_us,
        board=board.name,
        driver=board.spec.driver,
        maker=identity.maker,
        product=identity.product,
        revision=identity.revision,
        simulated=identity.simulated,
        remarks=board.remarks,
    )
