"""Explanations: the path that feeds a coil in the order of the diagram, or where each is interrupted."""

from __future__ import annotations

import json

import pytest
from small_panels import breaker, button, coil, diode, load, panel, relay, resistor
from switching import Circuit, pressed

from harness.errors import UsageError
from harness.panel.explain import Explanation, explain
from harness.panel.faults import apply
from harness.panel.parts import Panel


def paths(explanation: Explanation) -> list[str]:
    return [str(path) for path in explanation.paths]


def stop_circuit() -> Panel:
    """The stop button S1 feeds Y4 through a break contact of K1; K2 feeds it through R1; S2 picks K1 up."""
    return panel(
        [
            breaker("F1"),
            breaker("F2", "1-2", "3-4"),
            button("S1", {"13-14": "make"}),
            button("S2", {"13-14": "make"}),
            button("S3", {"13-14": "make"}),
            relay("K1", {"11-12-14": "change-over", "21-22": "break"}),
            relay("K2", {"13-14": "make"}),
            resistor("R1", 60.0),
            diode("V1"),
            load("Y4"),
        ],
        """
        W1  L+ F1:1 F2:1
        W11 F1:2 S1:13 S2:13 S3:13
        W14 S1:14 X1:7 K1:21
        W40 K1:22 R1:2 X1:12 V1:A
        W41 V1:K Y4:1
        W15 S2:14 K1:A1
        W16 S3:14 K2:A1
        W30 F2:2 K2:13
        W31 K2:14 R1:1
        W2  L- K1:A2 K2:A2 Y4:2
        """,
    )


@pytest.mark.parametrize(
    ("positions", "expected"),
    [
        (pressed("S1"), ["L+ > F1 > W11 > S1:13-14 > W14 > K1:21-22 > W40 > V1 > W41 > Y4 > L-"]),
        (pressed("S3"), ["L+ > F2:1-2 > W30 > K2:13-14 > W31 > R1 > W40 > V1 > W41 > Y4 > L-"]),
        (
            pressed("S1", "S3"),
            [
                "L+ > F2:1-2 > W30 > K2:13-14 > W31 > R1 > W40 > V1 > W41 > Y4 > L-",
                "L+ > F1 > W11 > S1:13-14 > W14 > K1:21-22 > W40 > V1 > W41 > Y4 > L-",
            ],
        ),
    ],
    ids=["button", "other supply wire", "both"],
)
def test_feeding_paths_in_the_order_of_the_diagram(positions: dict[str, str], expected: list[str]) -> None:
    explanation = explain(stop_circuit(), "Y4", positions)
    assert explanation.state is True
    assert paths(explanation) == expected
    assert all(path.feeds for path in explanation.paths)
    assert explanation.notes == ()
    assert explanation.lines[0] == "Y4: energised"


def test_interrupted_paths_name_the_open_contact_and_why() -> None:
    explanation = explain(stop_circuit(), "Y4", pressed("S2"))
    assert explanation.state is False
    assert paths(explanation) == [
        "L+ > F2:1-2 > W30 > K2:13-14 (open: K2 dropped out) > W31 > R1 > W40 > V1 > W41 > Y4 > L-",
        (
            "L+ > F1 > W11 > S1:13-14 (open: S1 released) > W14 > K1:21-22 (open: K1 picked up)"
            " > W40 > V1 > W41 > Y4 > L-"
        ),
    ]
    assert not any(path.feeds for path in explanation.paths)
    assert [part.label for part in explanation.paths[1].interrupted] == ["S1:13-14", "K1:21-22"]
    assert explanation.lines[:2] == ("Y4: de-energised", "Y4: not fed; each path is interrupted")


def test_open_breaker_is_named() -> None:
    """The other way round leads from F2 through K2 and R1, then back through K1:21-22 and S1."""
    explanation = explain(stop_circuit(), "K1", pressed("S2") | {"F1": "open"})
    first, other = paths(explanation)
    assert first == "L+ > F1 (open: F1 open) > W11 > S2:13-14 > W15 > K1 > L-"
    assert "R1 > W40 > K1:21-22 > W14 > S1:13-14 (open: S1 released) > W11 > S2:13-14" in other


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("W14 open S1:14-X1:7", "W14 (broken: W14 between S1:14 and X1:7)"),
        ("K1.21-22 stuck open", "K1:21-22 (open: K1 stuck open)"),
        ("L- lost", "L- (broken: W2 between L- and K1:A2)"),
    ],
)
def test_faults_are_named_where_they_interrupt(fault: str, expected: str) -> None:
    explanation = explain(apply(stop_circuit(), fault), "Y4", pressed("S1"))
    assert explanation.state is False
    (path,) = [path for path in paths(explanation) if "S1:13-14 >" in path]
    assert expected in path


@pytest.mark.parametrize(("fault", "word"), [("K1 coil open", "broken"), ("K1 coil shorted", "shorted")])
def test_bad_winding_is_the_interruption(fault: str, word: str) -> None:
    explanation = explain(apply(stop_circuit(), fault), "K1", pressed("S2"))
    path = paths(explanation)[0]
    assert path == f"L+ > F1 > W11 > S2:13-14 > W15 > winding of K1 ({word}) > K1 > L-"


def test_relay_that_is_fed_and_does_not_pick_up_is_said_to_be() -> None:
    explanation = explain(apply(stop_circuit(), "K1 stuck dropped out"), "K1", pressed("S2"))
    assert explanation.state is False
    assert paths(explanation) == ["L+ > F1 > W11 > S2:13-14 > W15 > K1 > L-"]
    assert explanation.notes == ("K1 is fed 24.0 V, at 20 C enough (16 V), and does not pick up",)


def test_names_that_only_an_edit_made_are_not_shown() -> None:
    explanation = explain(apply(stop_circuit(), "K2 coil shorted"), "K1", pressed("S2"))
    assert paths(explanation) == ["L+ > F1 > W11 > S2:13-14 > W15 > K1 > L-"]


def test_change_over_side_is_named_by_its_two_numbers() -> None:
    made = panel(
        [button("S1", {"13-14": "make"}), relay("K1", {"31-32-34": "change-over"}), load("Y1"), load("Y2")],
        "W1 L+ S1:13 K1:31\nW2 S1:14 K1:A1\nW3 K1:32 Y1:1\nW4 K1:34 Y2:1\nW5 L- K1:A2 Y1:2 Y2:2",
    )
    assert paths(explain(made, "Y1", {})) == ["L+ > K1:31-32 > W3 > Y1 > L-"]
    assert paths(explain(made, "Y2", {})) == ["L+ > K1:31-34 (open: K1 dropped out) > W4 > Y2 > L-"]
    assert paths(explain(made, "Y2", pressed("S1"))) == ["L+ > K1:31-34 > W4 > Y2 > L-"]


def test_bridge_contact_carries_current_either_way() -> None:
    """R, T, V closed: across T from c to d. U, T, S closed: from d to c."""
    circuit = Circuit()
    for literal, first, second in (
        ("R", "L+", "c"),
        ("S", "c", "out"),
        ("U", "L+", "d"),
        ("V", "d", "out"),
        ("T", "c", "d"),
    ):
        circuit.contact(literal, first, second)
    circuit.load("Y1", "out")
    made = circuit.panel()
    (one,) = paths(explain(made, "Y1", pressed("R", "T", "V")))
    (other,) = paths(explain(made, "Y1", pressed("U", "T", "S")))
    contacts = [[part for part in path.split(" > ") if ":" in part] for path in (one, other)]
    assert contacts == [["R:13-14", "T:13-14", "V:13-14"], ["U:13-14", "T:13-14", "S:13-14"]]


def test_sneak_feed_through_another_load_is_shown_with_its_volts() -> None:
    """24 V over Y1 (150 ohm) and K1 (480 ohm) in series: 5.7 V at Y1, which needs 12 V."""
    made = panel(
        [button("S1", {"13-14": "make"}), relay("K1", {}), load("Y1")],
        "W1 L+ S1:13\nW2 S1:14 Y1:1\nW3 Y1:2 K1:A1\nW4 L- K1:A2",
    )
    explanation = explain(made, "Y1", pressed("S1"))
    assert explanation.state is False
    assert paths(explanation) == ["L+ > S1:13-14 > W2 > Y1 > W3 > K1 > L-"]
    assert explanation.coils[0].volts == pytest.approx(24 * 150 / 630, abs=0.01)
    assert explanation.notes == ("Y1 is only partly fed: 5.7 V, it picks up at 12 V",)


def test_reversed_polarity_is_said() -> None:
    made = panel([button("S1", {"13-14": "make"}), load("Y1")], "W1 L+ S1:13\nW2 S1:14 Y1:2\nW3 L- Y1:1")
    explanation = explain(made, "Y1", pressed("S1"))
    assert paths(explanation) == ["L+ > S1:13-14 > W2 > Y1 > L-"]
    assert explanation.coils[0].volts == pytest.approx(-24.0, abs=0.01)
    assert explanation.notes == ("Y1 is fed with reversed polarity",)
    (idle,) = paths(explain(made, "Y1", {}))
    assert idle == "L+ > S1:13-14 (open: S1 released) > W2 > Y1 > L-"


def test_diode_the_wrong_way_round_is_no_path() -> None:
    made = panel(
        [button("S1", {"13-14": "make"}), load("Y1"), diode("V1")],
        "W1 L+ S1:13\nW2 S1:14 V1:K\nW3 V1:A Y1:1\nW4 L- Y1:2",
    )
    explanation = explain(made, "Y1", pressed("S1"))
    assert explanation.paths == ()
    assert explanation.lines == ("Y1: de-energised", "Y1: not fed; no path leads to it")


def test_path_through_make_and_break_of_one_relay_is_no_candidate() -> None:
    made = panel(
        [
            button("S1", {"13-14": "make"}),
            button("S2", {"13-14": "make"}),
            relay("K1", {"13-14": "make", "21-22": "break"}),
            load("Y1"),
        ],
        "W1 L+ S1:13 S2:13\nW2 S1:14 K1:A1\nW3 S2:14 K1:13\nW4 K1:14 K1:21\nW5 K1:22 Y1:1\nW6 L- K1:A2 Y1:2",
    )
    assert explain(made, "Y1", pressed("S2")).paths == ()


def latching() -> Panel:
    return panel(
        [
            button("S1", {"13-14": "make"}),
            button("S2", {"13-14": "make"}),
            relay("K1", {}, kind="latching", coils=(coil("K1"), coil("K1", "B1 B2"))),
        ],
        "W1 L+ S1:13 S2:13\nW2 S1:14 K1:A1\nW3 S2:14 K1:B1\nW4 L- K1:A2 K1:B2",
    )


def test_each_coil_of_a_latching_relay_is_explained() -> None:
    explanation = explain(latching(), "K1", pressed("S1"))
    assert explanation.lines == (
        "K1: picked up",
        "K1:A1-A2: 24.0 V, fed by",
        "  L+ > S1:13-14 > W2 > K1:A1-A2 > L-",
        "K1:B1-B2: not fed; each path is interrupted",
        "  L+ > S2:13-14 (open: S2 released) > W3 > K1:B1-B2 > L-",
    )


def test_buzzing_relay_is_undecided() -> None:
    circuit = Circuit()
    circuit.coil("K1", "k")
    circuit.network(("series", "S1", "K1'"), "L+", "k")
    explanation = explain(circuit.panel(), "K1", pressed("S1"))
    assert explanation.state is None
    assert "K1 buzzes: it interrupts its own feed" in explanation.notes


def test_json_form_says_where_each_path_is_interrupted() -> None:
    answer = explain(stop_circuit(), "Y4", pressed("S1")).as_json()
    assert json.loads(json.dumps(answer)) == answer
    assert (answer["format"], answer["target"], answer["state"]) == (1, "Y4", True)
    assert answer["positions"]["S1"] == "pressed"
    (path,) = answer["coils"][0]["paths"]
    assert path["feeds"] is True
    assert path["parts"][3] == {"part": "S1:13-14", "interrupted": None}
    idle = explain(stop_circuit(), "Y4", {}).as_json()["coils"][0]["paths"]
    assert {"part": "S1:13-14", "interrupted": "open: S1 released"} in idle[0]["parts"] + idle[1]["parts"]


@pytest.mark.parametrize(
    ("target", "positions", "message"),
    [
        ("Y9", {}, "explain 'Y9': panel TH-T1 has no such relay or load; it has K1, K2, Y4"),
        ("S1", {}, "explain 'S1': panel TH-T1 has no such relay or load; it has K1, K2, Y4"),
        ("Y4", {"S1": "half"}, "'S1=half': S1 has no position 'half'; it has released, pressed"),
    ],
)
def test_unknown_names_are_refused(target: str, positions: dict[str, str], message: str) -> None:
    with pytest.raises(UsageError) as caught:
        explain(stop_circuit(), target, positions)
    assert str(caught.value) == message


def seal_in() -> Panel:
    """S1 picks K1 up and K1:13-14 holds it; the seal-in is the shorter way, with no breaker in it."""
    return panel(
        [breaker("F1"), button("S1", {"13-14": "make"}), relay("K1", {"13-14": "make"})],
        "W1 L+ X1:1 F1:1 K1:13\nW2 F1:2 S1:13\nW3 S1:14 X1:2 K1:14 K1:A1\nW4 L- X1:9 K1:A2",
    )


def test_a_relays_own_seal_in_comes_last() -> None:
    explanation = explain(seal_in(), "K1", pressed("S1"))
    assert paths(explanation) == ["L+ > F1 > W2 > S1:13-14 > W3 > K1 > L-", "L+ > K1:13-14 > W3 > K1 > L-"]
    assert [path.seals for path in explanation.paths] == [False, True]


def test_terminals_in_order_a_run_for_each_wire() -> None:
    first, second = explain(seal_in(), "K1", pressed("S1")).paths
    assert first.terminals == ("L+, X1:1, F1:1 > F1:2, S1:13 > S1:14, X1:2, K1:14, K1:A1 > K1:A2, X1:9, L-")
    assert second.terminals == "L+, X1:1, F1:1, K1:13 > K1:14, K1:A1 > K1:A2, X1:9, L-"


@pytest.mark.parametrize("fault", ["K1 coil open", "K1 coil shorted", "L- lost", "W14 open S1:14-X1:7"])
def test_terminals_are_those_of_the_drawing_also_with_a_fault(fault: str) -> None:
    """Points that only a fault edit put in are not there for a meter."""
    drawn = explain(stop_circuit(), "K1", pressed("S2")).paths[0].terminals
    assert drawn == "L+, F1:1 > F1:2, S1:13, S2:13 > S2:14, K1:A1 > K1:A2, L-"
    assert explain(apply(stop_circuit(), fault), "K1", pressed("S2")).paths[0].terminals == drawn


@pytest.mark.parametrize(("loops", "folded"), [(7, False), (8, True)], ids=["ten written", "eleven folded"])
def test_a_long_run_is_counted_in_its_middle(loops: int, folded: bool) -> None:
    """The return of Y1: Y1:2, the strip's points from the last to the first, X1:0, L-."""
    strip = " ".join(f"X1:{number}" for number in range(loops + 1))
    made = panel(
        [button("S1", {"13-14": "make"}), load("Y1")], f"W1 L+ S1:13\nW2 S1:14 Y1:1\nW3 L- {strip} Y1:2"
    )
    (path,) = explain(made, "Y1", pressed("S1")).paths
    home = path.terminals.split(" > ")[-1]
    if folded:
        assert home == "Y1:2, X1:8, X1:7, [6 more], X1:0, L-"
    else:
        assert home == "Y1:2, X1:7, X1:6, X1:5, X1:4, X1:3, X1:2, X1:1, X1:0, L-"
