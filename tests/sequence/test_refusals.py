"""Sequence files that are refused: the whole message, at the mark."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sequence_files import HEAD, MARK, PANEL, TABLE, changed, marked, write_files

from harness.errors import FileError
from harness.sequence.files import load_sequence

M = MARK


def problems_of(path: Path) -> list[str]:
    with pytest.raises(FileError) as caught:
        load_sequence(path)
    return [str(problem).replace(f"{path.parent}/", "") for problem in caught.value.problems]


def steps(*entries: str) -> str:
    return "steps:\n" + "".join(f"  - {entry}\n" for entry in entries)


NO_FROM = (
    "a stop row names the running state that it comes from; add 'from' with the name of a row, "
    "or with positions such as {S2: idle}"
)
UNPROVED = (
    "a stop (Y4 on and Y1 off) that the step before does not show running; write it as "
    "'stop: {from: ..., demand: ...}', or state what is expected here"
)
NO_ROW = (
    "no row of xs-1.table.csv is at S1 pressed, S2 2 (nearest: 'notch 2', with S1 released); "
    "add a row, or state what is expected here"
)
NO_STATE = "expects no state, so it would prove nothing; state on or off for a relay or load"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        pytest.param(
            f"steps: {M}[]\n",
            "steps: no steps, so nothing would be proved; expected at least one",
            id="no steps",
        ),
        pytest.param(f"{M}stepz: []\n", "unknown key 'stepz'; did you mean steps?", id="steps misspelt"),
        pytest.param(
            steps(f"{M}title: x"),
            "steps: a step that does nothing; expected one of set, rows, stop, time, cycle, each, hold",
            id="step without a kind",
        ),
        pytest.param(
            steps(f"{M}{{set: {{}}, stop: {{}}}}"),
            "steps: a step with set and stop; expected one of them, make it two steps",
            id="step of two kinds",
        ),
        pytest.param(
            steps(f"{{set: {{}}, {M}expct: {{Y4: on}}}}"),
            "unknown key 'expct'; did you mean expect?",
            id="unknown key in a step",
        ),
        pytest.param(
            steps(f"set: {{{M}S11: pressed}}"),
            "'S11' is no device, breaker or supply of XS-1; did you mean S1?",
            id="device misspelt",
        ),
        pytest.param(
            steps(f"set: {{{M}Z: pressed}}"),
            "'Z' is no device, breaker or supply of XS-1; it has S1, S2, F1, main",
            id="nothing near",
        ),
        pytest.param(
            steps(f"set: {{{M}K1: on}}"),
            "K1 is a relay or load; only devices, breakers and supplies can be set",
            id="setting a relay",
        ),
        pytest.param(
            steps(f"set: {{S1: {M}presed}}"),
            "'presed' is no position of S1; expected released or pressed; did you mean pressed?",
            id="position misspelt",
        ),
        pytest.param(
            steps(f"{{set: {{}}, expect: {{{M}Y44: off}}}}"),
            "'Y44' is no relay or load of XS-1; did you mean Y4?",
            id="output misspelt",
        ),
        pytest.param(
            steps(f"{{set: {{}}, expect: {{Y4: {M}yes}}}}"),
            "Y4: found 'yes'; expected on, off or either",
            id="yes is no state",
        ),
        pytest.param(steps(f"{{set: {{}}, expect: {M}{{}}}}"), NO_STATE, id="expects nothing"),
        pytest.param(steps(f"{{set: {{}}, expect: {M}{{Y4: either}}}}"), NO_STATE, id="expects either"),
        pytest.param(
            steps(f"set: {M}{{S1: pressed, S2: 2}}", "hold: 1 s"), NO_ROW, id="no row at these positions"
        ),
        pytest.param(
            steps("{set: {S1: pressed}, expect: {Y4: on}}", f"set: {M}{{S1: pressed}}"),
            UNPROVED,
            id="stop looked up after a state that is not running",
        ),
        pytest.param(
            steps(f"rows: [idle, {M}noch 1]"),
            "no row 'noch 1' in xs-1.table.csv; did you mean notch 1?",
            id="row misspelt",
        ),
        pytest.param(
            steps(f"rows: {M}[idle, idle]"), "rows: 'idle' stands in the list twice", id="row listed twice"
        ),
        pytest.param(
            steps(f"{M}stop: {{demand: {{S1: pressed}}}}"), NO_FROM, id="stop without running state"
        ),
        pytest.param(
            steps(f"stop: {{from: {M}[idle], demand: {{S1: pressed}}}}"),
            "from: found a list; expected the name of a row, or positions such as {S2: idle}",
            id="from a list",
        ),
        pytest.param(
            steps(f"stop: {{from: {M}notch 11, demand: {{S1: pressed}}}}"),
            "no row 'notch 11' in xs-1.table.csv; did you mean notch 1?",
            id="from an unknown row",
        ),
        pytest.param(
            steps(f"stop: {{from: {M}button at idle, demand: {{S2: 1}}}}"),
            "row 'button at idle' is a stop row itself; name a row of a running state",
            id="from a stop row",
        ),
        pytest.param(
            steps(f"stop: {{from: idle, demand: {M}{{}}}}"),
            "a demand that changes nothing; name the device that demands the stop",
            id="no demand",
        ),
        pytest.param(
            steps(f"stop: {{from: notch 2, demand: {M}{{S1: pressed}}}}"), NO_ROW, id="stop without a row"
        ),
        pytest.param(
            steps(f"stop: {{from: notch 1, demand: {{S1: pressed}}, stopped: {M}{{Y4: either}}}}"),
            NO_STATE,
            id="stop that states nothing",
        ),
        pytest.param(
            steps(f"time: {{start: {{}}, end: {M}{{S1: released}}, of: Y4, to: on}}"),
            "the same positions as at the start, so that nothing would move",
            id="time without a move",
        ),
        pytest.param(
            steps(f"time: {{start: {{}}, end: {{S1: pressed}}, of: {M}Y44, to: on}}"),
            "'Y44' is no relay or load of XS-1; did you mean Y4?",
            id="time of nothing",
        ),
        pytest.param(
            steps(f"time: {{start: {M}{{S1: pressed}}, end: {{S1: pressed, S2: 1}}, of: Y4, to: on}}"),
            "Y4 is expected on at these positions, so that there would be no such edge",
            id="on at the start already",
        ),
        pytest.param(
            steps(f"time: {{start: {{}}, end: {M}{{S2: 1}}, of: Y4, to: on}}"),
            "Y4 is expected off at these positions, so that there would be no such edge",
            id="never on at the end",
        ),
        pytest.param(
            steps(f"time: {{start: {{}}, end: {{S2: 1}}, of: K1, to: on, at least: {M}2 s, at most: 1 s}}"),
            "'at least' is longer than 'at most', so that no time would pass",
            id="limits exchanged",
        ),
        pytest.param(
            steps(f"time: {{start: {{}}, end: {{S2: 1}}, of: K1, to: on, repeats: {M}0}}"),
            "0 repeats; expected 1 to 1000",
            id="no repeats",
        ),
        pytest.param(
            steps(f"time: {{start: {{}}, end: {{S2: 1}}, of: K1, to: on, at most: {M}120}}"),
            "at most: '120' has no unit; expected a time such as '20 ms'",
            id="limit without unit",
        ),
        pytest.param(
            steps(f"hold: {M}0 s"), "hold: '0 s' is zero; expected a time such as '20 ms'", id="hold 0"
        ),
        pytest.param(
            steps(f"{{cycle: {M}[idle], times: 3}}"),
            "cycle: a cycle needs at least two rows to go round",
            id="cycle of one",
        ),
        pytest.param(
            steps(f"{{cycle: [idle, notch 1], times: {M}0}}"),
            "0 rounds; expected 1 to 100000",
            id="no rounds",
        ),
        pytest.param(
            steps(f"{{cycle: [idle, {M}notch1], times: 3}}"),
            "no row 'notch1' in xs-1.table.csv; did you mean notch 1?",
            id="cycle through an unknown row",
        ),
        pytest.param(
            steps(f"{{each: {{{M}S22: [a]}}, steps: [set: {{}}]}}"),
            "'S22' is no device, breaker or supply of XS-1; did you mean S2?",
            id="loop over no device",
        ),
        pytest.param(
            steps(f"{{each: {{S2: [idle, {M}one]}}, steps: [set: {{}}]}}"),
            "'one' is no position of S2; expected idle, 1 or 2",
            id="loop over no position",
        ),
        pytest.param(
            steps(f"{{each: {{S2: [1]}}, steps: {M}[]}}"),
            "steps: no steps, so nothing would be proved; expected at least one",
            id="loop round nothing",
        ),
        pytest.param(
            steps(f"{{each: {{S2: [1]}}, steps: [{M}rows: [idle]]}}"),
            "rows have a position of S2 of their own; round rows, 'each' can set supplies only",
            id="loop over a device round rows",
        ),
        pytest.param(
            steps(f"{{set: {{}}, never: [{{states: {M}{{Y4: either}}}}]}}"),
            "watches nothing; expected on or off for a relay or load",
            id="watch of nothing",
        ),
        pytest.param(
            f"rest: {M}{{Y4: either}}\n" + steps("rows: all"),
            "no expected states with everything at rest (row 0); add such a row, or 'rest: {...}'",
            id="row 0 states nothing",
        ),
    ],
)
def test_refuses_at_the_mark(tmp_path: Path, text: str, message: str) -> None:
    text, place = marked(HEAD + text)
    path = write_files(tmp_path, text, head="")
    assert problems_of(path) == [f"xs-1.sequence.yaml:{place}: {message}"]


@pytest.mark.parametrize(
    ("head", "message"),
    [
        pytest.param(
            changed(HEAD, ("xs-1.panel.yaml", f"{M}xs-1.panel.yml")),
            "xs-1.panel.yml: no such file; did you mean xs-1.panel.yaml?",
            id="panel misspelt",
        ),
        pytest.param(
            changed(HEAD, ("xs-1.bench.yaml", f"{M}missing.yaml")),
            "missing.yaml: no such file",
            id="no bench",
        ),
        pytest.param(
            changed(HEAD, ("xs-1.table.csv", f"{M}xs-1.table.cvs")),
            "xs-1.table.cvs: no such file; did you mean xs-1.table.csv?",
            id="table misspelt",
        ),
        pytest.param(
            changed(HEAD, ("{table: xs-1.table.csv}", f"{M}{{}}")),
            "expected: expected either {table: FILE.table.csv} or {from: panel}",
            id="expected says nothing",
        ),
        pytest.param(
            changed(HEAD, ("{table: xs-1.table.csv}", f"{M}{{table: xs-1.table.csv, from: panel}}")),
            "expected: expected either {table: FILE.table.csv} or {from: panel}",
            id="expected says both",
        ),
    ],
)
def test_refuses_heads_at_the_mark(tmp_path: Path, head: str, message: str) -> None:
    text, place = marked(head + steps("rows: all"))
    path = write_files(tmp_path, text, head="")
    assert problems_of(path)[0].startswith(f"xs-1.sequence.yaml:{place}: {message}")


def test_rows_need_a_table(tmp_path: Path) -> None:
    head = changed(HEAD, ("{table: xs-1.table.csv}", "{from: panel}"))
    path = write_files(tmp_path, steps("rows: all", "rows: [idle]"), head=head)
    message = "no table to take rows from; expected states come from the panel, so write positions"
    assert problems_of(path) == [f"xs-1.sequence.yaml:7:11: {message}", f"xs-1.sequence.yaml:8:12: {message}"]


def test_row_zero_needs_a_row_at_rest(tmp_path: Path) -> None:
    table = TABLE.replace("idle,,,,off,off,off,\n", "").replace("off,off,on,idle", "off,off,on,notch 1")
    message = "no expected states with everything at rest (row 0); add such a row, or 'rest: {...}'"
    path = write_files(tmp_path, steps("rows: all"), table=table)
    assert problems_of(path) == [f"xs-1.sequence.yaml:5:11: {message}"]


def test_all_problems_are_reported_at_once(tmp_path: Path) -> None:
    text = steps("set: {S1: up}", "rows: [nothing]", "stop: {demand: {}}", "{set: {}, expect: {Q1: on}}")
    assert [line.split(": ")[0] for line in problems_of(write_files(tmp_path, text))] == [
        "xs-1.sequence.yaml:7:15",
        "xs-1.sequence.yaml:8:12",
        "xs-1.sequence.yaml:9:5",
        "xs-1.sequence.yaml:10:24",
    ]


MANY = "[" + ", ".join(f"p{k}" for k in range(30)) + "]"


def many_positions(count: int) -> str:
    devices = "".join(
        f"  S{k}: {{positions: {MANY}, contacts: {{1-2: {{closed in: [p1]}}}}}}\n"
        for k in range(10, 10 + count)
    )
    return changed(PANEL, ("breakers:\n", devices + "breakers:\n"))


@pytest.mark.parametrize(
    "count", [pytest.param(3, id="27 000 steps"), pytest.param(10, id="more than can be counted")]
)
def test_loops_are_bounded(tmp_path: Path, count: int) -> None:
    each = ", ".join(f"S{k}: {MANY}" for k in range(10, 10 + count))
    text = steps(f"{{each: {{{each}}}, steps: [{{set: {{}}, expect: {{Y4: off}}}}]}}")
    message = "more than 10000 steps up to here with all loops written out; make the lists shorter"
    path = write_files(tmp_path, text, panel=many_positions(count))
    assert problems_of(path) == [f"xs-1.sequence.yaml:7:5: {message}"]


def test_loops_in_loops_are_bounded_together(tmp_path: Path) -> None:
    inner = f"{{each: {{S12: {MANY}}}, steps: [{{set: {{}}, expect: {{Y4: off}}}}]}}"
    text = steps(f"{{each: {{S10: {MANY}, S11: {MANY}}}, steps: [{inner}]}}")
    assert "more than 10000 steps" in problems_of(write_files(tmp_path, text, panel=many_positions(3)))[0]


@settings(max_examples=30, deadline=None)
@given(outer=st.sets(st.sampled_from(["idle", "1", "2"]), min_size=1), inner=st.integers(1, 5))
def test_loops_make_every_combination_once(
    tmp_path_factory: pytest.TempPathFactory, outer: set[str], inner: int
) -> None:
    entries = ", ".join("{set: {}, expect: {Y4: off}}" for _ in range(inner))
    text = steps(f"{{each: {{S2: [{', '.join(outer)}], F1: [closed, open]}}, steps: [{entries}]}}")
    path = write_files(tmp_path_factory.getbasetemp(), text)
    made = load_sequence(path).sequence.steps
    reached = {(step.positions["S2"], step.positions["F1"]) for step in made if hasattr(step, "positions")}
    assert len(made) == len(outer) * 2 * inner
    assert reached == {(s2, f1) for s2 in outer for f1 in ("closed", "open")}
    assert len({step.title for step in made}) == len(made)


@settings(max_examples=60, deadline=None)
@given(st.text(alphabet="{}[]:, \n-setSrowholdexpcY1234onfm", max_size=60))
def test_random_steps_raise_nothing_but_file_errors(
    tmp_path_factory: pytest.TempPathFactory, entries: str
) -> None:
    path = write_files(tmp_path_factory.getbasetemp(), f"steps: [{entries}]\n")
    try:
        found: tuple[object, ...] = load_sequence(path).sequence.steps
    except FileError as error:
        found = error.problems
    assert found
