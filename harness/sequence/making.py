"""One entry of a sequence file to its steps: positions completed, states looked up, defaults filled in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from harness.panel.parts import Panel
from harness.panel.stop_patterns import rules_out_stop, shows_stop, stop_words
from harness.panel.table_file import TableRow
from harness.sequence.expected import Expected, Found, position_words
from harness.sequence.file_shape import (
    CycleShape,
    HoldShape,
    RowsShape,
    SequenceShape,
    SetShape,
    StateMap,
    StepShape,
    StopShape,
    TimeShape,
)
from harness.sequence.naming import Naming
from harness.sequence.steps import (
    CycleStep,
    HoldStep,
    Positions,
    SetStep,
    States,
    Step,
    StopStep,
    TimeStep,
    Watch,
)
from harness.source import KeyPath
from harness.wording import quoted

MAX_REPEATS = 1000
MAX_ROUNDS = 100_000
Entry = SetShape | RowsShape | StopShape | TimeShape | HoldShape | CycleShape


class Wrong(Exception):
    """The entry cannot be made into a step; the problem is noted already."""


@dataclass(frozen=True, slots=True)
class At:
    """Where an entry stands: its place in the file, and what the loops round it set."""

    path: KeyPath
    given: Positions

    def key(self, *keys: str | int) -> KeyPath:
        return (*self.path, *keys)


@dataclass(frozen=True, slots=True)
class Left:
    """How the step before leaves the panel. `states` is None where the entry before was wrong."""

    positions: Positions
    states: States | None


class Maker:
    """Makes steps one after the other, remembering how each leaves the panel."""

    def __init__(
        self, shape: SequenceShape, panel: Panel, expected: Expected, naming: Naming, rest: States
    ) -> None:
        self._shape = shape
        self._panel = panel
        self._expected = expected
        self._naming = naming
        self._left = Left(panel.rest, rest)
        self._before = 0
        self.never: tuple[Watch, ...] = naming.watches(("never",), shape.never)

    def make(self, entry: Entry, at: At) -> list[Step]:
        """The steps of one entry; none where a problem was added."""
        self._before = len(self._naming.problems.found)
        try:
            steps = self._steps(entry, at)
        except Wrong:
            steps = []
        if len(self._naming.problems.found) > self._before:
            self._left = replace(self._left, states=None)
            return []
        return steps

    def _steps(self, entry: Entry, at: At) -> list[Step]:
        match entry:
            case SetShape():
                return [self._set(entry, at)]
            case RowsShape():
                return self._rows(entry, at)
            case StopShape():
                return [self._stop(entry, at)]
            case TimeShape():
                return [self._time(entry, at)]
            case HoldShape():
                return [self._hold(entry, at)]
            case CycleShape():
                return [self._cycle(entry, at)]

    def _wrong(self, path: KeyPath, message: str, *, key: bool = False) -> Wrong:
        self._naming.problems.add(path, message, key=key)
        return Wrong()

    def _watches(self, entry: StepShape, at: At) -> tuple[Watch, ...]:
        return self.never + self._naming.watches(at.key("never"), entry.never)

    def _placed(self, at: At, path: KeyPath, written: Mapping[str, str]) -> Positions:
        return self._panel.rest | at.given | self._naming.positions(path, written)

    def _stated(self, path: KeyPath, written: StateMap) -> States:
        return self._proving(self._naming.states(path, written), path)

    def _proving(self, states: States, path: KeyPath) -> States:
        if not states:
            raise self._wrong(
                path, "expects no state, so it would prove nothing; state on or off for a relay or load"
            )
        return states

    def _found(self, positions: Positions, path: KeyPath) -> Found:
        """Expected states at `positions`; a problem at `path` where there are none."""
        if len(self._naming.problems.found) > self._before:
            raise Wrong  # a misnamed position: looking up the rest of them would only confuse
        found = self._expected.at(positions)
        if found is None:
            raise self._wrong(path, self._expected.missing(positions))
        self._proving(found.states, path)
        return found

    def _row(self, path: KeyPath, name: str) -> TableRow:
        row = self._naming.row(path, name, self._expected.table)
        if row is None:
            raise Wrong
        return row

    def _refuse_loops_over_devices(self, at: At) -> None:
        """Loops round rows may set supplies, and nothing else."""
        supplies = {supply.tag for supply in self._panel.supplies}
        for tag in at.given:
            if tag not in supplies:
                text = f"rows have a position of {tag} of their own; round rows, 'each' can set supplies only"
                raise self._wrong(at.path, text)

    def _at_level(self, row: TableRow, at: At) -> Positions:
        """Positions of a row, with the supplies that the row leaves at rest as loops round it say."""
        rest = self._panel.rest
        levels = {
            supply.tag: at.given[supply.tag]
            for supply in self._panel.supplies
            if supply.tag in at.given and row.positions[supply.tag] == rest[supply.tag]
        }
        return row.positions | levels

    def _words(self, positions: Positions) -> str:
        return position_words(self._panel, positions)

    def _set(self, entry: SetShape, at: At) -> SetStep:
        watches = self._watches(entry, at)
        positions = self._placed(at, at.key("set"), entry.set)
        if entry.expect is not None:
            states = self._stated(at.key("expect"), entry.expect)
        else:
            found = self._found(positions, at.key("set"))
            states = found.states
            self._refuse_unproved_stop(found, at)
        self._left = Left(positions, states)
        return SetStep(
            title=entry.title or f"Set {self._words(positions)}",
            path=at.path,
            never=watches,
            positions=positions,
            states=states,
            settle_s=entry.settle or self._shape.settle,
            hold_s=self._shape.hold if entry.hold is None else entry.hold,
        )

    def _refuse_unproved_stop(self, found: Found, at: At) -> None:
        """A stop that is looked up counts only from a running state, which the step before has to show."""
        stopped, before = self._panel.stopped, self._left.states
        if before is None or not shows_stop(found.states, stopped):
            return
        said_by_hand = found.row is not None and not found.row.stop_from
        if not said_by_hand and not rules_out_stop(before, stopped):
            raise self._wrong(
                at.key("set"),
                f"a stop ({stop_words(stopped)}) that the step before does not show running; write it as "
                "'stop: {from: ..., demand: ...}', or state what is expected here",
            )

    def _rows(self, entry: RowsShape, at: At) -> list[Step]:
        self._refuse_loops_over_devices(at)
        table = self._expected.table
        if entry.rows == "all" and table is not None:
            return [self._row_step(row, entry, at) for row in table.rows]
        names = ("",) if isinstance(entry.rows, str) else entry.rows
        rows = [self._naming.row(at.key("rows", index), name, table) for index, name in enumerate(names)]
        return [self._row_step(row, entry, at) for row in rows if row is not None]

    def _row_step(self, row: TableRow, entry: RowsShape, at: At) -> Step:
        title = f"{entry.title}: {row.name}" if entry.title else row.name
        positions, watches = self._at_level(row, at), self._watches(entry, at)
        settle_s = entry.settle or self._shape.settle
        hold_s = self._shape.hold if entry.hold is None else entry.hold
        if not row.stop_from:
            self._left = Left(positions, row.states)
            return SetStep(
                title=title,
                path=at.path,
                never=watches,
                positions=positions,
                states=row.states,
                settle_s=settle_s,
                hold_s=hold_s,
            )
        table = self._expected.table
        assert table is not None
        running, after = table.row(row.stop_from), table.row(row.after)
        self._left = Left(self._at_level(running, at), after.states)
        return StopStep(
            title=title,
            path=at.path,
            never=watches,
            running=self._at_level(running, at),
            running_states=running.states,
            demand=positions,
            stopped=row.states,
            within_s=entry.within or self._shape.within,
            hold_s=hold_s,
            settle_s=settle_s,
            after=after.states,
        )

    def _stop(self, entry: StopShape, at: At) -> StopStep:
        body, path = entry.stop, at.key("stop")
        watches = self._watches(entry, at)
        demanded = self._naming.positions((*path, "demand"), body.demand)
        stated = {
            key: self._stated((*path, key), written)
            for key, written in (("running", body.running), ("stopped", body.stopped), ("after", body.after))
            if written is not None
        }
        running, running_states = self._running(entry, at, stated.get("running"))
        demand = running | at.given | demanded
        if demand == running:
            raise self._wrong(
                (*path, "demand"), "a demand that changes nothing; name the device that demands the stop"
            )
        found = None if {"stopped", "after"} <= stated.keys() else self._expected.at(demand)
        stopped = stated.get("stopped") or self._found(demand, (*path, "demand")).states
        after = stated.get("after") or self._after(found, running) or running_states
        self._left = Left(running, after)
        return StopStep(
            title=entry.title or f"Stop by {self._words(demanded)} from {self._words(running)}",
            path=at.path,
            never=watches,
            running=running,
            running_states=running_states,
            demand=demand,
            stopped=stopped,
            within_s=body.within or self._shape.within,
            hold_s=body.hold or self._shape.hold,
            settle_s=entry.settle or self._shape.settle,
            after=after,
        )

    def _running(self, entry: StopShape, at: At, stated: States | None) -> tuple[Positions, States]:
        body, path = entry.stop, at.key("stop", "from")
        if body.from_ is None:
            raise self._wrong(
                at.key("stop"),
                "a stop row names the running state that it comes from; add 'from' with the name of a row, "
                "or with positions such as {S2: idle}",
                key=True,
            )
        if isinstance(body.from_, str):
            row = self._row(path, body.from_)
            if row.stop_from:
                raise self._wrong(
                    path, f"row {quoted(row.name)} is a stop row itself; name a row of a running state"
                )
            return self._at_level(row, at), stated or row.states
        positions = self._placed(at, path, body.from_)
        return positions, stated or self._found(positions, path).states

    def _after(self, found: Found | None, running: Positions) -> States | None:
        """What follows the release, where the table's stop row comes from the same running positions."""
        table = self._expected.table
        if table is None or found is None or found.row is None or not found.row.stop_from:
            return None
        same = table.row(found.row.stop_from).positions == running
        return table.row(found.row.after).states if same else None

    def _time(self, entry: TimeShape, at: At) -> TimeStep:
        body, path = entry.time, at.key("time")
        watches = self._watches(entry, at)
        start = self._placed(at, (*path, "start"), body.start)
        end = self._placed(at, (*path, "end"), body.end)
        self._naming.output((*path, "of"), body.of)
        if not 1 <= body.repeats <= MAX_REPEATS:
            self._wrong((*path, "repeats"), f"{body.repeats} repeats; expected 1 to {MAX_REPEATS}")
        if body.at_least is not None and body.at_most is not None and body.at_least > body.at_most:
            self._wrong(
                (*path, "at least"), "'at least' is longer than 'at most', so that no time would pass"
            )
        if start == end:
            raise self._wrong(
                (*path, "end"), "the same positions as at the start, so that nothing would move"
            )
        to = body.to == "on"
        self._refuse_no_edge(path, body.of, {"start": (start, not to), "end": (end, to)})
        settle_s = entry.settle or self._shape.settle
        self._left = Left(end, self._states_after(end, {body.of: to}))
        return TimeStep(
            title=entry.title or f"Time until {body.of} is {body.to}: {self._words(end)}",
            path=at.path,
            never=watches,
            start=start,
            end=end,
            of=body.of,
            to=to,
            repeats=body.repeats,
            at_least_s=body.at_least,
            at_most_s=body.at_most,
            settle_s=settle_s,
            beyond_s=(body.at_most or body.at_least or 0.0) + settle_s,
            start_states=self._states_after(start, {body.of: not to}),
            hold_s=self._shape.hold,
        )

    def _refuse_no_edge(self, path: KeyPath, of: str, ends: dict[str, tuple[Positions, bool]]) -> None:
        """Where expected states are known at an end, they must allow the edge."""
        if len(self._naming.problems.found) > self._before:
            raise Wrong
        for key, (positions, needed) in ends.items():
            found = self._expected.at(positions)
            if found is not None and found.states.get(of, needed) is not needed:
                word = "off" if needed else "on"
                self._wrong(
                    (*path, key),
                    f"{of} is expected {word} at these positions, so that there would be no such edge",
                )

    def _states_after(self, positions: Positions, known: States) -> States:
        found = self._expected.at(positions)
        return (found.states if found else {}) | known

    def _hold(self, entry: HoldShape, at: At) -> HoldStep:
        watches = self._watches(entry, at)
        if entry.expect is not None:
            states = self._stated(at.key("expect"), entry.expect)
        elif self._left.states is None:
            raise Wrong  # the step before is wrong; what it would have left is not known
        else:
            states = self._left.states
        self._left = Left(self._left.positions, states)
        return HoldStep(
            title=entry.title or f"Hold at {self._words(self._left.positions)}",
            path=at.path,
            never=watches,
            positions=self._left.positions,
            states=states,
            hold_s=entry.hold,
        )

    def _cycle(self, entry: CycleShape, at: At) -> CycleStep:
        self._refuse_loops_over_devices(at)
        watches = self._watches(entry, at)
        table = self._expected.table
        named = [
            self._naming.row(at.key("cycle", index), name, table) for index, name in enumerate(entry.cycle)
        ]
        rows = tuple((self._at_level(row, at), row.states) for row in named if row is not None)
        if not 1 <= entry.times <= MAX_ROUNDS:
            self._wrong(at.key("times"), f"{entry.times} rounds; expected 1 to {MAX_ROUNDS}")
        if rows:
            self._left = Left(*rows[-1])
        return CycleStep(
            title=entry.title or f"Cycle of {len(rows)} rows, {entry.times} times",
            path=at.path,
            never=watches,
            rows=rows,
            times=entry.times,
            settle_s=entry.settle or self._shape.settle,
            hold_s=self._shape.hold if entry.hold is None else entry.hold,
        )
