"""Review of steps against the rules of panel and bench: forbidden positions, time on, what a stop shows."""

from __future__ import annotations

from collections.abc import Iterator

from harness.errors import Problem
from harness.panel.stop_patterns import rules_out_stop, shows_stop, states_differ, states_words, stop_words
from harness.sequence.files import LoadedSequence
from harness.sequence.reached import positions_reached
from harness.sequence.steps import CycleStep, States, Step, StopStep, TimeStep
from harness.units import TIME, show


def forbidden(loaded: LoadedSequence) -> Iterator[Problem]:
    """Steps at a combination of positions that the bench file forbids."""
    for combination in loaded.bench.forbidden:
        words = " with ".join(f"{tag} {position}" for tag, position in combination.items())
        message = f"{words}: bench {loaded.bench.tag} forbids this combination"
        for positions, path in positions_reached(loaded.sequence):
            if all(positions.get(tag) == position for tag, position in combination.items()):
                yield loaded.source.problem(path, message)


def too_long_on(loaded: LoadedSequence) -> Iterator[Problem]:
    """Steps that hold a load on for longer than the bench file allows it. Steps in a row are not added up."""
    for step in loaded.sequence.steps:
        for states, hold_s in _held(step):
            for tag, longest_s in loaded.bench.longest_on_s.items():
                if states.get(tag) and hold_s > longest_s:
                    message = f"holds {tag} on for {show(hold_s, TIME)}; bench {loaded.bench.tag} allows "
                    yield loaded.source.problem(step.path, message + show(longest_s, TIME))


def timed_by_hand(loaded: LoadedSequence) -> Iterator[Problem]:
    """Times from something that a person sets: nobody knows when that was."""
    by_hand = set(loaded.bench.hand_set)
    for step in loaded.sequence.steps:
        if isinstance(step, TimeStep):
            moved = [tag for tag in step.end if step.end[tag] != step.start[tag] and tag in by_hand]
            if moved:
                message = (
                    f"a time from {', '.join(moved)}, which a person sets; time from what an output moves"
                )
                yield loaded.source.problem(step.path, message)


def unwatched_limits(loaded: LoadedSequence) -> Iterator[Problem]:
    """Longest on-times of what no input watches: nothing could hold the run to them."""
    watched = {channel.watches for channel in loaded.bench.inputs}
    for tag in loaded.bench.longest_on_s:
        if tag in loaded.panel.outputs and tag not in watched:
            message = f"no input watches {tag}, so its longest on-time cannot be kept; map one to it"
            yield loaded.bench_source.problem(("longest on", tag), message, key=True)


def _held(step: Step) -> tuple[tuple[States, float], ...]:
    if isinstance(step, TimeStep):
        return ()
    if isinstance(step, StopStep):
        return ((step.stopped, step.hold_s),)
    if isinstance(step, CycleStep):
        return tuple((states, step.hold_s) for _, states in step.rows)
    return ((step.states, step.hold_s),)


def stops(loaded: LoadedSequence) -> Iterator[Problem]:
    """A stop step starts from a state that is not stopped, and ends in all of one way to stop."""
    stopped = loaded.panel.stopped
    for step in loaded.sequence.steps:
        if not isinstance(step, StopStep):
            continue
        if not stopped:
            if not states_differ(step.running_states, step.stopped):
                message = f"the running state shows all of the stop already ({states_words(step.stopped)}), "
                yield loaded.source.problem(step.path, message + "so no stop is proved")
            continue
        if not shows_stop(step.stopped, stopped):
            message = f"expects {states_words(step.stopped)}; stopped means {stop_words(stopped)}"
            yield loaded.source.problem(step.path, message)
        if not rules_out_stop(step.running_states, stopped):
            message = f"the running state ({states_words(step.running_states)}) does not differ from stopped "
            yield loaded.source.problem(step.path, message + f"({stop_words(stopped)}), so no stop is proved")


def approval(loaded: LoadedSequence) -> Iterator[Problem]:
    """On a real panel, states derived from its own circuit need a second person's approval."""
    sequence = loaded.sequence
    if (
        sequence.expected_from == "panel"
        and not loaded.bench.simulated
        and not sequence.approved_by_second_person
    ):
        message = (
            "states derived from the panel's own circuit count on a real bench only once a second person has "
            "checked them; then add 'approved by second person: true', or name a table"
        )
        yield loaded.source.problem(("expected",), message)
