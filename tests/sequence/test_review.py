"""Review across files: each problem in its own words at the place to change, and nothing for what fits."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sequence_files import BENCH, HEAD, MARK, PANEL, TABLE, changed, marked, write_files

from harness.sequence.files import load_sequence
from harness.sequence.review import ENDINGS, check_files, review

M = MARK
ROWS = "steps: [rows: all]\n"


def reviewed(path: Path) -> list[str]:
    return [str(problem).replace(f"{path.parent}/", "") for problem in review(load_sequence(path))]


def test_what_fits_has_no_problems(tmp_path: Path) -> None:
    assert reviewed(write_files(tmp_path)) == []


DO0 = "imitates: S1.13-14, terminals: [X1:1, X1:5]"
DI0 = "watches: Y1, proves: load, terminals: [X1:4, X1:9]"
DI1 = "watches: Y4, proves: load, terminals: [X1:6, X1:9]"
RATED = "highest voltage: 150 V"
DI2 = "watches: K1, proves: contact, terminals: [K1:33, K1:34],\n     wetting: 24 V"
DO2_LINE = "  DO2: {board: IO1, channel: 2, imitates: S2.13-14}\n"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        pytest.param(
            DO0,
            f"imitates: {M}S11.13-14, terminals: [X1:1, X1:5]",
            "panel XS-1 has no device 'S11'; did you mean S1?",
            id="output for no device",
        ),
        pytest.param(
            DO0,
            f"imitates: {M}S1.14-13, terminals: [X1:1, X1:5]",
            "S1 has no contact '14-13'; it has 13-14 or 21-22",
            id="output for no contact",
        ),
        pytest.param(
            DO0,
            f"imitates: S1.13-14, terminals: [X1:1, {M}X1:55]",
            "panel XS-1 has no terminal 'X1:55'; did you mean X1:5?",
            id="output at no terminal",
        ),
        pytest.param(
            DO0,
            f"imitates: S1.13-14, terminals: {M}[X1:1, X1:4]",
            "DO0 imitates S1.13-14, but has X1:4 on wire W5; expected wire W6 (S1:14, X1:5, K1:21)",
            id="output at the wrong wire",
        ),
        pytest.param(
            DO0,
            f"imitates: S1.13-14, terminals: {M}[X1:3, X1:4]",
            "DO0 imitates S1.13-14, but has X1:3 on wire W4 and X1:4 on wire W5; "
            "expected wire W2 (F1:2, X1:1, S1:21, S1:13, K1:13) and wire W6 (S1:14, X1:5, K1:21)",
            id="output at two wrong wires",
        ),
        pytest.param(
            DO0,
            f"imitates: S1.13-14, terminals: {M}[K1:33, X1:5]",
            "DO0 imitates S1.13-14, but has K1:33 in no wire; "
            "expected wire W2 (F1:2, X1:1, S1:21, S1:13, K1:13)",
            id="output in no wire",
        ),
        pytest.param(
            DI2,
            f"watches: K1, proves: contact, terminals: {M}[K1:13, K1:14],\n     wetting: 24 V",
            "DI2 puts its wetting voltage on K1:13 on wire W2 and K1:14 on wire W5; "
            "a wetted input needs a spare contact, one in no wire",
            id="wetting on a contact in use",
        ),
        pytest.param(
            "{board: IO1, channel: 2, " + DI2 + ", on: 15 V",
            f"{M}{{board: IO1, channel: 2, watches: K1, proves: contact, terminals: [K1:33, K1:34], on: 15 V",
            "DI2 lies across a contact, which has no voltage of its own to read; "
            "add wetting, for example 'wetting: 24 V'",
            id="no wetting",
        ),
        pytest.param(
            DI0,
            f"watches: {M}Y11, proves: load, terminals: [X1:4, X1:9]",
            "panel XS-1 has no relay or load 'Y11'; did you mean Y1?",
            id="input watches nothing",
        ),
        pytest.param(
            DI0,
            f"watches: Y1, proves: load, terminals: [{M}X1:44, X1:9]",
            "panel XS-1 has no terminal 'X1:44'; did you mean X1:4?",
            id="input at no terminal",
        ),
        pytest.param(
            DI0,
            f"watches: Y1, proves: {M}coil, terminals: [X1:4, X1:9]",
            "Y1 is a load, so an input cannot prove its coil; expected 'load'",
            id="coil of a load",
        ),
        pytest.param(
            DI2,
            DI2.replace("proves: contact", f"proves: {M}load"),
            "K1 is a relay, so an input cannot prove its load; expected 'coil' or 'contact'",
            id="load of a relay",
        ),
        pytest.param(
            DI0,
            f"watches: Y1, proves: load, terminals: {M}[X1:6, X1:9]",
            "DI0 watches Y1, but has X1:6 on wire W7 and X1:9 on wire W9; "
            "expected wire W5 (K1:14, X1:4, Y1:1) and wire W9 (L-, X1:9, K1:A2, Y1:2, Y4:2)",
            id="input at another load",
        ),
        pytest.param(
            DI0,
            f"watches: Y1, proves: load, terminals: {M}[X1:9, X1:4]",
            "DI0 has its terminals the wrong way round and would never read on; write [X1:4, X1:9]",
            id="input the wrong way round",
        ),
        pytest.param(
            DI0,
            f"{DI0}, inverted: {M}true",
            "DI0 lies across Y1: it reads on when Y1 is energised, not inverted",
            id="inverted load",
        ),
        pytest.param(
            DI2,
            DI2.replace("[K1:33, K1:34]", f"{M}[K1:33, K1:42]"),
            "DI2 proves a contact of K1, but has K1:33 in no wire and K1:42 in no wire; "
            "expected the two ends of K1.13-14, K1.21-22, K1.33-34, K1.41-42 or K1.51-52-54",
            id="across two contacts",
        ),
        pytest.param(
            DI2,
            DI2.replace("[K1:33, K1:34]", f"{M}[K1:52, K1:54]"),
            "DI2 proves a contact of K1, but has K1:52 in no wire and K1:54 in no wire; "
            "expected the two ends of K1.13-14, K1.21-22, K1.33-34, K1.41-42 or K1.51-52-54",
            id="past the common of a change-over",
        ),
        pytest.param(
            DI2,
            DI2.replace("[K1:33, K1:34]", f"{M}[K1:41, K1:42]"),
            "DI2 lies across a break contact: it reads on when K1 is dropped out; add 'inverted: true'",
            id="break contact not inverted",
        ),
        pytest.param(
            DI2,
            f"{DI2}, inverted: {M}true",
            "DI2 lies across a make contact: it reads on when K1 is picked up; take 'inverted' out",
            id="make contact inverted",
        ),
        pytest.param(
            "hand: [F1, main]",
            f"hand: [F1, main, {M}F11]",
            "panel XS-1 has no device, breaker or supply 'F11'; did you mean F1?",
            id="nothing to set by hand",
        ),
        pytest.param(
            "hand: [F1, main]",
            f"hand: [F1, main]\nforbidden: [{{{M}S22: 1, S1: pressed}}]",
            "panel XS-1 has no device, breaker or supply 'S22'; did you mean S2?",
            id="forbidden for no device",
        ),
        pytest.param(
            "hand: [F1, main]",
            f"hand: [F1, main]\nforbidden: [{{S2: {M}3, S1: pressed}}]",
            "S2 has no position '3'; it has idle, 1, 2",
            id="forbidden at no position",
        ),
        pytest.param(
            "hand: [F1, main]",
            f"hand: [F1, main]\nlongest on: {{{M}Y44: 1 s}}",
            "panel XS-1 has no relay or load 'Y44'; did you mean Y4?",
            id="longest on of nothing",
        ),
        pytest.param(
            "hand: [F1, main]",
            f"{M}hand: [main]",
            "the sequence sets F1 to open (line 6 of xs-1.sequence.yaml), and no board can; "
            "list F1 under 'hand'",
            id="breaker that nobody sets",
        ),
        pytest.param(
            "highest voltage: 150 V, breaking current",
            f"highest voltage: {M}60 V, breaking current",
            "outputs of IO1 may switch 60 V; panel XS-1 has up to 90 V",
            id="board below the supply",
        ),
        pytest.param(
            "breaking current: 1 A",
            f"breaking current: {M}700 mA",
            "outputs of IO1 may break 700 mA; Y4 draws 750 mA at 90 V",
            id="board below the current",
        ),
        pytest.param(
            DI0,
            f"{DI0}, highest voltage: {M}80 V",
            "DI0 takes 80 V at most; panel XS-1 has up to 90 V",
            id="input below the supply",
        ),
    ],
)
def test_bench_problems_at_the_mark(tmp_path: Path, old: str, new: str, message: str) -> None:
    bench, place = marked(changed(BENCH, (old, new)))
    assert reviewed(write_files(tmp_path, bench=bench)) == [f"xs-1.bench.yaml:{place}: {message}"]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        pytest.param(DO0, "imitates: S1.13-14, terminals: [S1:14, F1:2]", id="output either way round"),
        pytest.param(DO0, "imitates: S1.13-14", id="output at the contact's own terminals"),
        pytest.param(
            DI0, "watches: Y1, proves: load, terminals: [K1:14, L-]", id="input anywhere on its wires"
        ),
        pytest.param(
            DI0,
            f"{DI0.replace('[X1:4, X1:9]', '[X1:9, X1:4]')}, both polarities: true",
            id="input that reads both polarities",
        ),
        pytest.param(
            DI2,
            f"{DI2.replace('[K1:33, K1:34]', '[K1:42, K1:41]')}, inverted: true",
            id="break contact inverted",
        ),
        pytest.param(DI2, DI2.replace("[K1:33, K1:34]", "[K1:54, K1:51]"), id="make side of a change-over"),
        pytest.param(
            DI2,
            f"{DI2.replace('[K1:33, K1:34]', '[K1:51, K1:52]')}, inverted: true",
            id="break side of a change-over",
        ),
        pytest.param(
            DI2, "watches: K1, proves: coil, terminals: [X1:3, L-]", id="voltage across the coil instead"
        ),
        pytest.param(
            DI2, "watches: K1, proves: contact, terminals: [X1:4, X1:9]", id="voltage behind a contact of K1"
        ),
        pytest.param("breaking current: 1 A", "breaking current: 750 mA", id="board just good enough"),
        pytest.param("highest voltage: 150 V, breaking", "highest voltage: 90 V, breaking", id="rated 90 V"),
    ],
)
def test_other_benches_that_fit(tmp_path: Path, old: str, new: str) -> None:
    assert reviewed(write_files(tmp_path, bench=changed(BENCH, (old, new)))) == []


def test_voltage_input_that_touches_no_contact_of_its_relay(tmp_path: Path) -> None:
    new = f"watches: K1, proves: contact, terminals: {M}[X1:3, X1:9]"
    bench, place = marked(changed(BENCH, (DI2, new)))
    message = (
        "DI2 proves a contact of K1, but has X1:3 on wire W4 and X1:9 on wire W9; "
        "expected K1.13-14, K1.21-22, K1.33-34, K1.41-42 or K1.51-52-54"
    )
    assert reviewed(write_files(tmp_path, bench=bench)) == [f"xs-1.bench.yaml:{place}: {message}"]


def test_contacts_that_nothing_imitates(tmp_path: Path) -> None:
    bench = changed(BENCH, (DO2_LINE, ""), ("outputs:\n  DO0", f"{M}outputs:\n  DO0"))
    bench, place = marked(bench)
    message = "no output imitates S2.13-14; map one to it, or list S2 under 'hand'"
    assert reviewed(write_files(tmp_path, bench=bench)) == [f"xs-1.bench.yaml:{place}: {message}"]
    by_hand = changed(bench, ("hand: [F1, main]", "hand: [F1, main, S2]"))
    assert reviewed(write_files(tmp_path, bench=by_hand)) == []


def test_breakers_are_not_imitated(tmp_path: Path) -> None:
    line = f"  DO3: {{board: IO1, channel: 3, imitates: {M}F1.1-2}}\n"
    bench = changed(BENCH, (DO2_LINE, DO2_LINE + line), ("hand: [F1, main]", "hand: [main]"))
    bench, place = marked(bench)
    found = reviewed(write_files(tmp_path, "steps: [rows: [idle]]\n", bench=bench))
    message = "F1 is inside the panel, its contacts are real; list it under 'hand' instead"
    assert found == [f"xs-1.bench.yaml:{place}: {message}"]


def test_loads_that_no_input_watches(tmp_path: Path) -> None:
    start, end = BENCH.index("  DI0:"), BENCH.index("  DI1:")
    bench, place = marked((BENCH[:start] + BENCH[end:]).replace("\ninputs:", f"\n{M}inputs:"))
    assert reviewed(write_files(tmp_path, bench=bench)) == [
        f"xs-1.bench.yaml:{place}: no input watches load Y1; map one to it",
        "xs-1.table.csv:2:17: nothing observes Y1; map an input to it, or take it out of the table",
    ]


@pytest.mark.parametrize(
    ("steps", "message"),
    [
        pytest.param(
            f"rest: {M}{{K1: off}}\nsteps:\n  - {{set: {{}}, expect: {{Y4: off}}}}\n",
            "nothing observes K1; map an input to it, or take it out of what is expected",
            id="in row 0",
        ),
        pytest.param(
            f"rest: {{Y4: off}}\nsteps:\n  - {M}set: {{}}\n    expect: {{K1: off}}\n",
            "nothing observes K1; map an input to it, or take it out of what is expected",
            id="in a step",
        ),
        pytest.param(
            f"rest: {{Y4: off}}\nsteps:\n  - {M}time: {{start: {{}}, end: {{S2: 1}}, of: K1, to: on}}\n",
            "nothing observes K1; map an input to it, or take it out of what is expected",
            id="timed",
        ),
        pytest.param(
            f"rest: {{Y4: off}}\nsteps:\n  - {M}set: {{}}\n    never: [{{states: {{K1: on}}}}]\n",
            "nothing observes K1; map an input to it, or take it out of what is expected",
            id="watched",
        ),
    ],
)
def test_states_that_nothing_observes(tmp_path: Path, steps: str, message: str) -> None:
    bench = BENCH[: BENCH.index("  DI2:")] + "hand: [F1, main]\n"
    table = "row,S1,Y1,Y4\nrest,,off,off\n"
    text, place = marked(HEAD + steps)
    path = write_files(tmp_path, text, head="", bench=bench, table=table)
    assert reviewed(path) == [f"xs-1.sequence.yaml:{place}: {message}"]


def test_supply_levels_are_set_by_hand(tmp_path: Path) -> None:
    steps = "steps:\n  - {set: {main: lowest}}\n"
    bench, place = marked(changed(BENCH, ("hand: [F1, main]", f"{M}hand: [F1]")))
    message = (
        "the sequence sets main to lowest (line 7 of xs-1.sequence.yaml), and no board can; "
        "list main under 'hand'"
    )
    assert reviewed(write_files(tmp_path, steps, bench=bench)) == [f"xs-1.bench.yaml:{place}: {message}"]


REAL = (
    ("simulated: true\n", ""),
    ("driver: simulated", "driver: modbus-tcp\n    settings: {host: 127.0.0.1, port: 502, unit: 1}"),
)


def test_a_real_bench_states_its_ratings(tmp_path: Path) -> None:
    ratings = "    ratings: {highest voltage: 150 V, breaking current: 1 A}\n"
    bench = changed(BENCH, *REAL, (ratings, ""))
    message = (
        "board IO1 states no ratings, so nothing says that its outputs may switch XS-1; "
        "add 'ratings: {highest voltage: ..., breaking current: ...}'"
    )
    found = reviewed(write_files(tmp_path, bench=bench))
    assert found == [f"xs-1.bench.yaml:4:3: {message}"]
    assert reviewed(write_files(tmp_path, bench=changed(BENCH, (ratings, "")))) == []


def test_voltage_inputs_of_a_real_bench_state_their_highest_voltage(tmp_path: Path) -> None:
    unrated = (", filter: 3 ms, highest voltage: 150 V}", ", filter: 3 ms}")
    said = "states no highest voltage, and panel XS-1 has up to 90 V; "
    said += "add 'highest voltage: ...' here, or under 'input' of its board"
    bench, place = marked(changed(BENCH, *REAL, unrated, ("  DI0:", f"  {M}DI0:"), (DI1, f"{DI1}, {RATED}")))
    assert reviewed(write_files(tmp_path, bench=bench)) == [f"xs-1.bench.yaml:{place}: DI0 {said}"]
    assert reviewed(write_files(tmp_path, bench=changed(BENCH, unrated))) == []


def test_states_from_the_circuit_need_approval_on_a_real_bench(tmp_path: Path) -> None:
    head = changed(HEAD, ("{table: xs-1.table.csv}", "{from: panel}"))
    steps = "steps: [set: {S2: 1}]\n"
    real = changed(BENCH, *REAL)
    message = (
        "states derived from the panel's own circuit count on a real bench only once a second person has "
        "checked them; then add 'approved by second person: true', or name a table"
    )
    found = reviewed(write_files(tmp_path, steps, head=head, bench=real))
    assert found == [f"xs-1.sequence.yaml:5:11: {message}"]
    approved = head + "approved by second person: true\n"
    assert reviewed(write_files(tmp_path, steps, head=approved, bench=real)) == []
    assert reviewed(write_files(tmp_path, steps, head=head)) == []
    assert reviewed(write_files(tmp_path, steps, bench=real)) == []


# Output delay 2 to 8 ms, input age 1 ms, filter 3 ms: 10 ms at best; with a poll of 5 ms: 15 ms.
TIME = "time: {start: {}, end: {S2: 1}, of: Y1, to: on, "


@pytest.mark.parametrize(
    ("steps", "message"),
    [
        pytest.param(
            f"steps: [{TIME}at most: {M}9.9 ms}}]\n",
            "'at most' 9.9 ms is too short: bench XB-1 can tell Y1 to 10 ms at best",
            id="at most",
        ),
        pytest.param(
            f"steps: [{TIME}at least: 100 ms, at most: {M}109 ms}}]\n",
            "limits only 9 ms apart: bench XB-1 can tell Y1 to 10 ms at best, so that no time could pass",
            id="window",
        ),
        pytest.param(
            f"steps: [stop: {{from: idle, demand: {{S1: pressed}}, within: {M}14 ms}}]\n",
            "'within' 14 ms is too short: bench XB-1 can tell a stop to 15 ms at best",
            id="within of a stop",
        ),
        pytest.param(
            f"steps:\n  - {{rows: [button at idle], within: {M}14 ms}}\n",
            "'within' 14 ms is too short: bench XB-1 can tell a stop to 15 ms at best",
            id="within of rows",
        ),
        pytest.param(
            f"within: {M}14 ms\nsteps: [rows: [button at idle]]\n",
            "'within' 14 ms is too short: bench XB-1 can tell a stop to 15 ms at best",
            id="within of the file",
        ),
    ],
)
def test_limits_below_the_resolution_of_the_bench(tmp_path: Path, steps: str, message: str) -> None:
    text, place = marked(HEAD + steps)
    path = write_files(tmp_path, text, head="")
    assert reviewed(path) == [f"xs-1.sequence.yaml:{place}: {message}"]


@pytest.mark.parametrize(
    "steps",
    [
        pytest.param(f"steps: [{TIME}at most: 10 ms}}]\n", id="at most"),
        pytest.param(f"steps: [{TIME}at least: 100 ms, at most: 110 ms}}]\n", id="window"),
        pytest.param(f"steps: [{TIME}at least: 1 ms}}]\n", id="no upper limit"),
        pytest.param("steps: [stop: {from: idle, demand: {S1: pressed}, within: 15 ms}]\n", id="within"),
    ],
)
def test_limits_at_the_resolution_of_the_bench(tmp_path: Path, steps: str) -> None:
    assert reviewed(write_files(tmp_path, steps)) == []


@pytest.mark.parametrize(
    ("steps", "message"),
    [
        pytest.param(
            f"steps:\n  - {M}hold: 11 s\n    expect: {{Y4: on}}\n",
            "holds Y4 on for 11 s; bench XB-1 allows 10 s",
            id="hold",
        ),
        pytest.param(
            f"steps:\n  - {M}stop: {{from: idle, demand: {{S1: pressed}}, hold: 10.1 s}}\n",
            "holds Y4 on for 10.1 s; bench XB-1 allows 10 s",
            id="stop",
        ),
        pytest.param(
            f"steps:\n  - {M}cycle: [idle, button at idle]\n    times: 2\n    hold: 11 s\n",
            "holds Y4 on for 11 s; bench XB-1 allows 10 s",
            id="cycle",
        ),
    ],
)
def test_loads_held_on_for_too_long(tmp_path: Path, steps: str, message: str) -> None:
    bench = BENCH + "longest on: {Y4: 10 s}\n"
    text, place = marked(HEAD + steps)
    path = write_files(tmp_path, text, head="", bench=bench)
    assert reviewed(path) == [f"xs-1.sequence.yaml:{place}: {message}"]
    shorter = text.replace("11 s", "10 s").replace("10.1 s", "10 s")
    assert reviewed(write_files(tmp_path, shorter, head="", bench=bench)) == []


def test_forbidden_positions(tmp_path: Path) -> None:
    bench = BENCH + "forbidden: [{S1: pressed, S2: 1}]\n"
    text, place = marked(
        f"{HEAD}steps:\n  - rows: [idle, notch 1, button at idle]\n  - {M}rows: [button in notch 1]\n"
    )
    path = write_files(tmp_path, text, head="", bench=bench)
    message = "S1 pressed with S2 1: bench XB-1 forbids this combination"
    assert reviewed(path) == [f"xs-1.sequence.yaml:{place}: {message}"]


def test_a_time_from_what_a_person_sets(tmp_path: Path) -> None:
    body = "{start: {S2: 1}, end: {S2: 1, F1: open}, of: K1, to: off, at most: 200 ms}"
    text, place = marked(f"{HEAD}steps:\n  - {M}time: {body}\n")
    message = "a time from F1, which a person sets; time from what an output moves"
    assert reviewed(write_files(tmp_path, text, head="")) == [f"xs-1.sequence.yaml:{place}: {message}"]


@pytest.mark.parametrize(
    ("states", "message", "without_pattern"),
    [
        pytest.param(
            "stopped: {Y4: on}",
            "expects Y4 on; stopped means Y4 on and Y1 off",
            "",
            id="half of the stopped pattern",
        ),
        pytest.param(
            "stopped: {Y4: off, Y1: off}",
            "expects Y4 off and Y1 off; stopped means Y4 on and Y1 off",
            "",
            id="not stopped",
        ),
        pytest.param(
            "running: {K1: on}",
            "the running state (K1 on) does not differ from stopped (Y4 on and Y1 off), so no stop is proved",
            "",
            id="running state that says nothing",
        ),
        pytest.param(
            "running: {Y4: on, Y1: off}",
            "the running state (Y4 on and Y1 off) does not differ from stopped (Y4 on and Y1 off), "
            "so no stop is proved",
            "the running state shows all of the stop already (K1 off and Y1 off and Y4 on), "
            "so no stop is proved",
            id="running state that is stopped",
        ),
    ],
)
def test_stops_that_prove_no_stop(tmp_path: Path, states: str, message: str, without_pattern: str) -> None:
    text, place = marked(f"{HEAD}steps:\n  - {M}stop: {{from: notch 1, demand: {{S1: pressed}}, {states}}}\n")
    assert reviewed(write_files(tmp_path, text, head="")) == [f"xs-1.sequence.yaml:{place}: {message}"]
    without = changed(PANEL, ("stopped: {Y4: on, Y1: off}\n", ""))
    said = [f"xs-1.sequence.yaml:{place}: {without_pattern}"] if without_pattern else []
    assert reviewed(write_files(tmp_path, text, head="", panel=without)) == said


TWO_WAYS = changed(PANEL, ("stopped: {Y4: on, Y1: off}\n", "stopped: [{Y1: off}, {Y4: on}]\n"))


@pytest.mark.parametrize(
    ("states", "message"),
    [
        pytest.param("stopped: {Y4: on}", "", id="the second way"),
        pytest.param("stopped: {Y1: off}", "", id="the first way"),
        pytest.param("stopped: {K1: off}", "expects K1 off; stopped means Y1 off, or Y4 on", id="neither"),
        pytest.param(
            "running: {Y1: on}",
            "the running state (Y1 on) does not differ from stopped (Y1 off, or Y4 on), so no stop is proved",
            id="silent on one way",
        ),
    ],
)
def test_stops_of_a_panel_with_two_ways_to_stop(tmp_path: Path, states: str, message: str) -> None:
    text, place = marked(f"{HEAD}steps:\n  - {M}stop: {{from: notch 1, demand: {{S1: pressed}}, {states}}}\n")
    table = TABLE.replace("idle,,,,off,off,off,\n", "idle,,,,off,off,off,none\n")
    table = table.replace("F1 open,,,open,off,off,off,", "F1 open,,,open,off,off,off,notch 1")
    table = table.replace(
        "button at idle,pressed,,,off,off,on,idle", "button at idle,pressed,,,off,off,on,none"
    )
    said = [f"xs-1.sequence.yaml:{place}: {message}"] if message else []
    assert reviewed(write_files(tmp_path, text, head="", panel=TWO_WAYS, table=table)) == said


def checked(*paths: Path) -> list[str]:
    return [str(problem).replace(f"{paths[0].parent}/", "") for problem in check_files(paths)]


def test_check_finds_nothing_in_good_files_alone_and_together(tmp_path: Path) -> None:
    write_files(tmp_path)
    paths = sorted(tmp_path.iterdir())
    assert len(paths) == 4
    assert checked(*paths) == []
    assert [checked(path) for path in paths] == [[], [], [], []]


def test_check_reviews_sequences(tmp_path: Path) -> None:
    bench, place = marked(changed(BENCH, (DO0, f"imitates: S1.13-14, terminals: {M}[X1:1, X1:4]")))
    found = checked(write_files(tmp_path, bench=bench))
    assert [line.split(": ")[0] for line in found] == [f"xs-1.bench.yaml:{place}"]


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        pytest.param(
            "notes.txt",
            "",
            "1:1: 'notes.txt' does not say what kind of file it is; "
            "expected a name that ends .panel.yaml, .bench.yaml, .sequence.yaml, .table.csv",
            id="other ending",
        ),
        pytest.param(
            "x.table.csv",
            "row,Y4\nr,on\n",
            "1:1: a table alone does not say whose it is; let its first line be "
            "'# panel: NAME.panel.yaml', or check the sequence that uses it",
            id="table without its panel",
        ),
        pytest.param(
            "x.table.csv",
            "# panel: xs-1.panel.yaml\nrow,Y44\nr,on\n",
            "2:5: 'Y44' is no device, supply, relay or load of XS-1; did you mean Y4?",
            id="table with its panel",
        ),
        pytest.param(
            "x.panel.yaml",
            "format: 2\n",
            "1:9: format is '2'; this version reads 'format: 1'; a newer "
            "version of the program wrote this file",
            id="panel of another format",
        ),
        pytest.param(
            "x.bench.yaml",
            "- a\n",
            "1:1: found a list; expected keys and values, first of all 'format: 1'",
            id="bench that is a list",
        ),
        pytest.param(
            "x.sequence.yaml",
            "format: 1\x00\n",
            "1:10: a zero byte: a binary file, not YAML text",
            id="binary",
        ),
    ],
)
def test_check_refuses(tmp_path: Path, name: str, content: str, message: str) -> None:
    write_files(tmp_path)
    (tmp_path / name).write_text(content)
    assert checked(tmp_path / name) == [f"{name}:{message}"]


def test_check_of_a_table_and_the_sequence_that_uses_it(tmp_path: Path) -> None:
    path = write_files(tmp_path, table=TABLE.partition("\n")[2])
    table = tmp_path / "xs-1.table.csv"
    assert checked(table, path) == []
    assert len(checked(table)) == 1


def test_check_of_missing_files_and_folders(tmp_path: Path) -> None:
    folder = tmp_path / "x.panel.yaml"
    folder.mkdir()
    assert checked(tmp_path / "none.bench.yaml", folder) == [
        "none.bench.yaml:1:1: no such file",
        "x.panel.yaml:1:1: is a directory; expected a file",
    ]


@settings(max_examples=60, deadline=None)
@given(
    ending=st.sampled_from(ENDINGS),
    content=st.binary(max_size=80)
    | st.text(alphabet="format: 1\n-{}[],#rowpanel", max_size=80).map(str.encode),
)
def test_check_never_raises_for_what_a_file_holds(
    tmp_path_factory: pytest.TempPathFactory, ending: str, content: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / f"random{ending}"
    path.write_bytes(content)
    problems = check_files([path])
    assert problems
    assert all(problem.message and problem.line >= 1 and problem.column >= 1 for problem in problems)
