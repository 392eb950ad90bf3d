"""Hand-written tables against the circuit: agreement, differences, stop rows from their running state."""

from __future__ import annotations

import pytest
from small_panels import button, load, panel, relay
from switching import Circuit, parallel, pressed, series

from harness.panel.compare import compare
from harness.panel.faults import apply
from harness.panel.parts import Panel
from harness.panel.table import Deriver, derive_row
from harness.panel.table_file import TruthTable, read_table


def start_stop() -> Panel:
    """K1 seals in behind S0 (stop); Y1 on with K1, Y2 on without. Stopped: Y1 off, Y2 on."""
    circuit = Circuit()
    circuit.coil("K1", "coil")
    circuit.network(series("S0'", parallel("S1", "K1")), "L+", "coil")
    circuit.contact("K1", "L+", "y1")
    circuit.contact("K1'", "L+", "y2")
    circuit.load("Y1", "y1")
    circuit.load("Y2", "y2")
    return circuit.panel(stopped=({"Y1": False, "Y2": True},))


HEAD = "row,S0,S1,K1,Y1,Y2,stop from,after,note\n"
RIGHT = "idle,,,off,off,on,none,,\nrun,,pressed,on,on,off,,,\nstop,pressed,pressed,off,off,on,run,,\n"


def table(text: str, made: Panel | None = None) -> TruthTable:
    return read_table(HEAD + text, "t.table.csv", made or start_stop())


def test_a_right_table_has_no_differences() -> None:
    assert compare(start_stop(), table(RIGHT)) == ()


def test_every_wrong_state_is_a_difference_with_its_line() -> None:
    wrong = RIGHT.replace("run,,pressed,on,on,off", "run,,pressed,off,on,on")
    found = compare(start_stop(), table(wrong.replace("stop,pressed,pressed,off,off,on,run,,", "")))
    assert [(d.row, d.line, d.output, d.expected, d.derived) for d in found] == [
        ("run", 3, "K1", False, True),
        ("run", 3, "Y2", True, False),
    ]
    assert str(found[0]) == "row 'run' (S1 pressed): the table says K1 off, the circuit on"
    assert found[0].as_json() == {
        "row": "run",
        "line": 3,
        "positions": {"S1": "pressed"},
        "output": "K1",
        "expected": False,
        "derived": True,
        "note": "",
    }


def test_states_that_are_not_stated_are_not_compared() -> None:
    assert compare(start_stop(), table("run,,pressed,-,on,-,,,\n")) == ()


def sealed_stop(after: str) -> str:
    """The running row is start pressed; `held` is what follows when only stop was pressed and released."""
    return (
        f"idle,,,off,off,on,none,,\nrun,,pressed,on,on,off,,,\nstop,pressed,pressed,off,off,on,run,{after},\n"
    )


def test_what_follows_the_release_is_compared_too() -> None:
    """Start is still pressed when stop is released: K1 picks up again, so `idle` does not follow."""
    assert compare(start_stop(), table(sealed_stop("run"))) == ()
    found = compare(start_stop(), table(sealed_stop("idle")))
    assert [(d.row, d.output, d.expected, d.derived) for d in found] == [
        ("stop", "K1", False, True),
        ("stop", "Y1", False, True),
        ("stop", "Y2", True, False),
    ]
    assert {d.note for d in found} == {"after the demand is released"}
    assert str(found[0]).endswith("the table says K1 off, the circuit on (after the demand is released)")


def latch_stop() -> Panel:
    """Two latched relays: S2 drops K1 only while K2 is up, which S1 has latched together with K1."""
    circuit = Circuit()
    circuit.coil("K1", "one")
    circuit.coil("K2", "two")
    circuit.network(series(parallel("S1", "K1"), parallel("S2'", "K2'")), "L+", "one")
    circuit.network(parallel("S1", "K2"), "L+", "two")
    return circuit.panel()


def test_stop_row_comes_from_its_running_state_not_from_rest() -> None:
    """From rest S2 finds K2 dropped out; after S1, K2 is up: K1 drops and K2 stays."""
    made = latch_stop()
    head = "row,S1,S2,K1,K2,stop from,after,note\n"
    rows = "run,pressed,,on,on,,,\nstop,,pressed,off,on,run,,\n"
    assert derive_row(made, pressed("S2")).states == {"K1": False, "K2": False}
    found = compare(made, read_table(head + rows, "t.table.csv", made))
    assert found == ()
    direct = compare(made, read_table(head + "stop,,pressed,off,on,,,\n", "t.table.csv", made))
    assert [(d.output, d.expected, d.derived) for d in direct] == [("K2", True, False)]
    assert direct[0].note == "depends on history"


def test_an_undecided_state_is_a_difference() -> None:
    circuit = Circuit()
    circuit.coil("F", "f")
    circuit.coil("R", "r")
    circuit.network(series("S1", "R'"), "L+", "f")
    circuit.network(series("S2", "F'"), "L+", "r")
    made = circuit.panel()
    written = read_table("row,S1,S2,F,R\nboth,pressed,pressed,on,off\n", "t.table.csv", made)
    found = compare(made, written)
    assert [(d.output, d.derived, d.note) for d in found] == [("F", None, "race"), ("R", None, "race")]
    assert str(found[0]) == (
        "row 'both' (S1 pressed, S2 pressed): the table says F on, the circuit undecided (race)"
    )


def test_row_at_rest_is_named_so() -> None:
    found = compare(start_stop(), table("idle,,,on,off,on,none,,\n"))
    said = "row 'idle' (all at rest): the table says K1 on, the circuit off (depends on history)"
    assert str(found[0]) == said


@pytest.mark.parametrize(
    ("fault", "row", "output"),
    [
        ("K1 coil open", "run", "Y1"),
        ("K1 stuck picked up", "idle", "Y2"),
        ("Y2 open", "stop", "Y2"),
        ("L- lost", "idle", "Y2"),
    ],
)
def test_a_faulty_panel_differs_from_the_table_of_the_sound_one(fault: str, row: str, output: str) -> None:
    found = compare(apply(start_stop(), fault), table(RIGHT))
    assert (row, output) in {(d.row, d.output) for d in found}


def test_rows_at_another_supply_level() -> None:
    """K1 picks up at 16 V: with 13.5 V for the lowest level (below the stated 18 V) nothing would work."""
    made = panel(
        [button("S1", {"13-14": "make"}), relay("K1", {}), load("Y1")],
        "W1 L+ S1:13\nW2 S1:14 K1:A1 Y1:1\nW3 L- K1:A2 Y1:2",
    )
    text = "row,S1,main,K1,Y1\nlowest,pressed,lowest,on,on\nnominal,pressed,,on,on\n"
    written = read_table(text, "t.table.csv", made)
    assert compare(made, written) == ()
    assert [(d.row, d.output) for d in compare(made, written, volts={"main": 13.5})] == [("nominal", "K1")]


def test_deriver_gives_the_same_row_again() -> None:
    deriver = Deriver(start_stop())
    rows = [pressed("S1"), {}, pressed("S0"), pressed("S0", "S1")]
    first = [deriver.row(row) for row in rows]
    assert [deriver.row(row) for row in reversed(rows)] == first[::-1]
    assert first == [derive_row(start_stop(), row) for row in rows]
