"""Standard relay circuits: their published or well-known functions against derived tables and notes.

Seal-in, interlocked reverser: as in open textbooks of motor control; tables worked out by hand. The two-way
light is Shannon 1938 with n = 2 (see also `test_shannon`). That both buttons of a reverser pressed from rest
are a race is common practice, no source.
"""

from __future__ import annotations

from itertools import product

import pytest
from small_panels import breaker, button, coil, diode, load, panel, relay, resistor
from switching import Circuit, parallel, pressed, series

from harness.errors import UsageError
from harness.panel.parts import Panel, Span
from harness.panel.settling import Settler
from harness.panel.table import Deriver, derive_row, derive_table


def after(made: Panel, *steps: dict[str, str]) -> dict[str, bool]:
    """States after going through positions one after another, settling at each."""
    settler = Settler(made)
    motion, _ = settler.start({})
    for positions in steps:
        settler.move(motion, settler.complete(positions))
    return motion.states()


# --- start-stop seal-in: M next = S0 and F and (S1 or M), closed is 1 ---


def seal_in() -> Panel:
    """S0 stop (break), F overload (break), S1 start (make) with the auxiliary make contact of M beside it."""
    circuit = Circuit()
    circuit.coil("M", "coil")
    circuit.network(series("S0'", "F'", parallel("S1", "M")), "L+", "coil")
    return circuit.panel()


@pytest.mark.parametrize(("s0", "f", "s1", "m"), list(product((0, 1), repeat=4)))
def test_seal_in(s0: int, f: int, s1: int, m: int) -> None:
    """From M dropped out or picked up, to every combination of contacts (1 closed) at one moment."""
    made = seal_in()
    positions = pressed(*[tag for tag, closed in (("S0", s0), ("F", f)) if not closed], *["S1"] * s1)
    start = [pressed("S1"), {}] if m else [{}]
    assert after(made, *start)["M"] is bool(m)
    assert after(made, *start, positions)["M"] is bool(s0 and f and (s1 or m))


def test_seal_in_rows_that_depend_on_history() -> None:
    """Only where nothing is pressed can M be either: start picks it up, stop and overload drop it."""
    notes = {
        frozenset(t for t, p in row.positions.items() if p == "pressed"): row.notes
        for row in derive_table(seal_in()).rows
    }
    assert notes.pop(frozenset()) == ("depends on history",)
    assert set(notes.values()) == {()}


def test_stop_row_starts_from_the_running_state() -> None:
    """M runs only because start was pressed; from there stop drops it, and it stays dropped out."""
    deriver = Deriver(seal_in())
    assert deriver.stop_row(pressed("S1"), {}).states == {"M": True}
    assert deriver.stop_row(pressed("S1"), {}).notes == ()
    assert deriver.stop_row(pressed("S1"), pressed("S0")).states == {"M": False}
    assert deriver.after_row(pressed("S1"), pressed("S0"), {}).states == {"M": False}


# --- interlocked reverser: F = S0 (SF or F) not R; R = S0 (SR or R) not F ---


def reverser() -> Panel:
    circuit = Circuit()
    circuit.coil("F", "f")
    circuit.coil("R", "r")
    circuit.contact("S0'", "L+", "common")
    circuit.network(series(parallel("SF", "F"), "R'"), "common", "f")
    circuit.network(series(parallel("SR", "R"), "F'"), "common", "r")
    return circuit.panel()


@pytest.mark.parametrize(
    ("steps", "forward", "reverse"),
    [
        ([{}], False, False),
        ([pressed("SF")], True, False),
        ([pressed("SR")], False, True),
        ([pressed("SF"), {}], True, False),
        ([pressed("SR"), {}], False, True),
        ([pressed("SF"), pressed("SF", "SR")], True, False),
        ([pressed("SR"), pressed("SF", "SR")], False, True),
        ([pressed("SF"), {}, pressed("SR")], True, False),
        ([pressed("SF"), {}, pressed("S0")], False, False),
        ([pressed("SF"), {}, pressed("S0"), {}], False, False),
        ([pressed("SF"), {}, pressed("S0"), pressed("SR")], False, True),
    ],
)
def test_reverser(steps: list[dict[str, str]], forward: bool, reverse: bool) -> None:
    assert after(reverser(), *steps) == {"F": forward, "R": reverse}


def test_both_buttons_of_a_reverser_from_rest_are_a_race() -> None:
    row = derive_row(reverser(), pressed("SF", "SR"))
    assert row.notes == ("race",)
    assert row.states == {"F": None, "R": None}


def test_reverser_races_only_with_both_buttons_pressed() -> None:
    for row in derive_table(reverser()).rows:
        both = row.positions == {"S0": "released", "SF": "pressed", "SR": "pressed"}
        assert ("race" in row.notes) is both, row.positions
        assert both or not (row.states["F"] and row.states["R"])


def test_no_race_where_the_time_ranges_are_apart() -> None:
    """R operates in 30 to 40 ms, F in 10 to 20 ms: F always opens the feed of R in time."""
    circuit = Circuit()
    circuit.coil("F", "f")
    circuit.coil("R", "r", operate_s=Span(0.030, 0.040))
    circuit.network(series("SF", "R'"), "L+", "f")
    circuit.network(series("SR", "F'"), "L+", "r")
    row = derive_row(circuit.panel(), pressed("SF", "SR"))
    assert row.notes == ("depends on history",)
    assert row.states == {"F": True, "R": False}


# --- buzz ---


def test_relay_through_its_own_break_contact_buzzes_with_what_it_feeds() -> None:
    """K1 feeds Y1 with another break contact; Y2 hangs on the button alone."""
    circuit = Circuit()
    circuit.coil("K1", "k")
    circuit.network(series("S1", "K1'"), "L+", "k")
    circuit.contact("K1'", "L+", "y1")
    circuit.load("Y1", "y1")
    circuit.contact("S1", "L+", "y2")
    circuit.load("Y2", "y2")
    row = derive_row(circuit.panel(), pressed("S1"))
    assert row.notes == ("buzz",)
    assert row.states == {"K1": None, "Y1": None, "Y2": True}
    assert derive_row(circuit.panel(), {}).notes == ()


# --- partial voltages, sneak paths, delays, supplies ---


def test_two_way_light() -> None:
    circuit = Circuit()
    for tag, first, second in (
        ("A", "L+", "up"),
        ("A'", "L+", "down"),
        ("B'", "up", "out"),
        ("B", "down", "out"),
    ):
        circuit.contact(tag, first, second)
    circuit.load("P1", "out")
    for row in derive_table(circuit.panel()).rows:
        a, b = row.positions["A"] == "pressed", row.positions["B"] == "pressed"
        assert row.states["P1"] is (a != b)


def test_coil_that_holds_through_a_resistor_depends_on_history() -> None:
    """K1 (480 ohm, 16 V up, 3 V down) behind 480 ohm has 12 V: enough to hold, too little to pick up."""
    made = panel(
        [button("S1", {"13-14": "make"}), relay("K1", {"13-14": "make"}), resistor("R1", 480.0)],
        "W1 L+ S1:13 R1:1\nW2 S1:14 R1:2 K1:A1\nW3 L- K1:A2",
    )
    row = derive_row(made, {})
    assert row.states == {"K1": False}
    assert row.notes == ("depends on history",)
    assert after(made, pressed("S1"), {}) == {"K1": True}


def test_sneak_path_backwards_through_another_load() -> None:
    """L- of Y1 and K1 is lost together: S1 then feeds K1 through Y1 in series, 24 x 480 / 630 = 18.3 V."""
    made = panel(
        [button("S1", {"13-14": "make"}), relay("K1", {"13-14": "make"}), load("Y1")],
        "W1 L+ S1:13\nW2 S1:14 Y1:1\nW3 Y1:2 K1:A1\nW4 L- K1:A2",
    )
    assert derive_row(made, pressed("S1")).states == {"K1": True, "Y1": False}


def test_bulk_supply_level_counts_from_the_start() -> None:
    """K1 picks up at 16 V: at the lowest supply, 18 V, behind 100 ohm it gets 14.9 V."""
    made = panel(
        [button("S1", {"13-14": "make"}), relay("K1", {"13-14": "make"}), resistor("R1", 100.0)],
        "W1 L+ S1:13\nW2 S1:14 R1:1\nW3 R1:2 K1:A1\nW4 L- K1:A2",
    )
    assert derive_row(made, pressed("S1")).states == {"K1": True}
    assert derive_row(made, pressed("S1") | {"main": "lowest"}).states == {"K1": False}
    assert derive_row(made, pressed("S1"), volts={"main": 18.0}).states == {"K1": False}
    assert derive_row(made, pressed("S1") | {"main": "highest"}).states == {"K1": True}


def test_hot_coils_raise_pick_up() -> None:
    """16 V at 20 C is 16 x (234.5 + T) / 254.5: 23.9 V at 145 C, 24.2 V at 150 C; the supply gives 24 V."""
    made = panel(
        [button("S1", {"13-14": "make"}), relay("K1", {})], "W1 L+ S1:13\nW2 S1:14 K1:A1\nW3 L- K1:A2"
    )
    assert derive_row(made, pressed("S1"), coil_temperature_c=145.0).states == {"K1": True}
    assert derive_row(made, pressed("S1"), coil_temperature_c=150.0).states == {"K1": False}


@pytest.mark.parametrize("kind", ["delayed pick-up", "delayed drop-out"])
def test_time_delay_relays_show_their_final_state(kind: str) -> None:
    slow = relay("K1", {"13-14": "make"}, kind=kind, delay_s=Span(40.0, 90.0))
    made = panel([button("S1", {"13-14": "make"}), slow], "W1 L+ S1:13\nW2 S1:14 K1:A1\nW3 L- K1:A2")
    assert derive_row(made, pressed("S1")).states == {"K1": True}
    assert derive_row(made, {}).states == {"K1": False}
    assert after(made, pressed("S1"), {}) == {"K1": False}


def test_latching_relay_remembers() -> None:
    made = panel(
        [
            button("S1", {"13-14": "make"}),
            button("S2", {"13-14": "make"}),
            relay("K1", {}, kind="latching", coils=(coil("K1"), coil("K1", "B1 B2"))),
        ],
        "W1 L+ S1:13 S2:13\nW2 S1:14 K1:A1\nW3 S2:14 K1:B1\nW4 L- K1:A2 K1:B2",
    )
    rows = {tuple(row.positions.values()): row for row in derive_table(made).rows}
    assert rows["pressed", "released"].states == {"K1": True}
    assert rows["released", "pressed"].states == {"K1": False}
    assert rows["released", "released"].notes == ("depends on history",)


# --- the table as a whole ---


def with_breaker() -> Panel:
    return panel(
        [button("S1", {"13-14": "make"}), breaker("F1"), load("Y1"), diode("V1")],
        "W1 L+ F1:1\nW2 F1:2 S1:13\nW3 S1:14 V1:A\nW4 V1:K Y1:1\nW5 L- Y1:2",
    )


def test_table_has_outside_devices_unless_breakers_are_asked_for() -> None:
    table = derive_table(with_breaker())
    assert table.devices == ("S1",)
    assert table.outputs == ("Y1",)
    assert [(row.positions, row.states) for row in table.rows] == [
        ({"S1": "released"}, {"Y1": False}),
        ({"S1": "pressed"}, {"Y1": True}),
    ]
    full = derive_table(with_breaker(), with_breakers=True)
    assert full.devices == ("S1", "F1")
    assert [row.states["Y1"] for row in full.rows] == [False, False, True, False]


def test_fixed_positions_stay_in_every_row() -> None:
    table = derive_table(with_breaker(), fixed={"F1": "open"})
    assert table.devices == ("S1", "F1")
    assert [row.positions["F1"] for row in table.rows] == ["open", "open"]
    assert [row.states["Y1"] for row in table.rows] == [False, False]


def test_json_form() -> None:
    assert derive_table(with_breaker()).as_json() == {
        "format": 1,
        "devices": ["S1"],
        "outputs": ["Y1"],
        "rows": [
            {"positions": {"S1": "released"}, "states": {"Y1": False}, "notes": []},
            {"positions": {"S1": "pressed"}, "states": {"Y1": True}, "notes": []},
        ],
    }


@pytest.mark.parametrize(
    ("positions", "message"),
    [
        ({"S9": "pressed"}, "'S9=pressed': panel TH-T1 has no device 'S9'; it has S1, F1, main"),
        ({"S1": "halfway"}, "'S1=halfway': S1 has no position 'halfway'; it has released, pressed"),
    ],
)
def test_unknown_positions_are_refused(positions: dict[str, str], message: str) -> None:
    with pytest.raises(UsageError) as caught:
        derive_row(with_breaker(), positions)
    assert str(caught.value) == message
    with pytest.raises(UsageError):
        derive_table(with_breaker(), fixed=positions)


def test_too_many_rows_are_refused() -> None:
    made = panel(
        [*(button(f"S{n}", {"13-14": "make"}) for n in range(15)), load("Y1")], "W1 L+ S0:13\nW2 L- Y1:2"
    )
    with pytest.raises(UsageError, match="32768 rows, more than 20000; hold a device at one position"):
        derive_table(made)
