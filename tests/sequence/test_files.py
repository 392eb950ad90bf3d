"""Sequence files: what each entry becomes when it is written out."""

from collections.abc import Mapping
from pathlib import Path

import pytest
from sequence_files import BENCH, HEAD, PANEL, TABLE, changed, write_files

from harness.errors import FileError
from harness.panel.parts import Panel
from harness.sequence.files import load_sequence
from harness.sequence.steps import (
    CycleStep,
    HoldStep,
    Positions,
    Sequence,
    SetStep,
    Step,
    StopStep,
    TimeStep,
    Watch,
)

REST = {"S1": "released", "S2": "idle", "F1": "closed", "main": "nominal"}
OFF = {"K1": False, "Y1": False, "Y4": False}
RUNNING = {"K1": True, "Y1": True, "Y4": False}
STOPPED = {"K1": False, "Y1": False, "Y4": True}


def load(folder: Path, steps: str, **texts: str) -> Sequence:
    return load_sequence(write_files(folder, steps, **texts)).sequence


def only(sequence: Sequence) -> Step:
    (step,) = sequence.steps
    return step


def test_a_set_step_takes_defaults_and_expected_states_from_the_table(tmp_path: Path) -> None:
    step = only(load(tmp_path, "steps:\n  - set: {S2: 1}\n"))
    assert step == SetStep(
        title="1. Set S2 1",
        path=("steps", 0),
        positions=REST | {"S2": "1"},
        states=RUNNING,
        settle_s=0.3,
        hold_s=0.2,
    )


def test_a_set_step_says_what_it_likes(tmp_path: Path) -> None:
    entry = "{title: Odd, set: {S2: 1}, expect: {Y1: off, K1: either}, settle: 1 s, hold: 0 ms}"
    step = only(load(tmp_path, f"steps:\n  - {entry}\n"))
    assert isinstance(step, SetStep)
    assert (step.title, step.states, step.settle_s, step.hold_s) == ("1. Odd", {"Y1": False}, 1.0, 0.0)


def test_file_defaults_reach_each_step(tmp_path: Path) -> None:
    defaults = "settle: 400 ms\nhold: 100 ms\nwithin: 150 ms\n"
    plain, stop = load(tmp_path, defaults + "steps:\n  - rows: [idle, button at idle]\n").steps
    assert isinstance(plain, SetStep)
    assert isinstance(stop, StopStep)
    assert (plain.settle_s, plain.hold_s) == (0.4, 0.1)
    assert (stop.settle_s, stop.hold_s, stop.within_s) == (0.4, 0.1, 0.15)


def test_all_rows_become_steps_in_order_and_stop_rows_stop_steps(tmp_path: Path) -> None:
    steps = load(tmp_path, "steps: [rows: all]\n").steps
    kinds = [(step.title, type(step)) for step in steps]
    assert kinds == [
        ("1. idle", SetStep),
        ("2. notch 1", SetStep),
        ("3. notch 2", SetStep),
        ("4. button at idle", StopStep),
        ("5. button in notch 1", StopStep),
        ("6. F1 open", SetStep),
    ]
    assert steps[4] == StopStep(
        title="5. button in notch 1",
        path=("steps", 0),
        running=REST | {"S2": "1"},
        running_states=RUNNING,
        demand=REST | {"S1": "pressed", "S2": "1"},
        stopped=STOPPED,
        within_s=0.2,
        hold_s=0.2,
        settle_s=0.3,
        after=RUNNING,
    )


def test_rows_take_a_title_before_their_names(tmp_path: Path) -> None:
    steps = load(tmp_path, "steps:\n  - {title: Notches, rows: [notch 2, idle]}\n").steps
    assert [step.title for step in steps] == ["1. Notches: notch 2", "2. Notches: idle"]


STOP = "steps:\n  - stop: {from: notch 1, demand: {S1: pressed}, within: 150 ms, hold: 2 s"


def test_a_stop_step_takes_its_states_from_the_table(tmp_path: Path) -> None:
    step = only(load(tmp_path, STOP + "}\n"))
    assert isinstance(step, StopStep)
    assert (step.running, step.demand) == (REST | {"S2": "1"}, REST | {"S1": "pressed", "S2": "1"})
    assert (step.running_states, step.stopped, step.after) == (RUNNING, STOPPED, RUNNING)
    assert (step.within_s, step.hold_s) == (0.15, 2.0)


def test_a_stop_step_follows_the_after_row_of_the_table(tmp_path: Path) -> None:
    table = changed(
        TABLE,
        ("row,S1,S2,F1,K1,Y1,Y4,stop from\n", "row,S1,S2,F1,K1,Y1,Y4,stop from,after\n"),
        ("idle,,,,off,off,off,\n", "idle,,,,off,off,off,,\n"),
        ("notch 1,,1,,on,on,off,\n", "notch 1,,1,,on,on,off,,\n"),
        ("notch 2,,2,,on,on,off,\n", "notch 2,,2,,on,on,off,,\n"),
        ("off,off,on,idle\n", "off,off,on,idle,\n"),
        ("off,off,on,notch 1\n", "off,off,on,notch 1,idle\n"),
        ("F1 open,,,open,off,off,off,\n", "F1 open,,,open,off,off,off,,\n"),
    )
    step = only(load(tmp_path, STOP + "}\n", table=table))
    assert isinstance(step, StopStep)
    assert step.after == OFF


def test_a_stop_step_says_its_own_states(tmp_path: Path) -> None:
    own = ", running: {K1: on}, stopped: {Y4: on, Y1: off}, after: {Y4: off}}\n"
    step = only(load(tmp_path, STOP + own))
    assert isinstance(step, StopStep)
    assert (step.running_states, step.stopped) == ({"K1": True}, {"Y4": True, "Y1": False})
    assert step.after == {"Y4": False}


def test_a_stop_step_from_positions(tmp_path: Path) -> None:
    step = only(load(tmp_path, "steps:\n  - stop: {from: {S2: 1}, demand: {S1: pressed}}\n"))
    assert isinstance(step, StopStep)
    assert (step.running, step.running_states) == (REST | {"S2": "1"}, RUNNING)
    assert step.title == "1. Stop by S1 pressed from S2 1"


def test_a_time_step(tmp_path: Path) -> None:
    body = "{start: {S2: 1}, end: {S2: 1, S1: pressed}, of: Y4, to: on, at most: 120 ms, at least: 5 ms}"
    step = only(load(tmp_path, f"steps:\n  - time: {body}\n"))
    assert step == TimeStep(
        title="1. Time until Y4 is on: S1 pressed, S2 1",
        path=("steps", 0),
        start=REST | {"S2": "1"},
        end=REST | {"S2": "1", "S1": "pressed"},
        of="Y4",
        to=True,
        repeats=5,
        at_least_s=0.005,
        at_most_s=0.12,
        settle_s=0.3,
        beyond_s=pytest.approx(0.42),
        start_states=RUNNING,
        hold_s=0.2,
    )


@pytest.mark.parametrize(
    ("before", "positions", "states"),
    [
        pytest.param("", REST, OFF, id="first of all: row 0"),
        pytest.param("  - set: {S2: 1}\n", REST | {"S2": "1"}, RUNNING, id="after set"),
        pytest.param("  - rows: [button in notch 1]\n", REST | {"S2": "1"}, RUNNING, id="after a stop row"),
        pytest.param(
            "  - time: {start: {}, end: {S2: 2}, of: K1, to: on}\n",
            REST | {"S2": "2"},
            RUNNING,
            id="after time",
        ),
        pytest.param(
            "  - {cycle: [idle, notch 2], times: 2}\n", REST | {"S2": "2"}, RUNNING, id="after cycle"
        ),
    ],
)
def test_hold_stays_as_the_step_before_left_it(
    tmp_path: Path, before: str, positions: Positions, states: Mapping[str, bool]
) -> None:
    step = load(tmp_path, f"steps:\n{before}  - hold: 10 s\n").steps[-1]
    assert isinstance(step, HoldStep)
    assert (step.positions, step.states, step.hold_s) == (positions, states, 10.0)


def test_hold_may_expect_something_else(tmp_path: Path) -> None:
    step = only(load(tmp_path, "steps:\n  - {hold: 10 s, expect: {Y4: off}}\n"))
    assert isinstance(step, HoldStep)
    assert step.states == {"Y4": False}


def test_a_cycle_holds_rows_and_is_not_written_out(tmp_path: Path) -> None:
    step = only(load(tmp_path, "steps:\n  - {cycle: [idle, notch 1], times: 5000}\n"))
    assert isinstance(step, CycleStep)
    assert step.rows == ((REST, OFF), (REST | {"S2": "1"}, RUNNING))
    assert step.times == 5000


def test_loops_merge_into_positions_that_do_not_name_the_device(tmp_path: Path) -> None:
    text = """\
steps:
  - each: {S2: [1, 2]}
    steps:
      - {title: Up, set: {}}
      - {title: Down, set: {S2: idle}}
"""
    steps = load(tmp_path, text).steps
    assert [(step.title, step.positions["S2"]) for step in steps if isinstance(step, SetStep)] == [
        ("1. Up (S2=1)", "1"),
        ("2. Down (S2=1)", "idle"),
        ("3. Up (S2=2)", "2"),
        ("4. Down (S2=2)", "idle"),
    ]


def test_loops_merge_into_stop_and_time(tmp_path: Path) -> None:
    text = """\
steps:
  - each: {S2: [1]}
    steps:
      - stop: {from: {}, demand: {S1: pressed}}
      - time: {start: {}, end: {S1: pressed}, of: Y4, to: on}
  - each: {S1: [pressed]}
    steps:
      - stop: {from: notch 1, demand: {}}
"""
    stop, time, by_row = load(tmp_path, text).steps
    assert isinstance(stop, StopStep)
    assert isinstance(time, TimeStep)
    assert isinstance(by_row, StopStep)
    assert (stop.running["S2"], stop.demand["S2"], stop.demand["S1"]) == ("1", "1", "pressed")
    assert (time.start["S2"], time.end["S2"]) == ("1", "1")
    assert (by_row.running["S1"], by_row.demand) == ("released", REST | {"S1": "pressed", "S2": "1"})


def test_a_supply_without_a_column_may_vary_round_rows(tmp_path: Path) -> None:
    text = "steps:\n  - each: {main: [nominal, lowest]}\n    steps: [rows: [idle, button in notch 1]]\n"
    steps = load(tmp_path, text).steps
    assert [step.title for step in steps] == [
        "1. idle (main=nominal)",
        "2. button in notch 1 (main=nominal)",
        "3. idle (main=lowest)",
        "4. button in notch 1 (main=lowest)",
    ]
    stop = steps[3]
    assert isinstance(stop, StopStep)
    assert (stop.running["main"], stop.demand["main"], stop.stopped) == ("lowest", "lowest", STOPPED)


def test_a_row_that_states_its_supply_keeps_it(tmp_path: Path) -> None:
    table = "row,S2,main,Y1\nrest,,,off\nweak,1,lowest,on\n"
    text = "steps:\n  - each: {main: [highest]}\n    steps: [rows: [weak]]\n"
    step = only(load(tmp_path, text, table=table))
    assert isinstance(step, SetStep)
    assert step.positions["main"] == "lowest"


def test_a_supply_with_a_column_must_have_its_row(tmp_path: Path) -> None:
    table = "row,S2,main,Y1\nrest,,,off\nstrong,1,,on\n"
    with pytest.raises(FileError, match=r"no row of .* is at S2 1, main lowest"):
        load(tmp_path, "steps:\n  - set: {S2: 1, main: lowest}\n", table=table)


def test_watches_of_the_file_come_before_those_of_the_step(tmp_path: Path) -> None:
    text = """\
never: [{states: {Y4: on, Y1: off}, longer than: 60 ms, why: stumbles}]
steps:
  - {set: {}, never: [{states: {K1: on}}]}
  - hold: 1 s
"""
    sequence = load(tmp_path, text)
    common = Watch(states={"Y4": True, "Y1": False}, longest_s=0.06, why="stumbles")
    assert sequence.never == (common,)
    assert [step.never for step in sequence.steps] == [(common, Watch(states={"K1": True})), (common,)]


def test_row_zero_is_the_row_at_rest_unless_the_file_says_otherwise(tmp_path: Path) -> None:
    assert load(tmp_path, "steps: [rows: all]\n").rest_states == OFF
    assert load(tmp_path, "rest: {Y4: off}\nsteps: [rows: all]\n").rest_states == {"Y4": False}


def test_what_the_file_says_about_the_whole_run(tmp_path: Path) -> None:
    said = 'on failure: stop\ndecision rule: simple\nnot proved: ["Heat."]\napproved by second person: true\n'
    sequence = load(tmp_path, said + "steps: [rows: all]\n")
    assert (sequence.title, sequence.on_failure, sequence.decision_rule) == ("Stops", "stop", "simple")
    assert (sequence.not_proved, sequence.approved_by_second_person) == (("Heat.",), True)
    assert sequence.expected_from == "table"


FROM_PANEL = changed(HEAD, ("{table: xs-1.table.csv}", "{from: panel}"))


def by_hand(panel: Panel, positions: Positions) -> dict[str, bool | None]:
    """XS-1's circuit as formulas; K1 left open while F1 is."""
    del panel
    feed = positions["F1"] == "closed"
    picked_up = feed and positions["S1"] == "released" and positions["S2"] != "idle"
    return {
        "K1": picked_up if feed else None,
        "Y1": picked_up,
        "Y4": feed and positions["S1"] == "pressed",
    }


def test_expected_states_from_the_panel(tmp_path: Path) -> None:
    path = write_files(tmp_path, "steps:\n  - set: {S2: 1}\n", head=FROM_PANEL)
    sequence = load_sequence(path, derive=by_hand).sequence
    step = only(sequence)
    assert isinstance(step, SetStep)
    assert (sequence.expected_from, sequence.rest_states, step.states) == ("panel", OFF, RUNNING)
    assert sequence.notes == ()


def test_what_the_circuit_leaves_open_is_not_judged_and_noted(tmp_path: Path) -> None:
    path = write_files(tmp_path, "steps:\n  - set: {F1: open}\n", head=FROM_PANEL)
    sequence = load_sequence(path, derive=by_hand).sequence
    step = only(sequence)
    assert isinstance(step, SetStep)
    assert step.states == {"Y1": False, "Y4": False}
    assert sequence.notes == ("not judged at F1 open, because the circuit leaves it open: K1",)


def test_states_from_the_panel_that_nothing_observes_are_not_judged(tmp_path: Path) -> None:
    bench = BENCH[: BENCH.index("  DI2:")] + "hand: [F1, main]\n"
    path = write_files(tmp_path, "steps:\n  - set: {S2: 1}\n", head=FROM_PANEL, bench=bench)
    step = only(load_sequence(path, derive=by_hand).sequence)
    assert isinstance(step, SetStep)
    assert step.states == {"Y1": True, "Y4": False}


def test_the_panels_own_circuit_gives_the_hand_written_states(tmp_path: Path) -> None:
    """The real derivation against the formulas above, at every position with F1 closed."""
    text = "steps:\n  - each: {S2: [idle, 1, 2], S1: [released, pressed]}\n    steps: [set: {}]\n"
    path = write_files(tmp_path, text, head=FROM_PANEL)
    derived = load_sequence(path).sequence.steps
    written = load_sequence(path, derive=by_hand).sequence.steps
    assert len(derived) == 6
    assert derived == written


def test_another_bench_stands_in(tmp_path: Path) -> None:
    path = write_files(tmp_path)
    other = tmp_path / "other.bench.yaml"
    other.write_text(changed(BENCH, ("bench: XB-1", "bench: XB-2")))
    loaded = load_sequence(path, bench=other)
    assert (loaded.bench.tag, loaded.bench_path) == ("XB-2", other)
    assert loaded.paths == (path, tmp_path / "xs-1.panel.yaml", other, tmp_path / "xs-1.table.csv")


def test_problems_of_panel_and_bench_are_reported_together(tmp_path: Path) -> None:
    path = write_files(
        tmp_path,
        panel=changed(PANEL, ("pick-up: 36 V", "pick-up: 36")),
        bench=changed(BENCH, ("poll: 5 ms", "poll: 5")),
    )
    with pytest.raises(FileError) as caught:
        load_sequence(path)
    assert {Path(problem.file).name for problem in caught.value.problems} == {
        "xs-1.panel.yaml",
        "xs-1.bench.yaml",
    }
