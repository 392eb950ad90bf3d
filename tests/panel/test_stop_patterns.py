"""One way to stop or several: what shows a stop, what rules it out, and what files and tables make of it."""

from __future__ import annotations

import pytest
from file_examples import PANEL, edited, place

from harness.errors import FileError
from harness.panel.files import LoadedPanel, read_panel
from harness.panel.stop_patterns import rules_out_stop, shows_stop, stop_words
from harness.panel.table_file import read_table
from harness.source import load_text

WAYS = ({"Y1": False}, {"Y2": True, "K1": True})

# States, whether they show a stop, whether they rule one out. What is not stated does neither.
JUDGED = [
    ("running, all stated", {"Y1": True, "Y2": False}, False, True),
    ("running, other half of the second way", {"Y1": True, "K1": False}, False, True),
    ("by the first way", {"Y1": False, "Y2": False}, True, False),
    ("by the second way", {"Y1": True, "Y2": True, "K1": True}, True, False),
    ("by both", {"Y1": False, "Y2": True, "K1": True}, True, False),
    ("half of the second way", {"Y1": True, "Y2": True}, False, False),
    ("silent on the second way", {"Y1": True}, False, False),
    ("silent on the first way", {"Y2": False}, False, False),
    ("nothing stated", {}, False, False),
]


@pytest.mark.parametrize(
    ("states", "shows", "rules_out"), [j[1:] for j in JUDGED], ids=[j[0] for j in JUDGED]
)
def test_any_way_is_a_stop_and_running_rules_out_every_way(
    states: dict[str, bool], shows: bool, rules_out: bool
) -> None:
    assert shows_stop(states, WAYS) is shows
    assert rules_out_stop(states, WAYS) is rules_out


def test_ways_are_said_with_or() -> None:
    assert stop_words(WAYS) == "Y1 off, or Y2 on and K1 on"
    assert stop_words(WAYS[:1]) == "Y1 off"


def load(text: str) -> LoadedPanel:
    return read_panel(load_text(text.encode(), "p"))


def with_stopped(written: str) -> str:
    return edited(PANEL, ("stopped: {Y4: on, K1: off}", f"stopped: {written}"))


@pytest.mark.parametrize(
    ("written", "ways"),
    [
        ("{Y4: on}", ({"Y4": True},)),
        ("[{Y4: on}]", ({"Y4": True},)),
        ("[{Y4: on}, {K1: off, P1: on}]", ({"Y4": True}, {"K1": False, "P1": True})),
        ("{}", ()),
    ],
)
def test_a_panel_file_states_one_way_or_a_list_of_them(
    written: str, ways: tuple[dict[str, bool], ...]
) -> None:
    assert load(with_stopped(written)).panel.stopped == ways


EMPTY = "a way to stop that names no relay or load; write for example [{Y1: off}, {Y2: on}]"
REFUSED = [
    ("[]", "[]", f"stopped: {EMPTY}"),
    ("[{Y4: on}, {}]", "[{Y4: on}, {}]", f"stopped: {EMPTY}"),
    ("[{Y4: on}, {Y44: on}]", "Y44", "no relay or load has the tag Y44; did you mean Y4?"),
    ("[{Y4: yes}]", "yes", "Y4: found 'yes'; expected on or off"),
    ("[on]", "on]", "stopped: found 'on'; expected keys and values"),
    ("on", "on\nnot", "stopped: found 'on'; expected keys and values"),
]


@pytest.mark.parametrize(("written", "needle", "message"), REFUSED, ids=[row[0] for row in REFUSED])
def test_a_way_that_means_nothing_is_refused_at_its_place(written: str, needle: str, message: str) -> None:
    text = with_stopped(written)
    with pytest.raises(FileError) as caught:
        load(text)
    assert [str(problem) for problem in caught.value.problems] == [f"p:{place(text, needle)}: {message}"]


TWO_WAYS = load(with_stopped("[{K1: off}, {Y4: on}]")).panel
HEAD = "row,S1,K1,Y4,stop from\nrun,,on,off,\n"
MEANS = "stopped means K1 off, or Y4 on"
LONELY = "a stop row without its running state; put the running row's name in 'stop from', or 'none' if"


@pytest.mark.parametrize("states", ["off,off", "on,on", "off,on"])
def test_a_stop_row_may_stop_by_either_way_or_by_both(states: str) -> None:
    table = read_table(f"{HEAD}stop,pressed,{states},run\n", "t", TWO_WAYS)
    assert table.row("stop").stop_from == "run"


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        pytest.param(
            "stop,pressed,on,off,run\n",
            f"t:3:1: a stop row that does not state the stop; {MEANS}",
            id="no stop",
        ),
        pytest.param(
            "stop,pressed,-,off,run\n",
            f"t:3:1: a stop row that does not state the stop; {MEANS}",
            id="unstated",
        ),
        pytest.param(
            "s,pressed,off,off,\n", f"row 's' is stopped (K1 off, or Y4 on): {LONELY}", id="first way"
        ),
        pytest.param(
            "s,pressed,on,on,\n", f"row 's' is stopped (K1 off, or Y4 on): {LONELY}", id="second way"
        ),
    ],
)
def test_a_table_refuses_stop_rows_that_show_none_and_stops_without_a_running_row(
    rows: str, message: str
) -> None:
    with pytest.raises(FileError) as caught:
        read_table(HEAD + rows, "t", TWO_WAYS)
    assert message in str(caught.value)


@pytest.mark.parametrize("running", ["on,-", "-,off"])
def test_a_running_row_has_to_rule_out_every_way(running: str) -> None:
    """Coolant low releases the clutch; whether the other coil had stopped the engine before is not said."""
    text = f"row,S1,K1,Y4,stop from\nrun,,{running},\nstop,pressed,off,on,run\n"
    with pytest.raises(FileError, match="row 'run' states nothing that differs from stopped"):
        read_table(text, "t", TWO_WAYS)
