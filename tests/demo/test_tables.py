"""The demo panels against their hand-written tables, hot and cold, and against the governor's notch table."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from harness.demo_files import demo_folder
from harness.panel.compare import compare
from harness.panel.faults import apply
from harness.panel.files import load_panel
from harness.panel.parts import Panel
from harness.panel.table import derive_row
from harness.panel.table_file import TruthTable, load_table

SEQUENCES = demo_folder()
HOT_C = 90.0
COLD_C = -10.0

# Which solenoids each position of the controller energises. A and B are Y1 and Y2, C is Y3, D is Y4. Table
# of the four-solenoid electro-hydraulic governor, from memory, unverified; internally consistent: with A = 1,
# B = 4, C = 2, D = -2 the sums go from 0 to 7 in equal steps.
NOTCHES = {
    "idle": "",
    "1": "",
    "2": "A",
    "3": "C",
    "4": "AC",
    "5": "BCD",
    "6": "ABCD",
    "7": "BC",
    "8": "ABC",
}
SPEED_STEPS = {"A": 1, "B": 4, "C": 2, "D": -2}
SOLENOIDS = {"A": "Y1", "B": "Y2", "C": "Y3", "D": "Y4"}


@cache
def panel(name: str) -> Panel:
    return load_panel(SEQUENCES / f"{name}.panel.yaml").panel


@cache
def table(name: str) -> TruthTable:
    return load_table(SEQUENCES / f"{name}.table.csv", panel(name))


def row_name(position: str) -> str:
    return "idle" if position == "idle" else f"notch {position}"


def test_the_notch_table_of_this_test_gives_equal_steps_of_speed() -> None:
    sums = [sum(SPEED_STEPS[s] for s in energised) for energised in NOTCHES.values()]
    assert sums == [0, 0, 1, 2, 3, 4, 5, 6, 7]


@pytest.mark.parametrize(("position", "energised"), NOTCHES.items(), ids=NOTCHES)
@pytest.mark.parametrize("supply", ["nominal", "lowest"])
def test_notch_table_is_what_the_hand_written_table_expects(
    position: str, energised: str, supply: str
) -> None:
    prefix = "lowest " if supply == "lowest" else ""
    row = table("th-p1").row(prefix + row_name(position))
    assert (row.positions["S2"], row.positions["main"]) == (position, supply)
    assert {s: row.states[tag] for s, tag in SOLENOIDS.items()} == {s: s in energised for s in SOLENOIDS}


@pytest.mark.parametrize(("position", "energised"), NOTCHES.items(), ids=NOTCHES)
def test_notch_table_is_what_the_circuit_gives(position: str, energised: str) -> None:
    row = derive_row(panel("th-p1"), {"S2": position})
    assert {s: row.states[tag] for s, tag in SOLENOIDS.items()} == {s: s in energised for s in SOLENOIDS}
    assert row.states["K1"] is (position != "idle")


@pytest.mark.parametrize("name", ["th-p1", "th-s0"])
@pytest.mark.parametrize(
    ("level", "temperature_c"),
    [("nominal", 20.0), ("nominal", HOT_C), ("lowest", 20.0), ("lowest", HOT_C), ("highest", COLD_C)],
    ids=["nominal", "nominal hot", "lowest", "lowest hot", "highest cold"],
)
def test_circuit_agrees_with_the_hand_written_table(name: str, level: str, temperature_c: float) -> None:
    volts = {supply.tag: supply.levels[level] for supply in panel(name).supplies}
    differences = compare(panel(name), table(name), volts=volts, coil_temperature_c=temperature_c)
    assert [str(difference) for difference in differences] == []


def test_supply_is_only_just_enough_for_a_hot_y4_behind_r1() -> None:
    """By hand: a hot Y4 behind R1 needs 35.7 V x (191.3 + 56) / 191.3 = 46.1 V of supply."""
    stop = {"S3": "stop"}
    panel_ = panel("th-p1")
    for volts, energised in ((46.6, True), (45.6, False)):
        supply = replace(panel_.supplies[0], nominal_v=volts)
        row = derive_row(replace(panel_, supplies=(supply,)), stop, coil_temperature_c=HOT_C)
        assert row.states["Y4"] is energised, volts


# Name of the fault, the row that the README names, and the output that it names there.
SEEDED = [
    ("th-p1", "K1.51-52 stuck open", "button at idle", "Y4"),
    ("th-p1", "K1.51-52 stuck open", "button in notch 8", "Y4"),
    ("th-p1", "K1.51-52 stuck open", "coolant low at idle", "Y4"),
    ("th-p1", "K1.51-52 stuck open", "coolant low in notch 8", "Y4"),
    ("th-p1", "W20 open X1:3-K2:13", "button at idle", "Y4"),
    ("th-p1", "K1.13-14 stuck closed", "button in notch 2", "Y1"),
    ("th-p1", "K4.17-18 stuck open", "oil low", "P1"),
    ("th-p1", "K4.17-18 stuck open", "oil low", "P3"),
    ("th-p1", "R1 wrong value high", "lowest train line at idle", "Y4"),
    ("th-p1", "K3.21-22 stuck open", "notch 2", "Y1"),
    ("th-p1", "K2 coil open", "coolant low at idle", "Y4"),
    ("th-p1", "K2 coil open", "coolant low at idle", "P2"),
    ("th-p1", "V1 shorted", "coolant low at idle", "P1"),
    ("th-p1", "W32-W33 exchanged", "notch 3", "Y2"),
    ("th-p1", "W34-W21 shorted", "idle", "Y4"),
    ("th-s0", "K1.13-14 stuck closed", "rest", "K1"),
    ("th-s0", "K1 coil open", "start", "K1"),
]


@cache
def wrong(name: str, fault: str) -> frozenset[tuple[str, str]]:
    faulty = apply(panel(name), fault)
    return frozenset((d.row, d.output) for d in compare(faulty, table(name)))


@pytest.mark.parametrize(("name", "fault", "row", "output"), SEEDED, ids=str)
def test_seeded_fault_shows_where_the_readme_says(name: str, fault: str, row: str, output: str) -> None:
    assert (row, output) in wrong(name, fault)


def test_one_open_break_contact_defeats_button_and_coolant_but_not_the_train_line() -> None:
    lost = {row for row, output in wrong("th-p1", "K1.51-52 stuck open") if output == "Y4"}
    stops = [row for row in table("th-p1").rows if row.stop_from]
    by_train = {row.name for row in stops if row.positions["S3"] == "stop"}
    others = {row.name for row in stops} - by_train
    assert others
    assert by_train
    assert others <= lost
    assert not by_train & lost


def test_a_wrong_r1_shows_at_the_lowest_supply_only() -> None:
    rows = {row.name: row for row in table("th-p1").rows}
    seen = {row for row, _ in wrong("th-p1", "R1 wrong value high")}
    assert seen
    assert {rows[name].positions["main"] for name in seen} == {"lowest"}
    assert {rows[name].positions["S3"] for name in seen} == {"stop"}


def test_an_open_breaker_leaves_its_own_stop_without_effect_and_the_note_says_so() -> None:
    lost = {("F1", "S1", "pressed"), ("F2", "B1", "low"), ("F3", "S3", "stop")}
    rows = table("th-p1").rows
    for breaker, device, position in lost:
        found = [r for r in rows if r.positions[breaker] == "open" and r.positions[device] == position]
        assert {row.positions["S2"] for row in found} >= {"idle", "8"}, (breaker, device)
        for row in found:
            assert not row.states["Y4"], row.name
            assert row.note.startswith("NOT STOPPED"), row.name


@pytest.mark.parametrize("breaker", ["F1", "F2", "F3", "F4"])
def test_each_breaker_open_is_met_by_every_stop_demand_at_idle_and_under_load(breaker: str) -> None:
    rows = [r.positions for r in table("th-p1").rows if r.positions[breaker] == "open"]
    for device, position in (("S1", "pressed"), ("B1", "low"), ("S3", "stop")):
        assert {r["S2"] for r in rows if r[device] == position} >= {"idle", "8"}
    assert any(r["B2"] == "low" for r in rows)


def test_seal_in_remembers_and_follows_the_start_stop_formula() -> None:
    """M = S0 released and B1 normal and (S1 pressed or M): the table from rest, where M is off."""
    for row in table("th-s0").rows:
        at = row.positions
        whole = at["S0"] == "released" and at["B1"] == "normal" and at["F1"] == "closed"
        assert row.states["K1"] is (whole and at["S1"] == "pressed"), row.name
