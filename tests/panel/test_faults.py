"""Single faults: their names, and for each kind a circuit where it shows, its states worked out by hand."""

from __future__ import annotations

from collections import Counter

import pytest
from small_panels import breaker, button, coil, diode, load, panel, relay, resistor
from switching import pressed

from harness.errors import UsageError
from harness.panel.faults import apply, find, single_faults
from harness.panel.motion import Motion
from harness.panel.parts import Panel
from harness.panel.settling import Settler
from harness.panel.table import derive_row

PRESSED = pressed("S1")
RELEASED: dict[str, str] = {}


def faulty() -> Panel:
    """24 V. S1 feeds K1. K1 feeds Y1 and Y4 picked up, Y2 (through R1) and Y3 (through V1) dropped out.

    Y5 lies behind R2 at 24 x 150 / 450 = 8 V, under its 12 V. Y6 is fed by S2, and by S1 through V2.
    """
    return panel(
        [
            breaker("F1"),
            button("S1", {"13-14": "make"}),
            button("S2", {"13-14": "make"}),
            relay("K1", {"13-14": "make", "21-22": "break", "31-32-34": "change-over"}),
            *(load(f"Y{n}") for n in range(1, 7)),
            resistor("R1", 60.0),
            resistor("R2", 300.0),
            diode("V1"),
            diode("V2"),
        ],
        """
        W1  L+ F1:1
        W2  F1:2 S1:13 K1:13 K1:21 K1:31 R2:1 S2:13
        W3  S1:14 X1:1 K1:A1 V2:A
        W4  K1:14 X1:2 Y1:1
        W5  K1:22 R1:1
        W6  R1:2 X1:3 Y2:1
        W7  K1:32 V1:A
        W8  V1:K X1:4 Y3:1
        W9  K1:34 Y4:1
        W10 L- X1:5 K1:A2 Y1:2 Y2:2 Y3:2 Y4:2 Y5:2 Y6:2
        W11 R2:2 Y5:1
        W12 V2:K Y6:1 S2:14
        """,
    )


def on(panel: Panel, positions: dict[str, str]) -> set[str]:
    """Tags picked up or energised; a set with 'undecided' where the row has a note."""
    row = derive_row(panel, positions)
    return {tag for tag, state in row.states.items() if state} | (
        {"undecided"} if "buzz" in row.notes else set()
    )


SHOWS = [
    ("no fault, released", None, RELEASED, "Y2 Y3"),
    ("no fault, pressed", None, PRESSED, "K1 Y1 Y4 Y6"),
    ("no fault, S2", None, pressed("S2"), "Y2 Y3 Y6"),
    ("no fault, breaker open", None, {"F1": "open"}, ""),
    # a winding without current does not pull; the contacts stay as dropped out
    ("coil open", "K1 coil open", PRESSED, "Y2 Y3 Y6"),
    # 24 V behind 1 ohm into 0.11 ohm: 1.3 V at W2, nothing works
    ("coil shorted", "K1 coil shorted", PRESSED, ""),
    ("stuck dropped out", "K1 stuck dropped out", PRESSED, "Y2 Y3 Y6"),
    ("stuck picked up", "K1 stuck picked up", RELEASED, "K1 Y1 Y4"),
    ("make stuck open", "K1.13-14 stuck open", PRESSED, "K1 Y4 Y6"),
    ("make stuck closed", "K1.13-14 stuck closed", RELEASED, "Y1 Y2 Y3"),
    ("break stuck open", "K1.21-22 stuck open", RELEASED, "Y3"),
    ("break stuck closed", "K1.21-22 stuck closed", PRESSED, "K1 Y1 Y2 Y4 Y6"),
    ("change-over, break side stuck open", "K1.31-32 stuck open", RELEASED, "Y2"),
    ("change-over, break side stuck closed", "K1.31-32 stuck closed", PRESSED, "K1 Y1 Y3 Y4 Y6"),
    ("change-over, make side stuck open", "K1.31-34 stuck open", PRESSED, "K1 Y1 Y6"),
    ("change-over, make side stuck closed", "K1.31-34 stuck closed", RELEASED, "Y2 Y3 Y4"),
    # 24 x 150 / 650 = 5.5 V at Y1, under 12 V
    ("make of high resistance", "K1.13-14 high resistance", PRESSED, "K1 Y4 Y6"),
    # 24 x 150 / 710 = 5.1 V at Y2
    ("break of high resistance", "K1.21-22 high resistance", RELEASED, "Y3"),
    ("change-over side of high resistance", "K1.31-34 high resistance", PRESSED, "K1 Y1 Y6"),
    # double voltage: K1 would pick up at 32 V
    ("wrong relay", "K1 wrong relay", PRESSED, "Y2 Y3 Y6"),
    ("load open", "Y1 open", PRESSED, "K1 Y4 Y6"),
    ("load shorted", "Y6 shorted", pressed("S2"), ""),
    ("breaker stuck open", "F1.1-2 stuck open", RELEASED, ""),
    ("breaker stuck closed", "F1.1-2 stuck closed", {"F1": "open"}, "Y2 Y3"),
    # 500 ohm before everything: 4 V at most
    ("breaker of high resistance", "F1.1-2 high resistance", RELEASED, ""),
    ("resistor open", "R1 open", RELEASED, "Y3"),
    # 24 x 150 / 330 = 10.9 V at Y2
    ("resistor three times its value", "R1 wrong value high", RELEASED, "Y3"),
    # 24 x 150 / 250 = 14.4 V at Y5
    ("resistor a third of its value", "R2 wrong value low", RELEASED, "Y2 Y3 Y5"),
    ("diode open", "V1 open", RELEASED, "Y2"),
    ("diode reversed", "V1 reversed", RELEASED, "Y2"),
    # S2 now feeds K1 backwards through V2
    ("diode shorted", "V2 shorted", pressed("S2"), "K1 Y1 Y4 Y6"),
    ("hop open before all", "W2 open F1:2-S1:13", PRESSED, ""),
    ("hop open behind S1", "W2 open S1:13-K1:13", PRESSED, "K1 Y6"),
    ("hop open to a device outside", "W3 open S1:14-X1:1", PRESSED, "Y2 Y3"),
    # S1 feeds Y1, and the coil of K1 and V2 hang behind K1's own open contact
    ("ends exchanged", "W3-W4 exchanged", PRESSED, "Y1 Y2 Y3"),
    # Y1 and Y2 side by side behind R1: 24 x 75 / 135 = 13.3 V
    ("neighbours shorted", "W4-W6 shorted", RELEASED, "Y1 Y2 Y3"),
    # 23.3 V behind 1.16 ohm, 1 ohm of it in the supply: 2.9 V at W2
    ("shorted to the negative", "W8-W10 shorted", RELEASED, ""),
    ("common negative lost", "L- lost", PRESSED, ""),
]


@pytest.mark.parametrize(
    ("name", "positions", "expected"), [row[1:] for row in SHOWS], ids=[row[0] for row in SHOWS]
)
def test_fault_shows(name: str | None, positions: dict[str, str], expected: str) -> None:
    sound = faulty()
    made = sound if name is None else apply(sound, name)
    assert on(made, positions) == set(expected.split())


@pytest.mark.parametrize(
    ("name", "positions"), [row[1:3] for row in SHOWS if row[1]], ids=[row[0] for row in SHOWS if row[1]]
)
def test_fault_differs_from_the_sound_panel(name: str, positions: dict[str, str]) -> None:
    assert on(apply(faulty(), name), positions) != on(faulty(), positions)


def test_load_shorted_behind_the_relay_that_it_starves_buzzes() -> None:
    """Y1 shorted pulls W2 down to 1.3 V as soon as K1 picks up; K1 (drop-out 3 V) falls and starts again."""
    row = derive_row(apply(faulty(), "Y1 shorted"), PRESSED)
    assert "buzz" in row.notes
    assert row.states["K1"] is None


# --- times: slow relays and lost suppression do not show in a table ---


def change_s(panel: Panel, start: dict[str, str], end: dict[str, str], tag: str) -> float:
    """Seconds from the change of positions to the first movement of relay `tag`."""
    settler = Settler(panel)
    motion, _ = settler.start({})
    settler.move(motion, settler.complete(start))
    changed_ns, count = motion.now_ns, len(motion.movements)
    settler.move(motion, settler.complete(end))
    return next((m.at_ns - changed_ns) / 1e9 for m in motion.movements[count:] if m.of == tag)


@pytest.mark.parametrize(
    ("name", "start", "end", "expected_s"),
    [
        ("", RELEASED, PRESSED, 0.015),
        ("", PRESSED, RELEASED, 0.010),
        ("K1 slow to operate", RELEASED, PRESSED, 4 * 0.015 + 0.1),
        ("K1 slow to operate", PRESSED, RELEASED, 0.010),
        ("K1 slow to release", PRESSED, RELEASED, 4 * 0.010 + 0.1),
        ("K1 slow to release", RELEASED, PRESSED, 0.015),
    ],
)
def test_slow_relay(name: str, start: dict[str, str], end: dict[str, str], expected_s: float) -> None:
    """Mid-range times of the builder's relay: 15 ms to operate, 10 ms to release, at nominal supply."""
    made = panel(
        [button("S1", {"13-14": "make"}), relay("K1", {})], "W1 L+ S1:13\nW2 S1:14 K1:A1\nW3 L- K1:A2"
    )
    made = apply(made, name) if name else made
    assert change_s(made, start, end, "K1") == pytest.approx(expected_s, abs=0.0001)


# --- suppression, earth, latching ---


def suppressed() -> Panel:
    """K1 with a diode across its coil; Y1 shows its state. L- is tied to the frame."""
    return panel(
        [
            button("S1", {"13-14": "make"}),
            relay("K1", {"13-14": "make"}, coils=(coil("K1", suppression="diode"),)),
            load("Y1"),
        ],
        """
        W1 L+ S1:13 K1:13
        W2 S1:14 K1:A1
        W3 K1:14 Y1:1
        W4 L- K1:A2 Y1:2 PE
        """,
        earth="PE",
    )


def test_suppression_reversed_is_a_short_while_fed() -> None:
    """24 V behind 1 ohm, 0.05 ohm and a diode: about 1.9 V at the coil, far below 16 V."""
    assert on(suppressed(), PRESSED) == {"K1", "Y1"}
    assert on(apply(suppressed(), "K1 coil suppression reversed"), PRESSED) == set()


@pytest.mark.parametrize(
    ("name", "expected_s"), [("", 0.010), ("K1 coil suppression open", 0.010 - 0.003955)]
)
def test_suppression_open_releases_sooner(name: str, expected_s: float) -> None:
    """The diode's decay by hand, L/R ln((I0 + V/R) / (I + V/R)): 1 H, 480.05 ohm, 50 to 6.25 mA, 0.7 V."""
    made = apply(suppressed(), name) if name else suppressed()
    assert change_s(made, PRESSED, RELEASED, "K1") == pytest.approx(expected_s, abs=2e-5)


def test_earth_fault_on_an_earthed_system() -> None:
    """W3 to the frame: 24 V behind 1 ohm and a contact into 1.05 ohm leaves 11.7 V at Y1, which needs 12 V.

    K1 picks up before (the fault lies behind its contact) and holds: it drops out at 3 V.
    """
    assert on(apply(suppressed(), "W3 earth fault"), PRESSED) == {"K1"}


def test_earth_fault_on_a_floating_system_changes_nothing() -> None:
    made = panel(
        [button("S1", {"13-14": "make"}), load("Y1")],
        "W1 L+ S1:13\nW2 S1:14 Y1:1\nW3 L- Y1:2",
        earth="PE",
    )
    for name in ("W1 earth fault", "W2 earth fault", "W3 earth fault"):
        assert on(apply(made, name), PRESSED) == {"Y1"}
        assert on(apply(made, name), RELEASED) == set()


def test_no_earth_faults_without_an_earth() -> None:
    assert not any(fault.kind == "earth fault" for fault in single_faults(faulty()))
    assert {f.name for f in single_faults(suppressed()) if f.kind == "earth fault"} == {
        "W1 earth fault",
        "W2 earth fault",
        "W3 earth fault",
    }


def latching() -> Panel:
    """S1 sets K2, S2 resets it."""
    return panel(
        [
            button("S1", {"13-14": "make"}),
            button("S2", {"13-14": "make"}),
            relay("K2", {"13-14": "make"}, kind="latching", coils=(coil("K2"), coil("K2", "B1 B2"))),
        ],
        """
        W1 L+ S1:13 S2:13
        W2 S1:14 K2:A1
        W3 S2:14 K2:B1
        W4 L- K2:A2 K2:B2
        """,
    )


def state_after(made: Panel, *steps: dict[str, str]) -> bool:
    settler = Settler(made)
    motion, _ = settler.start({})
    for positions in steps:
        settler.move(motion, settler.complete(positions))
    return motion.states()["K2"]


@pytest.mark.parametrize(
    ("name", "after_set", "after_reset"),
    [("", True, False), ("K2 coil A1-A2 open", False, False), ("K2 coil B1-B2 open", True, True)],
)
def test_each_coil_of_a_latching_relay_can_open(name: str, after_set: bool, after_reset: bool) -> None:
    made = apply(latching(), name) if name else latching()
    assert state_after(made, pressed("S1"), {}) is after_set
    assert state_after(made, pressed("S1"), {}, pressed("S2"), {}) is after_reset


# --- names ---

EVERY_KIND = {
    "contact stuck open",
    "contact stuck closed",
    "contact of high resistance",
    "coil open",
    "coil shorted",
    "load open",
    "load shorted",
    "armature stuck",
    "wire hop open",
    "wires exchanged",
    "short between neighbouring terminals",
    "common negative lost",
    "diode open",
    "diode shorted",
    "diode reversed",
    "resistor open",
    "resistor wrong value",
    "slow relay",
    "wrong relay fitted",
}


def test_every_kind_is_listed() -> None:
    assert {fault.kind for fault in single_faults(faulty())} == EVERY_KIND


@pytest.mark.parametrize(
    "made", [faulty(), suppressed(), latching()], ids=["faulty", "suppressed", "latching"]
)
def test_names_are_unique_and_in_the_same_order_each_time(made: Panel) -> None:
    names = [fault.name for fault in single_faults(made)]
    assert [name for name, times in Counter(names).items() if times > 1] == []
    assert names == [fault.name for fault in single_faults(made)]


def test_every_edit_gives_another_panel_and_leaves_the_sound_one() -> None:
    sound = faulty()
    for fault in single_faults(sound):
        assert fault.edit(sound) != sound, fault.name
        assert sound == faulty(), fault.name


def test_contacts_of_devices_outside_are_the_benchs() -> None:
    assert not any(fault.part.startswith("S") for fault in single_faults(faulty()))
    assert {f.name for f in single_faults(faulty()) if f.part == "F1"} == {
        "F1.1-2 stuck open",
        "F1.1-2 stuck closed",
        "F1.1-2 high resistance",
    }


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("K1 coil open", "K1 coil open"),
        ("  k1   COIL open ", "K1 coil open"),
        ("K1.21-22stuck open", "K1.21-22 stuck open"),
        ("w3 open x1:1-s1:14", "W3 open S1:14-X1:1"),
        ("W4-W3 shorted", "W3-W4 shorted"),
        ("l- LOST", "L- lost"),
    ],
)
def test_names_are_matched_leniently(typed: str, name: str) -> None:
    assert find(faulty(), typed).name == name


@pytest.mark.parametrize(
    ("typed", "hint"),
    [
        ("K1 coil opne", "K1 coil open"),
        ("K9 coil open", "K1 coil open"),
        ("W3 open S1:14-X1:9", "W3 open S1:14-X1:1"),
    ],
)
def test_unknown_fault_gives_the_nearest_names(typed: str, hint: str) -> None:
    with pytest.raises(UsageError) as caught:
        apply(faulty(), typed)
    message = str(caught.value)
    assert message.startswith(f"fault '{typed}': panel TH-T1 has no such fault; nearest: ")
    assert hint in message
    assert "\n" not in message


def test_far_off_name_gives_no_nearest() -> None:
    with pytest.raises(UsageError, match="none is near"):
        apply(faulty(), "zzzzzzzzzzzz")


def test_shorts_of_the_same_two_wires_are_named_by_terminals() -> None:
    made = panel(
        [button("S1", {"13-14": "make"}), load("Y1")],
        "W1 L+ X1:1 S1:13 X1:3\nW2 S1:14 X1:2 X1:4 Y1:1\nW3 L- X1:10 Y1:2",
    )
    names = [f.name for f in single_faults(made) if "shorted" in f.name and f.part.startswith("W")]
    assert names == ["X1:1-X1:2 shorted", "X1:2-X1:3 shorted", "X1:3-X1:4 shorted"]


def test_open_hops_stay_open_when_ends_are_exchanged() -> None:
    """W3 broken beside X1:1: after the exchange the same loose end lies at X1:2."""
    broken = apply(faulty(), "W3 open X1:1-K1:A1")
    exchanged = apply(broken, "W3-W4 exchanged")
    wire = next(w for w in exchanged.wires if w.tag == "W4")
    assert wire.terminals == ("K1:14", "X1:2", "K1:A1", "V2:A")
    assert [wire.hops[i] for i in wire.open_hops] == [("X1:2", "K1:A1")]


@pytest.mark.parametrize("first", ["K1 coil open", "W3-W4 shorted", "F1.1-2 high resistance", "Y1 shorted"])
def test_a_second_fault_has_the_same_name_as_on_the_sound_panel(first: str) -> None:
    sound = {fault.name for fault in single_faults(faulty())}
    assert {fault.name for fault in single_faults(apply(faulty(), first))} == sound


def test_two_faults_at_once() -> None:
    """K1 stuck dropped out, and its break contact to Y2 open."""
    both = apply(apply(faulty(), "K1 stuck dropped out"), "K1.21-22 stuck open")
    assert on(both, PRESSED) == {"Y3", "Y6"}


def test_motion_runs_on_every_faulty_panel() -> None:
    """No edit gives a circuit that the motion cannot start."""
    for fault in single_faults(faulty()):
        motion = Motion(fault.edit(faulty()))
        motion.settle(limit_s=1.0)
        assert set(motion.states()) == set(faulty().outputs), fault.name
