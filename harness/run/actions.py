"""Carrying out one step on the rig: one small function per kind of step, which returns its readings."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

from harness.bench.board import Stamp
from harness.clock import NS
from harness.errors import BenchUnsafe
from harness.measure.decision import Decision, Rule, judge_time
from harness.measure.edges import Bounds, Edge, elapsed, find_edge
from harness.measure.reading import Reading, Verdict, worst
from harness.panel.parts import Span
from harness.run.proving import Prover, Settling, on_off
from harness.run.rig import Rig
from harness.run.sampling import Shot
from harness.sequence.steps import CycleStep, HoldStep, SetStep, StopStep, TimeStep

Readings = tuple[Reading, ...]
EDGE_AGREEING = 2
VOIDS_ALLOWED = 3
VOID_GAP_NS, VOID_ROUNDS = 25_000_000, 4
PACE_SAMPLES = 3
PHASES = 3  # a move has at most so many, one waiting for the lag of the other
Judged = Callable[[dict[str, bool], int], None]


@dataclass(frozen=True, slots=True)
class Doing:
    """What a step is carried out with. `judged` is told of each settled state, to find exchanged inputs."""

    rig: Rig
    prover: Prover
    phase: random.Random
    rule: Rule
    judged: Judged


def set_step(step: SetStep, doing: Doing) -> Readings:
    """Set positions; states settle in time and stay."""
    doing.prover.watch(step.never)
    stamp = doing.rig.move(step.positions)
    return settle_and_hold(doing, step.states, stamp, step.settle_s, step.hold_s, "")


def settle_and_hold(
    doing: Doing, states: dict[str, bool], stamp: Stamp, settle_s: float, hold_s: float, note: str
) -> Readings:
    """States must settle within `settle_s` of the stimulus, then stay for `hold_s`."""
    settling = _settle(doing, states, stamp, settle_s, note)
    if not settling.reached:
        return settling.readings
    return _merge(settling.readings, doing.prover.hold(states, hold_s, note, since=stamp))


def _settle(doing: Doing, states: dict[str, bool], stamp: Stamp, settle_s: float, note: str) -> Settling:
    settling = doing.prover.settle(states, stamp, settle_s, note)
    doing.judged(states, _word(doing))
    return settling


def stop_step(step: StopStep, doing: Doing) -> Readings:
    """A stop row: running state, demand, stop proved and held, demand released, what follows held.

    Watches begin once the running state stands, because on the way there anything may show.
    """
    stamp = doing.rig.move(step.running)
    note = "running, before the demand"
    running = settle_and_hold(doing, step.running_states, stamp, step.settle_s, 0.0, note)
    doing.prover.watch(step.never)
    by_hand = doing.rig.by_hand(step.demand)
    stamp = doing.rig.move(step.demand)
    stopping = _settle(doing, step.stopped, stamp, step.within_s, "stop demanded")
    held = doing.prover.hold(step.stopped, step.hold_s, "stop held", since=stamp) if stopping.reached else ()
    ran = all(reading.verdict is Verdict.PASS for reading in running)
    timed = ran and stopping.reached and not by_hand
    stop_time = _stop_time(step, stamp, stopping, doing) if timed else ()
    release = doing.rig.move(step.running)
    after = settle_and_hold(doing, step.after, release, step.settle_s, step.hold_s, "after release")
    return (*running, *_merge(stopping.readings, held), *stop_time, *after)


def _stop_time(step: StopStep, stamp: Stamp, stopping: Settling, doing: Doing) -> Readings:
    if stopping.first is None or stopping.before is None or stopping.before.sent_ns < stamp.sent_ns:
        return ()  # nothing changed between the demand and the first sample: there is no edge to time
    edge = Edge(stopping.before, stopping.first)
    bounds = _bounds(doing.rig, tuple(step.stopped), stamp, edge)
    return (_time_reading("stop", bounds, None, step.within_s, doing.rule, "from demand to stopped"),)


def time_step(step: TimeStep, doing: Doing) -> Readings:
    """Time one edge, repeated; bounds of each repeat, each judged against the limits."""
    doing.prover.watch(step.never)
    return tuple(_repeat(step, number, doing) for number in range(1, step.repeats + 1))


def _repeat(step: TimeStep, number: int, doing: Doing) -> Reading:
    """One repeat. One that tells nothing because the bench was away for once is void and done again.

    Away is what is far beyond this bench's own pace: a slow bench is slow every time, and to choose among its
    times would be to choose the shortest. A panel that remembers may not come back to the start by itself:
    then the void one stands, inconclusive.
    """
    note = f"repeat {number} of {step.repeats}"
    reading, away = _attempt(step, doing, note, _stand(step, doing, note))
    for _ in range(VOIDS_ALLOWED):
        if not away or reading.verdict is not Verdict.INCONCLUSIVE:
            break
        note = f"{note}; void: {reading.read}, {away}"
        unsteady = _stand(step, doing, note)
        if unsteady is not None:
            return replace(reading, note=f"{reading.note}; cannot be done again by itself: {unsteady.text}")
        reading, away = _attempt(step, doing, note, None)
    return reading


def _attempt(step: TimeStep, doing: Doing, note: str, unsteady: Unsteady | None) -> tuple[Reading, str]:
    """The reading, and that the bench was away during it, if it was."""
    if unsteady is not None:
        return _no_time(step, unsteady.text, note, unsteady.verdict), ""
    _random_phase(doing)
    before = [doing.prover.sample(note, flat_out=True) for _ in range(PACE_SAMPLES)]
    stamp = doing.rig.move(step.end)
    edge = _edge(step, before[-1], stamp, doing, note)
    if edge is None:
        return _no_time(step, f"not {on_off(step.to)} within {step.beyond_s * 1e3:g} ms", note), ""
    if not _stays(step, doing, note):
        return _no_time(step, f"{on_off(step.to)}, but did not stay so", note), ""
    bounds = _bounds(doing.rig, (step.of,), stamp, edge)
    reading = _time_reading(step.of, bounds, step.at_least_s, step.at_most_s, doing.rule, note)
    return reading, _away(doing, before, stamp, edge)


def _away(doing: Doing, before: list[Shot], stamp: Stamp, edge: Edge[Shot]) -> str:
    """Whether writing or sampling took far longer than this bench does: its pace just before, its lags."""
    pace_ns = sorted(shot.received_ns - shot.sent_ns for shot in before)[len(before) // 2]
    allowed_ns = VOID_GAP_NS + VOID_ROUNDS * pace_ns
    writing_ns = stamp.received_ns - stamp.sent_ns - PHASES * doing.rig.lag_ns
    longest_ns = max(writing_ns, edge.first_new.received_ns - edge.last_old.sent_ns)
    return f"the bench was away for {longest_ns / 1e6:.0f} ms" if longest_ns > allowed_ns else ""


class Unsteady(NamedTuple):
    """The panel does not stand at the start of a timing: why, and what that makes of it."""

    text: str
    verdict: Verdict = Verdict.FAIL


def _stand(step: TimeStep, doing: Doing, note: str) -> Unsteady | None:
    """Go to the start and let the panel come to rest there; what is wrong when it does not.

    All states known of the start must show and stay. A time-delay relay whose state there is not known is
    waited for, because nothing else would show that it has moved.
    """
    channels, relays = doing.rig.channels, doing.rig.panel.relays
    states = {tag: on for tag, on in step.start_states.items() if tag in channels.judging}
    states[step.of] = not step.to
    stamp = doing.rig.move(step.start)
    delay_s = max((relay.delay_s.high for relay in relays if relay.tag not in states), default=0.0)
    settling = doing.prover.settle(states, stamp, step.settle_s, f"{note}, at start")
    if not settling.reached:
        return _not_reached(step, settling, doing)
    left = doing.prover.hold(states, delay_s, f"{note}, at start", since=stamp)
    moved = f"not at rest before the stimulus ({', '.join(r.of for r in left)} moved)"
    return Unsteady(moved) if left else None


def _not_reached(step: TimeStep, settling: Settling, doing: Doing) -> Unsteady:
    """The start did not show in time, for sure, or so late perhaps that the bench cannot tell."""
    wrong = [r.of for r in settling.readings if r.verdict is not Verdict.PASS]
    if wrong == [step.of] and doing.rig.channels.state(step.of, _word(doing)) is step.to:
        return Unsteady(f"{on_off(step.to)} already before the stimulus")
    verdict = worst(r.verdict for r in settling.readings)
    how = "not as expected" if verdict is Verdict.FAIL else "perhaps late"
    return Unsteady(f"not at rest before the stimulus ({', '.join(wrong)} {how})", verdict)


def _stays(step: TimeStep, doing: Doing, note: str) -> bool:
    """Whether the new state stays, once contacts have had time to bounce."""
    bounce_s = max((relay.bounce_s for relay in doing.rig.panel.relays), default=0.0)
    doing.prover.wait(bounce_s + doing.rig.channels.slack_ns / NS, note)
    return not doing.prover.hold({step.of: step.to}, step.hold_s, note)


def _word(doing: Doing) -> int:
    last = doing.rig.sampler.last
    return 0 if last is None else last.word


def _edge(step: TimeStep, last_old: Shot, stamp: Stamp, doing: Doing, note: str) -> Edge[Shot] | None:
    """The last old sample and the first new one; two agreeing ones in a row on either side."""
    pattern = doing.rig.channels.pattern({step.of: step.to})
    shots, agreeing = [last_old], 0
    while agreeing < EDGE_AGREEING:
        shot = doing.prover.sample(note, flat_out=True)
        shots.append(shot)
        agreeing = agreeing + 1 if pattern.shown_by(shot.word) else 0
        if shot.sent_ns - stamp.received_ns > step.beyond_s * NS and not agreeing:
            return None
    return find_edge(shots, lambda one: pattern.shown_by(one.word), EDGE_AGREEING)


def _random_phase(doing: Doing) -> None:
    """Wait a random part of the poll period and the boards' scan, so that repeats lock to neither."""
    scan_s = max(b.poll_s + b.input_age_s + b.output_delay_s.high for b in doing.rig.bench.boards)
    clock = doing.rig.fittings.clock
    clock.sleep_until(clock.now_ns() + round(doing.phase.random() * max(scan_s, 0.005) * NS))


def _bounds(rig: Rig, tags: tuple[str, ...], stamp: Stamp, edge: Edge[Shot]) -> Bounds:
    """Bounds by what the bench file states; contacts of the panel may bounce before an input settles."""
    channels = [channel for tag in tags for channel in rig.channels.judging[tag]]
    boards = [rig.bench.board(channel.board) for channel in channels]
    driving = {output.board for output in rig.bench.outputs}
    delays = [board.output_delay_s for board in rig.bench.boards if board.name in driving] or [Span(0.0, 0.0)]
    try:
        return elapsed(
            (stamp.sent_ns, stamp.received_ns),
            last_old_sent_ns=edge.last_old.sent_ns,
            first_new_received_ns=edge.first_new.received_ns,
            output_delay_s=Span(min(d.low for d in delays), max(d.high for d in delays)),
            input_age_s=max(board.input_age_s for board in boards),
            filter_s=max(channel.filter_s for channel in channels),
            bounce_s=max((relay.bounce_s for relay in rig.panel.relays), default=0.0),
        )
    except ValueError as error:
        raise BenchUnsafe(
            f"bench {rig.bench.tag}: {', '.join(tags)} answered before the stimulus could have arrived; "
            "its contacts are quicker than the bench file's output delay says, or it moved by itself"
        ) from error


def _time_reading(
    of: str, bounds: Bounds, at_least_s: float | None, at_most_s: float | None, rule: Rule, note: str
) -> Reading:
    decision = judge_time([bounds], at_least_s=at_least_s, at_most_s=at_most_s, rule=rule)
    return Reading(
        of=of,
        quantity="time",
        unit="us",
        expected=_limits(at_least_s, at_most_s),
        read=f"{bounds.low_us / 1e3:.1f} to {bounds.high_us / 1e3:.1f} ms",
        verdict=decision.verdict,
        low_us=bounds.low_us,
        high_us=bounds.high_us,
        late_us=_off_limit(bounds, at_least_s, at_most_s) if decision.verdict is Verdict.FAIL else None,
        note="; ".join(filter(None, (note, _remedy(decision)))),
    )


def _remedy(decision: Decision) -> str:
    """What would settle an inconclusive time, or that the panel may be what is near its limit."""
    if decision.verdict is not Verdict.INCONCLUSIVE:
        return ""
    return f"{decision.reason.rpartition(': ')[2]}; or the panel is at its limit: time it another way"


def _off_limit(bounds: Bounds, at_least_s: float | None, at_most_s: float | None) -> int:
    """How late (> 0) or early (< 0) at the least, us."""
    if at_most_s is not None and bounds.low_us > at_most_s * 1e6:
        return round(bounds.low_us - at_most_s * 1e6)
    return round(bounds.high_us - (at_least_s or 0.0) * 1e6)


def _limits(at_least_s: float | None, at_most_s: float | None) -> str:
    parts = []
    if at_least_s is not None:
        parts.append(f"at least {at_least_s * 1e3:g} ms")
    if at_most_s is not None:
        parts.append(f"at most {at_most_s * 1e3:g} ms")
    return " and ".join(parts) or "measured, no limit"


def _no_time(step: TimeStep, read: str, note: str, verdict: Verdict = Verdict.FAIL) -> Reading:
    return Reading(
        of=step.of,
        quantity="time",
        unit="us",
        expected=_limits(step.at_least_s, step.at_most_s),
        read=read,
        verdict=verdict,
        note=note,
    )


def hold_step(step: HoldStep, doing: Doing) -> Readings:
    """Stay as it is; states must be there and stay."""
    doing.prover.watch(step.never)
    stamp = doing.rig.move(step.positions)
    return settle_and_hold(doing, step.states, stamp, 0.1, step.hold_s, "")


def cycle_step(step: CycleStep, doing: Doing) -> Readings:
    """Go round the rows, every state judged. Readings: those of the first round and every wrong one."""
    doing.prover.watch(step.never)
    kept: list[Reading] = []
    for number in range(1, step.times + 1):
        for positions, states in step.rows:
            stamp = doing.rig.move(positions)
            note = f"round {number} of {step.times}, {_moved(positions, doing.rig)}"
            readings = settle_and_hold(doing, states, stamp, step.settle_s, step.hold_s, note)
            kept += [r for r in readings if number == 1 or r.verdict is not Verdict.PASS]
    return tuple(kept)


def _moved(positions: dict[str, str], rig: Rig) -> str:
    rest = rig.panel.rest
    return ", ".join(f"{tag} {place}" for tag, place in positions.items() if place != rest[tag]) or "at rest"


def _merge(readings: Readings, flickers: Readings) -> Readings:
    """A flicker takes the place of its tag's settled reading."""
    left = {reading.of: reading for reading in flickers}
    return tuple(left.get(reading.of, reading) for reading in readings)
