"""What a run of this sequence on this bench cannot prove, found from the files themselves.

It is said with every result, beside what the panel and the sequence list by hand. Each line is plain text
for a fitter; nothing here is a problem of the files.
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.bench.parts import Bench
from harness.panel.parts import Coil, Panel
from harness.panel.table_file import TruthTable
from harness.sequence.steps import CycleStep, HoldStep, Sequence, SetStep, Step, StopStep, TimeStep

ROWS_NAMED = 6


def unproved(sequence: Sequence, panel: Panel, bench: Bench, table: TruthTable | None) -> tuple[str, ...]:
    """One line for each thing that a pass of this run would not mean."""
    return (
        *_stops(sequence, panel),
        *_rows_left_out(sequence, panel, table),
        *_times_without_limit(sequence),
        *_stops_by_hand(sequence, bench),
        *_late_timers(sequence, panel),
        *_supply(sequence, panel),
        *_voltage(panel, bench),
        *_windings(bench),
        *_weak_feeds(panel, bench),
        *_coils_for_relays(panel, bench),
        *_beyond_the_bench(panel, bench),
        *_contactor(bench),
    )


def _stops(sequence: Sequence, panel: Panel) -> Iterator[str]:
    if panel.stopped and not any(isinstance(step, StopStep) for step in sequence.steps):
        yield "Any stop: this sequence has no stop row."


def _rows_left_out(sequence: Sequence, panel: Panel, table: TruthTable | None) -> Iterator[str]:
    if table is None:
        return
    seen = [panel.rest, *(positions for step in sequence.steps for positions in _judged_at(step))]
    left = [row.name for row in table.rows if row.positions not in seen]
    if left:
        named = ", ".join(left[:ROWS_NAMED]) + (", ..." if len(left) > ROWS_NAMED else "")
        yield f"{len(left)} of {len(table.rows)} rows of the truth table, which it does not run: {named}."


def _judged_at(step: Step) -> list[dict[str, str]]:
    match step:
        case SetStep() | HoldStep():
            return [step.positions]
        case StopStep():
            return [step.running, step.demand]
        case CycleStep():
            return [positions for positions, _ in step.rows]
    return []


def _times_without_limit(sequence: Sequence) -> Iterator[str]:
    free = [
        step.title
        for step in sequence.steps
        if isinstance(step, TimeStep) and step.at_least_s is None and step.at_most_s is None
    ]
    if free:
        yield f"Anything by the times measured without a limit: {'; '.join(free)}."


def _stops_by_hand(sequence: Sequence, bench: Bench) -> Iterator[str]:
    by_hand = set(bench.hand_set)
    stops = [step for step in sequence.steps if isinstance(step, StopStep)]
    tags = [tag for s in stops for tag in s.demand if s.demand[tag] != s.running[tag] and tag in by_hand]
    if tags and not bench.simulated:
        yield f"How soon {', '.join(dict.fromkeys(tags))} stops the engine: a person sets it."


def _late_timers(sequence: Sequence, panel: Panel) -> Iterator[str]:
    """Time-delay relays that may act after a step has been judged and left."""
    holds = [s.hold_s for s in sequence.steps if isinstance(s, SetStep | StopStep | CycleStep | HoldStep)]
    late = [r for r in panel.relays if holds and r.delay_s.high > min(holds)]
    if late:
        named = ", ".join(f"{relay.tag} (up to {relay.delay_s.high:g} s)" for relay in late)
        yield f"What a time-delay relay does after a step's hold has ended: {named}."


def _supply(sequence: Sequence, panel: Panel) -> Iterator[str]:
    """Each supply level that no step sets."""
    for supply in panel.supplies:
        set_to = {p.get(supply.tag) for step in sequence.steps for p in _judged_at(step)}
        missing = [f"{volts:g} V" for level, volts in supply.levels.items() if level not in set_to | {None}]
        if missing:
            yield f"Behaviour with supply {supply.tag} at {' and '.join(missing)}."


def _voltage(panel: Panel, bench: Bench) -> Iterator[str]:
    """Each supply whose voltage nobody sets and nothing measures."""
    known = {*bench.hand_set, *(measure.of for measure in bench.measures)}
    for supply in panel.supplies:
        if supply.tag not in known:
            yield f"The voltage of supply {supply.tag}: nobody is asked to set it, nothing measures it."


def _windings(bench: Bench) -> Iterator[str]:
    tags = [channel.watches for channel in bench.inputs if channel.proves != "contact"]
    if tags:
        named = ", ".join(dict.fromkeys(tags))
        yield f"The windings of {named}: an open one has voltage too; measure cold resistances first."


def _weak_feeds(panel: Panel, bench: Bench) -> Iterator[str]:
    """An input that still reads on below the pick-up voltage does not see a feed that is too weak.

    At switch-on the whole supply stands across a coil, whatever lies in series with it, and turns the input
    on; from then on only its off threshold counts.
    """
    coils = _coils(panel)
    weak: dict[str, list[str]] = {}
    for channel in bench.inputs:
        coil = coils.get(channel.watches)
        if channel.proves != "contact" and coil is not None and channel.off_v < coil.pick_up_v:
            limits = f"reads on down to {channel.off_v:g} V, picks up at {coil.pick_up_v:g} V"
            weak.setdefault(limits, []).append(channel.watches)
    if weak:
        named = "; ".join(f"{', '.join(tags)} ({limits})" for limits, tags in weak.items())
        yield f"That no feed is too weak, by a burnt contact for example: {named}."


def _coils(panel: Panel) -> dict[str, Coil]:
    loads = {load.tag: load.coil for load in panel.loads}
    return loads | {relay.tag: relay.coils[0] for relay in panel.relays}


def _coils_for_relays(panel: Panel, bench: Bench) -> Iterator[str]:
    by_contact = {channel.watches for channel in bench.inputs if channel.proves == "contact"}
    by_coil = {channel.watches for channel in bench.inputs if channel.proves == "coil"}
    only = [relay.tag for relay in panel.relays if relay.tag in by_coil - by_contact]
    if only:
        yield f"That the armatures of {', '.join(only)} move: only the voltage at their coils is seen."


def _beyond_the_bench(panel: Panel, bench: Bench) -> Iterator[str]:
    """Wires between a device's own terminals and those where an output stands in for it."""
    ends = {(d.tag, c.name): set(c.terminals) for d in panel.devices for c in d.contacts}
    stood_in = {o.imitates[0] for o in bench.outputs if ends.get(o.imitates, set()) - set(o.terminals)}
    if stood_in:
        names = ", ".join(device.tag for device in panel.devices if device.tag in stood_in)
        yield f"The wires from the bench's terminals to {names}: the bench stands in their place."


def _contactor(bench: Bench) -> Iterator[str]:
    if bench.contactor is None:
        yield "That the supply goes off at the end: the bench has no contactor for it."
