"""Panel files: what a good one becomes; every check with its failing side, passing side and place."""

from __future__ import annotations

from pathlib import Path

import pytest
from file_examples import PANEL as GOOD
from file_examples import damaged, edited, place
from hypothesis import given, settings

from harness.errors import FileError
from harness.panel.files import LoadedPanel, load_panel, read_panel
from harness.panel.parts import (
    Coil,
    Device,
    DeviceContact,
    Diagram,
    Diode,
    Load,
    Panel,
    Relay,
    RelayContact,
    Resistor,
    Span,
    Supply,
    Wire,
)
from harness.source import load_text


def load(text: str) -> LoadedPanel:
    return read_panel(load_text(text.encode(), "p"))


def changed(*edits: tuple[str, str]) -> str:
    return edited(GOOD, *edits)


def problems(text: str) -> list[str]:
    with pytest.raises(FileError) as caught:
        load(text)
    return [str(problem) for problem in caught.value.problems]


def test_a_good_panel_becomes_its_parts() -> None:
    diode_coil = Coil(
        terminals=("K1:A1", "K1:A2"),
        resistance_ohm=900.0,
        inductance_h=4.0,
        pick_up_v=36.0,
        drop_out_v=8.0,
        suppression="diode",
    )
    panel = load(GOOD).panel
    assert panel.diagram == Diagram(number="TH-D-9", revision="C", modifications=("M2",))
    assert panel.supplies == (
        Supply(tag="main", positive="L+", negative="L-", nominal_v=72.0, range_v=Span(50.0, 90.0)),
        Supply(tag="lamps", positive="N+", negative="L-", nominal_v=24.0, range_v=Span(18.0, 30.0)),
    )
    assert panel.devices[0] == Device(
        tag="S1",
        title="Stop push-button",
        positions=("released", "pressed"),
        contacts=(
            DeviceContact(name="13-14", terminals=("S1:13", "S1:14"), closed_in=frozenset({"pressed"})),
            DeviceContact(name="21-22", terminals=("S1:21", "S1:22"), closed_in=frozenset({"released"})),
        ),
    )
    assert (panel.devices[1].positions, panel.devices[1].change) == (("0", "1", "2"), "overlap")
    assert panel.devices[2] == Device(
        tag="F1",
        title="Control breaker",
        positions=("closed", "open"),
        contacts=(
            DeviceContact(name="1-2", terminals=("F1:1", "F1:2"), closed_in=frozenset({"closed"})),
            DeviceContact(name="3-4", terminals=("F1:3", "F1:4"), closed_in=frozenset({"closed"})),
        ),
        inside=True,
        rating_a=6.0,
    )
    assert panel.relays[0] == Relay(
        tag="K1",
        title="Run relay",
        coils=(diode_coil,),
        operate_s=Span(0.015, 0.035),
        release_s=Span(0.02, 0.05),
        bounce_s=0.002,
        gap_s=0.003,
        contacts=(
            RelayContact(name="13-14", kind="make", terminals=("K1:13", "K1:14")),
            RelayContact(name="21-22", kind="break", terminals=("K1:21", "K1:22")),
            RelayContact(name="31-32-34", kind="change-over", terminals=("K1:31", "K1:32", "K1:34")),
        ),
    )
    k2, k3, k4 = panel.relays[1:]
    assert (k2.kind, k2.delay_s, k2.contacts[0].kind) == ("delayed pick-up", Span(4.0, 6.0), "make")
    assert (k2.coils[0].suppression, k2.coils[0].suppression_ohm) == ("resistor", 900.0)
    assert [coil.terminals for coil in k3.coils] == [("K3:A1", "K3:A2"), ("K3:B1", "K3:B2")]
    assert (k4.reset_by, k4.reset_in) == ("S1", frozenset({"pressed"}))
    lamp_coil = Coil(
        terminals=("P1:1", "P1:2"), resistance_ohm=240.0, inductance_h=0.0, pick_up_v=15.0, drop_out_v=10.0
    )
    assert panel.loads[1] == Load(tag="P1", kind="lamp", coil=lamp_coil)
    assert (panel.loads[0].kind, panel.loads[0].coil.terminals) == ("solenoid", ("Y4:1", "Y4:2"))
    assert panel.resistors == (Resistor(tag="R1", terminals=("R1:1", "R1:2"), resistance_ohm=60.0),)
    assert panel.diodes == (
        Diode(tag="V1", anode="V1:A", cathode="V1:K"),
        Diode(tag="V2", anode="V2:A", cathode="V2:K", forward_v=0.6, on_ohm=0.1),
    )
    assert panel.wires[2] == Wire(tag="W3", terminals=("S1:14", "X1:7", "K1:21"))
    assert (panel.tag, panel.title, panel.earth) == ("TH-T1", "Panel of every part", "PE")
    assert (panel.stopped, panel.not_proved) == (({"Y4": True, "K1": False},), ("The governor's own part",))


def test_the_smallest_panel() -> None:
    text = """{format: 1, panel: P, title: T, diagram: {number: 1, revision: A},
supplies: {m: {positive: L+, negative: L-, nominal: 24 V, range: [24 V, 24 V]}}, wires: {W1: [L+, L-]}}"""
    panel = load(text).panel
    supply = Supply(tag="m", positive="L+", negative="L-", nominal_v=24.0, range_v=Span(24.0, 24.0))
    wire = Wire(tag="W1", terminals=("L+", "L-"))
    diagram = Diagram(number="1", revision="A")
    assert panel == Panel(tag="P", title="T", diagram=diagram, supplies=(supply,), wires=(wire,))


def test_a_panel_on_disk(tmp_path: Path) -> None:
    path = tmp_path / "a.panel.yaml"
    path.write_text(GOOD, encoding="utf-8")
    panel, source = load_panel(path)
    assert (panel.tag, source.name) == ("TH-T1", str(path))
    assert source.place(("loads", "Y4"), key=True) == tuple(map(int, place(GOOD, "Y4: {title").split(":")))


Edit = tuple[str, str]
Row = tuple[str, Edit, str, str]

BARE = "bare names here are L+, L-, N+, PE, others are TAG:NUMBER"
COIL = "coil: {resistance: 900 ohm, inductance: 4 H, pick-up: 36 V, drop-out: 8 V, suppression: diode}"
TAKES = " that the coil's current alone takes"
TIMES = "at nominal supply; check time, resistance and inductance"
OPERATE = "operate: [15 ms, 35 ms]\n    release: [20 ms"
SUPPLIES = GOOD[GOOD.index("supplies:") : GOOD.index("earth:")]
WIRING: list[Row] = [
    ("tag of two parts", ("resistors: {R1: 60", "resistors: {K2: 60"), "K2: 60",
     "tag K2 is given already under relays (line 26); each part has its own tag"),
    ("tag of a wire and a supply", ("  W8: [", "  main: ["), "main: [PE",
     "tag main is given already under supplies (line 6); each part has its own tag"),
    ("relay that is not there", ("K1:22, R1", "K9:22, R1"), "K9:22",
     "no part has the tag K9; there are K1, K2, K3, K4"),
    ("part in small letters", ("K1:22, R1", "k1:22, R1"), "k1:22",
     "no part has the tag k1; did you mean K1?"),
    ("part like no other", ("K1:22, R1", "Q77:22, R1"), "Q77:22",
     "no part has the tag Q77; terminal strips have tags that start with X"),
    ("supply used as a part", ("K1:22, R1", "main:22, R1"), "main:22",
     "no part has the tag main; terminal strips have tags that start with X"),
    ("terminal of a relay", ("K1:22, R1", "K1:23, R1"), "K1:23",
     "K1 has no terminal '23'; it has A1, A2, 13, 14, 21, 22, 31, 32, 34"),
    ("terminal of a device", ("S1:13, S1:21", "S1:11, S1:21"), "S1:11",
     "S1 has no terminal '11'; it has 13, 14, 21, 22"),
    ("terminal of a breaker", ("F1:1, X1:1", "F1:5, X1:1"), "F1:5",
     "F1 has no terminal '5'; it has 1, 2, 3, 4"),
    ("terminal of a resistor", ("R1:2", "R1:3"), "R1:3", "R1 has no terminal '3'; it has 1, 2"),
    ("terminal of a diode", ("V1:K", "V1:2"), "V1:2", "V1 has no terminal '2'; it has A, K"),
    ("pole that is not there", ("W8: [PE, X1:20", "W8: [PE, M+, X1:20"), "M+",
     "M+ is neither a supply pole nor the earth; " + BARE),
    ("pole like no other", ("W8: [PE, X1:20", "W8: [PE, ground, X1:20"), "ground",
     "ground is neither a supply pole nor the earth; " + BARE),
    ("terminal in two wires", ("W8: [PE, X1:20", "W8: [PE, X1:7"), "X1:7]",
     "terminal X1:7 is in wire W3 already (line 54); each terminal belongs to one wire, once"),
    ("terminal twice in a wire", ("W8: [PE, X1:20", "W8: [PE, X1:20, PE"), "PE]",
     "terminal PE stands twice in wire W8 (line 59); each terminal belongs to one wire, once"),
    ("wire of one terminal", ("W8: [PE, X1:20", "W8: [PE"), "[PE]",
     "wire W8 joins only PE; expected two or more, in looping order"),
    ("wire of none", ("  W8: [PE, X1:20]", "  W8: [PE, X1:20]\n  W9: []"), "[]",
     "wire W9 joins no terminal; expected two or more, in looping order"),
    ("pole in no wire", ("W7: [N+, P1:1", "W7: [P1:1"), "positive: N+", "supply pole N+ is in no wire"),
    ("earth in no wire", ("W8: [PE, X1:20", "W8: [X1:21, X1:20"), "earth: PE",
     "earth terminal PE is in no wire"),
    ("coil in no wire", ("S1:22, K1:A1", "S1:22, X1:30"), COIL, "coil terminal K1:A1 is in no wire"),
    ("second coil in no wire", ("K3:B2, ", ""), "B1-B2: {", "coil terminal K3:B2 is in no wire"),
    ("load in no wire", ("Y4:2, ", ""), "Y4: {title", "load terminal Y4:2 is in no wire"),
    ("poles the same", ("N+, negative: L-", "N+, negative: N+"), "N+, nominal", "both poles of lamps are N+"),
    ("earth a pole", ("earth: PE", "earth: L-"), "L-\ndevices",
     "earth is a pole of main; name it by itself, such as PE, and join it by a wire"),
    ("contact from a terminal to itself", ("13-14: make", "13-13: make"), "13-13",
     "contact 13-13 has the same terminal twice"),
    ("pole of a breaker twice", ("[1-2, 3-4]", "[1-2, 2-4]"), "[1-2, 2-4]",
     "terminal F1:2 belongs to two poles"),
    ("coil and contact share a terminal", ("21-22: break, ", "21-22: break, A1-22x: break, "),
     "contacts: {13-14: make", "terminal K1:A1 belongs to a coil and to a contact"),
]  # fmt: skip

VALUES: list[Row] = [
    ("nominal below the range", ("nominal: 72 V", "nominal: 49.9 V"), "49.9 V",
     "nominal 49.9 V lies outside the range of main, 50 V to 90 V"),
    ("nominal above the range", ("nominal: 24 V", "nominal: 30.1 V"), "30.1 V",
     "nominal 30.1 V lies outside the range of lamps, 18 V to 30 V"),
    ("closed in no position", ("closed in: [pressed]", "closed in: [presed]"), "presed",
     "S1 has no position 'presed'; did you mean pressed?"),
    ("closed in a number", ("closed in: [1, 2]", "closed in: [1, 3]"), "3]}}",
     "S2 has no position '3'; it has 0, 1, 2"),
    ("drop-out at pick-up", ("pick-up: 28 V, drop-out: 6 V", "pick-up: 28 V, drop-out: 28 V"), "28 V}",
     "drop-out 28 V is not below pick-up 28 V"),
    ("drop-out above pick-up", ("pick-up: 40 V, drop-out: 9 V", "pick-up: 40 V, drop-out: 41 V"), "41 V",
     "drop-out 41 V is not below pick-up 40 V"),
    ("pick-up at nominal", ("pick-up: 28 V", "pick-up: 72 V"), "72 V, drop-out",
     "pick-up 72 V is not below the nominal supply, 72 V; it never picks up"),
    ("coil above nominal", ("pick-up: 30 V", "pick-up: 110 V"), "110 V",
     "pick-up 110 V is not below the nominal supply, 72 V; it never picks up"),
    ("gap longer than operate", ("gap: 3 ms", "gap: 15.1 ms"), "15.1 ms",
     "gap 15.1 ms is longer than the shortest operate time, 15 ms"),
    # 4 H / 900 ohm x ln 2 = 3.081 ms
    ("operate below the coil's rise", (OPERATE, OPERATE.replace("15", "3")), "[3 ms, 35 ms]",
     f"shortest operate time 3 ms is less than the 3.08 ms{TAKES} to reach pick-up {TIMES}"),
    # 4 H / 900 ohm x ln(72.7/8.7) = 9.436 ms, the diode's own 0.05 ohm left out
    ("release below the decay by diode", ("release: [20 ms, 50 ms]", "release: [9 ms, 50 ms]"),
     "[9 ms, 50 ms]",
     f"shortest release time 9 ms is less than the 9.44 ms{TAKES} to fall to drop-out {TIMES}"),
    # 1 H / 400 ohm x -ln(1 - 30/72) = 1.347 ms
    ("release of a latching relay", ("release: [14 ms, 30 ms]", "release: [1 ms, 30 ms]"), "[1 ms, 30 ms]",
     f"shortest release time 1 ms is less than the 1.35 ms{TAKES} to reach pick-up {TIMES}"),
    ("contact of three", ("13-14: make", "13-14-15: make"), "13-14-15",
     "a make contact has 2 terminals such as 13-14; 13-14-15 has 3"),
    ("change-over of two", ("31-32-34: change-over", "31-32: change-over"), "31-32",
     "a change-over contact has 3 terminals such as 31-32-34; 31-32 has 2"),
    ("break numbers on a make", ("13-14: make", "11-12: make"), "11-12",
     "11-12 are numbers of a break contact by EN 50005; a make contact is numbered such as 13-14"),
    ("make numbers on a break", ("21-22: break, 31", "23-24: break, 31"), "23-24",
     "23-24 are numbers of a make contact by EN 50005; a break contact is numbered such as 21-22"),
    ("change-over in another order", ("31-32-34", "31-34-32"), "31-34-32",
     "31-34-32 are numbers of no contact by EN 50005; a change-over contact is numbered such as 31-32-34"),
    ("numbers of two contacts", ("13-14: make", "13-44: make"), "13-44",
     "13-44 are numbers of different contacts by EN 50005; the first digits must be equal"),
    ("no delay", ("    delay: [4 s, 6 s]\n", ""), "K2:\n",
     "'delay' is missing in K2; a delayed pick-up relay has one"),
    ("delay of a plain relay", ("bounce: 2 ms", "delay: [1 s, 2 s]"), "delay: [1 s",
     "a plain relay has no delay; expected kind delayed pick-up or delayed drop-out"),
    ("reset of a plain relay", ("bounce: 2 ms", "reset by: {S2: [1]}"), "reset by: {S2",
     "a plain relay is not reset by hand; expected kind hand-reset"),
    ("no reset", ("    reset by: {S1: [pressed]}\n", ""), "K4:\n",
     "a hand-reset relay is reset by one device; expected such as 'reset by: {S9: [pressed]}'"),
    ("reset by two", ("reset by: {S1: [pressed]}", "reset by: {S1: [pressed], S2: [1]}"), "reset by",
     "a hand-reset relay is reset by one device; expected such as 'reset by: {S9: [pressed]}'"),
    ("reset by nothing known", ("reset by: {S1", "reset by: {S12"), "S12",
     "no device has the tag S12; did you mean S1?"),
    ("reset by a relay", ("reset by: {S1", "reset by: {KAB"), "KAB",
     "no device has the tag KAB; devices are S1, S2"),
    ("reset in no position", ("reset by: {S1: [pressed]}", "reset by: {S1: [pulled]}"), "pulled",
     "S1 has no position 'pulled'; it has released, pressed"),
    ("solenoid without inductance", ("inductance: 1.2 H, ", ""), "Y4: {title",
     "'inductance' is missing in Y4; a solenoid has one"),
    ("stopped names a misspelt load", ("stopped: {Y4: on", "stopped: {Y44: on"), "Y44: on",
     "no relay or load has the tag Y44; did you mean Y4?"),
    ("stopped names a device", ("stopped: {Y4: on", "stopped: {S9: on"), "S9: on",
     "no relay or load has the tag S9; outputs are K1, K2, K3, K4, Y4, P1"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("edit", "needle", "message"),
    [row[1:] for row in WIRING + VALUES],
    ids=[row[0] for row in WIRING + VALUES],
)
def test_each_check_finds_its_fault_and_its_place(edit: Edit, needle: str, message: str) -> None:
    text = changed(edit)
    assert f"p:{place(text, needle)}: {message}" in problems(text)


ALONE = {row[0] for row in WIRING + VALUES} - {
    # these leave something else unwired, unnumbered or unknown as well, which is said too
    "tag of two parts", "tag of a wire and a supply", "poles the same", "earth a pole",
    "contact from a terminal to itself", "pole of a breaker twice", "coil and contact share a terminal",
    "coil above nominal", "make numbers on a break",
}  # fmt: skip


@pytest.mark.parametrize("row", [row for row in WIRING + VALUES if row[0] in ALONE], ids=lambda row: row[0])
def test_one_fault_gives_one_line(row: Row) -> None:
    assert len(problems(changed(row[1]))) == 1


PASSING = [
    ("nominal at the lowest", ("nominal: 72 V", "nominal: 50 V")),
    ("nominal at the highest", ("nominal: 24 V", "nominal: 30 V")),
    ("drop-out just below", ("pick-up: 28 V, drop-out: 6 V", "pick-up: 28 V, drop-out: 27.9 V")),
    ("pick-up just below nominal", ("pick-up: 28 V", "pick-up: 71.9 V")),
    ("pick-up above the lowest supply", ("pick-up: 28 V", "pick-up: 60 V")),
    ("gap as long as operate", ("gap: 3 ms", "gap: 15 ms")),
    ("operate just above the rise", (OPERATE, OPERATE.replace("15", "3.09"))),
    ("release just above the decay", ("release: [20 ms, 50 ms]", "release: [9.44 ms, 50 ms]")),
    ("latching release just above the rise", ("release: [14 ms, 30 ms]", "release: [1.35 ms, 30 ms]")),
    ("numbers of the trade's older relays", ("13-14: make", "1-3: make")),
    ("delayed break contact", ("17-18: make", "15-16: break")),
    ("delayed change-over", ("17-18: make", "15-16-18: change-over")),
    ("device numbers are not judged", ("{13-14: {closed in: [pressed]}", "{13-14: {closed in: [released]}")),
    ("strip that is named nowhere else", ("X1:20", "X99:1")),
    ("a third coil voltage", ("suppression: 900 ohm", "suppression: none")),
    ("diode by its defaults", ("V2: {forward: 0.6 V, resistance: 0.1 ohm}", "V2: {}")),
    ("load at rest in stopped", ("stopped: {Y4: on", "stopped: {P1: off, Y4: on")),
    ("wire of two", ("W1: [L+, F1:1, X1:1]", "W1: [L+, F1:1]")),
]  # fmt: skip


@pytest.mark.parametrize("edit", [row[1] for row in PASSING], ids=[row[0] for row in PASSING])
def test_the_passing_side_of_each_check(edit: Edit) -> None:
    assert load(changed(edit)).panel.tag == "TH-T1"


def test_a_latching_relay_with_one_coil() -> None:
    second = "      B1-B2: {resistance: 400 ohm, inductance: 1 H, pick-up: 30 V, drop-out: 5 V}\n"
    text = changed((second, ""), ("K3:B1, ", ""), ("K3:B2, ", ""))
    assert problems(text) == [
        f"p:{place(text, 'coils:')}: found 1 coils; a latching relay has two, set and reset"
    ]


def test_a_latching_relay_written_with_coil() -> None:
    text = changed(("kind: delayed pick-up", "kind: latching"), ("    delay: [4 s, 6 s]\n", ""))
    message = "a latching relay has two coils; write 'coils: {A1-A2: {...set...}, B1-B2: {...reset...}}'"
    assert problems(text) == [f"p:{place(text, 'coil: {resistance: 1.8')}: {message}"]


def test_a_plain_relay_with_two_coils() -> None:
    text = changed(("    kind: latching\n", ""))
    assert problems(text) == [
        f"p:{place(text, 'K3:' + chr(10))}: 'coil' is missing in K3",
        f"p:{place(text, 'coils:')}: a plain relay has one coil; write 'coil', or 'kind: latching' for two",
    ]


def test_a_relay_without_a_coil() -> None:
    coil = next(line for line in GOOD.splitlines(keepends=True) if "1.8 kohm" in line)
    text = changed((coil, ""), ("K2:A1, ", ""), ("K2:A2, ", ""))
    assert problems(text) == [f"p:{place(text, 'K2:' + chr(10))}: 'coil' is missing in K2"]


def test_two_supplies_between_the_same_poles() -> None:
    text = changed(("lamps: {positive: N+", "lamps: {positive: L+"), ("W7: [N+, ", "W7: ["))
    assert problems(text) == [f"p:{place(text, 'lamps: {')}: lamps has the same poles as main"]


SHAPES: list[Row] = [
    ("unknown section", ("resistors: {", "resistor: {"), "resistor: {",
     "unknown key 'resistor'; did you mean resistors?"),
    ("unknown key of a coil", ("pick-up: 28 V", "pick up: 28 V"), "pick up",
     "unknown key 'pick up'; did you mean pick-up?"),
    ("one position", ("[released, pressed]", "[released]"), "[released]\n    contacts",
     "positions: found 1 entries; expected at least 2"),
    ("suppression", ("suppression: 900 ohm", "suppression: zener"), "zener",
     "suppression: found 'zener'; expected none, diode or the resistance of a resistor such as '1.2 kohm'"),
    ("contact of a device with three terminals", ("{1-2: {closed", "{1-2-4: {closed"), "1-2-4",
     "'1-2-4' is no contact; expected two terminal numbers such as 13-14"),
    ("yes is no state", ("stopped: {Y4: on", "stopped: {Y4: yes"), "yes",
     "Y4: found 'yes'; expected on or off"),
    ("no supplies", (SUPPLIES, "supplies: {}\n"), "{}\nearth",
     "supplies: found 0 entries; expected at least 1"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("edit", "needle", "message"), [row[1:] for row in SHAPES], ids=[row[0] for row in SHAPES]
)
def test_the_shape_comes_first(edit: Edit, needle: str, message: str) -> None:
    text = changed(edit)
    assert problems(text) == [f"p:{place(text, needle)}: {message}"]


def test_a_terminal_without_a_number() -> None:
    text = changed(("K1:22, R1", "'K1:', R1"))
    message = "W4: 'K1:' is no terminal; expected TAG:NUMBER such as K1:13, or a supply pole"
    assert problems(text) == [f"p:{place(text, chr(39) + 'K1:' + chr(39))}: {message}"]


def test_all_problems_at_once_sorted_by_place() -> None:
    text = changed(
        ("nominal: 72 V", "nominal: 95 V"), ("gap: 3 ms", "gap: 30 ms"), ("K1:22, R1", "K9:22, R1")
    )
    lines = [int(problem.split(":")[1]) for problem in problems(text)]
    assert lines == [6, 24, 24, 55]


MIXED: list[tuple[str, list[Edit], list[tuple[str, str]]]] = [
    ("a quantity and a terminal",
     [("pick-up: 28 V", "pick-up: '28,5 V'"), ("S1:13, S1:21", "S1:31, S1:21")],
     [("'28,5 V'", "pick-up: '28,5 V' has a decimal comma; write a decimal point as in '0.5'"),
      ("S1:31", "S1 has no terminal '31'; it has 13, 14, 21, 22")]),
    ("a misspelt key, a tag, a value of another part",
     [("bounce: 2 ms", "bonce: 2 ms"), ("K4:A2, ", "K7:A2, "), ("pick-up: 28 V", "pick-up: 72 V")],
     [("bonce", "unknown key 'bonce'; did you mean bounce?"),
      ("coil: {resistance: 900 ohm, inductance: 4 H, pick-up: 36 V, drop-out: 8 V}",
       "coil terminal K4:A2 is in no wire"),
      ("72 V, drop-out", "pick-up 72 V is not below the nominal supply, 72 V; it never picks up"),
      ("K7:A2", "no part has the tag K7; there are K2, K3, K4")]),
    ("a bad terminal does not hide the next",
     [("S1:13, S1:21", "'S1 13', S1:31")],
     [("'S1 13'", "W2: 'S1 13' is no terminal; expected TAG:NUMBER such as K1:13, or a supply pole"),
      ("S1:31", "S1 has no terminal '31'; it has 13, 14, 21, 22")]),
    ("a voltage of a supply and a terminal",
     [("nominal: 72 V", "nominal: 72,5 V"), ("S1:13, S1:21", "S1:31, S1:21")],
     [("72,5", "nominal: '72' has no unit; expected a voltage such as '72 V'"),
      ("5 V, range: [50", "a comma before '5 V'; write a decimal point, as in '72.5 V'"),
      ("S1:31", "S1 has no terminal '31'; it has 13, 14, 21, 22")]),
    ("no diagram and a terminal in two wires",
     [("diagram: {number: TH-D-9, revision: C, modifications: [M2]}\n", ""), ("X1:20", "X1:7")],
     [("format", "'diagram' is missing"),
      ("X1:7]", "terminal X1:7 is in wire W3 already (line 53); each terminal belongs to one wire, once")]),
    ("who names a part with a fault is not blamed",
     [("positions: [released, pressed]", "positions: [released]")],
     [("[released]\n    contacts", "positions: found 1 entries; expected at least 2")]),
    ("a misspelt section blames no wire", [("relays:", "relais:")],
     [("relais:", "unknown key 'relais'; did you mean relays?")]),
    ("no wires", [(GOOD[GOOD.index("wires:") : GOOD.index("stopped:")], "")],
     [("format", "'wires' is missing")]),
]  # fmt: skip


@pytest.mark.parametrize(("edits", "expected"), [row[1:] for row in MIXED], ids=[row[0] for row in MIXED])
def test_faults_of_shape_and_of_wiring_are_told_together(
    edits: list[Edit], expected: list[tuple[str, str]]
) -> None:
    text = changed(*edits)
    assert problems(text) == [f"p:{place(text, needle)}: {message}" for needle, message in expected]


@settings(max_examples=300, deadline=None)
@given(damaged(GOOD))
def test_a_damaged_file_is_read_or_refused_in_located_lines(text: str) -> None:
    found = loaded_or_refusal(text)
    if isinstance(found, FileError):
        lines = str(found).splitlines()
        assert len(lines) == len(found.problems) > 0
        assert [problem.file for problem in found.problems] == ["p"] * len(lines)
        assert all(1 <= problem.line <= text.count("\n") + 2 for problem in found.problems)
    else:
        assert found.panel.tag


def loaded_or_refusal(text: str) -> LoadedPanel | FileError:
    try:
        return load(text)
    except FileError as error:
        return error
