"""Bench files: what a good one becomes; every check with its failing side, passing side and place."""

from __future__ import annotations

from pathlib import Path

import pytest
from file_examples import BENCH as GOOD
from file_examples import damaged, edited, place
from hypothesis import given, settings

from harness.bench.files import LoadedBench, load_bench, read_bench
from harness.bench.parts import Bench, BoardSpec, InputChannel, OutputChannel, SpecialChannel
from harness.errors import FileError
from harness.panel.parts import Span
from harness.source import load_text


def load(text: str) -> LoadedBench:
    return read_bench(load_text(text.encode(), "b"))


def changed(*edits: tuple[str, str]) -> str:
    return edited(GOOD, *edits)


def problems(text: str) -> list[str]:
    with pytest.raises(FileError) as caught:
        load(text)
    return [str(problem) for problem in caught.value.problems]


def test_a_good_bench_becomes_its_parts() -> None:
    first = BoardSpec(
        name="IO1",
        driver="modbus-tcp",
        settings={"host": "127.0.0.1", "port": "502", "unit": "1", "first output": "0", "first input": "0"},
        output_count=16,
        input_count=32,
        timeout_s=0.25,
        poll_s=0.005,
        input_age_s=0.001,
        output_delay_s=Span(0.002, 0.008),
        highest_v=150.0,
        breaking_a=1.0,
    )
    second = BoardSpec(
        name="IO2", driver="modbus-tcp", settings={"host": "io2"}, output_count=0, input_count=8
    )
    by_default = InputChannel(
        name="DI0",
        board="IO1",
        channel=0,
        watches="Y4",
        proves="load",
        terminals=("X1:12", "L-"),
        resistance_ohm=47_000.0,
        on_v=35.0,
        off_v=15.0,
        filter_s=0.003,
        highest_v=150.0,
    )
    by_itself = InputChannel(
        name="DI1",
        board="IO2",
        channel=7,
        watches="K1",
        proves="contact",
        terminals=("K1:13", "K1:14"),
        resistance_ohm=4700.0,
        on_v=12.0,
        off_v=6.0,
        wetting_v=24.0,
        highest_v=60.0,
        both_polarities=True,
        inverted=True,
    )
    assert load(GOOD).bench == Bench(
        tag="TH-B1",
        title="Bench of every key",
        boards=(first, second),
        outputs=(
            OutputChannel(
                name="DO0",
                board="IO1",
                channel=0,
                imitates=("S1", "13-14"),
                terminals=("X1:6", "X1:7"),
                normally_closed=True,
            ),
            OutputChannel(
                name="DO1", board="IO1", channel=14, imitates=("S1", "21-22"), terminals=("S1:21", "S1:22")
            ),
        ),
        inputs=(by_default, by_itself),
        hand_set=("F1", "main"),
        contactor=SpecialChannel(board="IO1", channel=15),
        supply_present=SpecialChannel(board="IO1", channel=30),
        emergency_stop=SpecialChannel(board="IO1", channel=31, inverted=True),
        forbidden=({"S3": "low", "S4": "1"},),
        longest_on_s={"Y4": 10.0},
    )


@pytest.mark.parametrize(
    ("driver", "said", "simulated"),
    [("simulated", "", True), ("modbus-tcp", "simulated: true\n", True), ("modbus-tcp", "", False)],
    ids=["by its board", "by its own word", "not"],
)
def test_when_a_bench_is_simulated(driver: str, said: str, simulated: bool) -> None:
    text = (
        f"{said}format: 1\nbench: B\nboards: {{IO: {{driver: {driver}, settings: {{host: a}}, inputs: 1}}}}"
    )
    assert load(text).bench.simulated is simulated


def test_a_bench_on_disk(tmp_path: Path) -> None:
    path = tmp_path / "a.bench.yaml"
    path.write_text(GOOD, encoding="utf-8")
    bench, source = load_bench(path)
    assert (bench.tag, source.name) == ("TH-B1", str(path))


Edit = tuple[str, str]
Row = tuple[str, Edit, str, str]
CHECKS: list[Row] = [
    ("driver misspelt", ("IO2: {driver: modbus-tcp", "IO2: {driver: modbus_tcp"), "modbus_tcp",
     "unknown driver 'modbus_tcp'; did you mean modbus-tcp?"),
    ("setting misspelt", ("{host: io2}", "{host: io2, prot: 502}"), "502}, inputs",
     ("no setting `prot`; allowed: host, port, unit, first output, first input, most at once, "
      "watchdog register, watchdog clear register, watchdog clear value, watchdog feed register, "
      "watchdog feed value, watchdog count, identification; did you mean `port`?")),
    ("setting missing", ("{host: io2}", "{port: 502}"), "{port: 502}",
     "`host` is missing; give the board's IP address or host name"),
    ("setting out of range", ("port: 502", "port: 70000"), "70000",
     "`port` is '70000'; a whole number from 1 to 65535 is needed"),
    ("board without channels", (", inputs: 8", ""), "IO2: {driver",
     "board IO2 has neither outputs nor inputs; say how many"),
    ("board named as the hands", ("IO2: {driver", "hand: {driver"), "hand: {driver",
     "the name hand is kept for what a person sets; choose another"),
    ("output on no board", ("DO1: {board: IO1", "DO1: {board: IO3"), "IO3",
     "no board has the name IO3; did you mean IO1?"),
    ("input on no board", ("DI0: {board: IO1", "DI0: {board: rack"), "rack",
     "no board has the name rack; boards are IO1, IO2"),
    ("contactor on no board", ("contactor: {board: IO1", "contactor: {board: IOO1"), "IOO1",
     "no board has the name IOO1; did you mean IO1?"),
    ("emergency stop on no board", ("stop: {board: IO1", "stop: {board: IO11"), "IO11",
     "no board has the name IO11; did you mean IO1?"),
    ("output beyond the board", ("channel: 14", "channel: 16"), "16, imitates",
     "board IO1 has no output 16; it has 0 to 15"),
    ("input beyond the board", ("channel: 7", "channel: 8"), "8\n    watches",
     "board IO2 has no input 8; it has 0 to 7"),
    ("output of a board of inputs", ("DO1: {board: IO1, channel: 14", "DO1: {board: IO2, channel: 0"),
     "0, imitates: S1.21",
     "board IO2 has no output 0; it has no outputs"),
    ("supply present beyond the board", ("channel: 30", "channel: 32"), "32}}",
     "board IO1 has no input 32; it has 0 to 31"),
    ("two outputs on one channel", ("channel: 14", "channel: 0"), "0, imitates: S1.21",
     "output 0 of board IO1 is taken by output DO0 (line 18)"),
    ("contactor on an output's channel", ("channel: 15", "channel: 14"), "14}, present",
     "output 14 of board IO1 is taken by output DO1 (line 19)"),
    ("emergency stop on supply present", ("channel: 31", "channel: 30"), "30, inverted",
     "input 30 of board IO1 is taken by supply present (line 37)"),
    ("present on an input's channel", ("channel: 30", "channel: 0"), "0}}",
     "input 0 of board IO1 is taken by input DI0 (line 21)"),
    ("input named as an output", ("  DI0: {", "  DO0: {"), "DO0: {board: IO1, channel: 0, watches",
     "DO0 is the name of an output already (line 18)"),
    ("output between a terminal and itself", ("[X1:6, X1:7]", "[X1:6, X1:6]"), "[X1:6, X1:6]",
     "both terminals are X1:6; expected two different ones"),
    ("input between a terminal and itself", ("[X1:12, L-]", "[L-, L-]"), "[L-, L-]",
     "both terminals are L-; expected two different ones"),
    ("contact imitated twice", ("S1.21-22", "S1.13-14"), "S1.13-14}",
     "S1.13-14 is imitated by output DO0 already (line 18); one output per contact"),
    ("off at on, board", ("off: 15 V", "off: 35 V"), "35 V, resistance",
     "off threshold 35 V is not below the on threshold 35 V"),
    ("off above on, channel", ("off: 6 V", "off: 13 V"), "13 V",
     "off threshold 13 V is not below the on threshold 12 V"),
    ("own on below the board's off", ("[X1:12, L-]}", "[X1:12, L-], on: 14 V}"), "14 V",
     "off threshold 15 V is not below the on threshold 14 V"),
    ("on at the wetting voltage", ("on: 12 V", "on: 24 V"), "24 V\n    off",
     "on threshold 24 V is not below the wetting 24 V; the input could never read on"),
    ("on above the highest voltage", ("on: 35 V", "on: 160 V"), "160 V",
     "on threshold 160 V is not below the highest voltage 150 V; the input could never read on"),
    ("no threshold anywhere", ("    on: 12 V\n", ""), "DI1:",
     "'on' is missing in DI1; give it here or under 'input' of board IO2"),
    ("no resistance anywhere", ("    resistance: 4.7 kohm\n", ""), "DI1:",
     "'resistance' is missing in DI1; give it here or under 'input' of board IO2"),
    ("by hand twice", ("hand: [F1, main]", "hand: [F1, main, F1]"), "F1]", "F1 stands in the list twice"),
    ("by hand and by an output", ("hand: [F1, main]", "hand: [F1, S1]"), "S1]",
     "S1 is imitated by output DO1; it cannot be set by hand as well"),
    ("nothing forbidden", ("forbidden: [{S3: low, S4: '1'}]", "forbidden: [{}]"), "{}",
     "an empty combination; expected positions such as {S3: low}"),
]  # fmt: skip
SHAPES: list[Row] = [
    ("driver empty", ("IO2: {driver: modbus-tcp", "IO2: {driver: ''"), "''",
     "driver: '' is no name; expected one line of at most 80 characters"),
    ("driver of nothing", ("IO2: {driver: modbus-tcp", "IO2: {driver: "), ", settings: {host: io2",
     "driver: nothing is no name; expected one line of at most 80 characters"),
    ("no driver", ("driver: modbus-tcp, ", ""), "IO2: {settings", "'driver' is missing in IO2"),
    ("channel is no number", ("channel: 14", "channel: A"), "A, imitates",
     "channel: 'A' is not a count; expected a whole number such as 5, without a unit"),
    ("channel below zero", ("channel: 14", "channel: -1"), "-1, imitates",
     "channel: '-1' is not a count; expected a whole number such as 5, without a unit"),
    ("what is imitated", ("S1.21-22", "S1:21-22"), "S1:21-22",
     "imitates: 'S1:21-22' is no contact of a device; expected TAG.CONTACT such as S1.13-14"),
    ("one terminal", ("[X1:12, L-]", "[X1:12]"), "[X1:12]",
     "terminals: found a list of 1; expected two terminals such as [X1:6, X1:7]"),
    ("proves nothing known", ("proves: load", "proves: lod"), "lod",
     "proves: found 'lod'; expected coil, load or contact; did you mean load?"),
    ("rating without its current", (", breaking current: 1 A", ""), "ratings: {highest",
     "'breaking current' is missing in ratings"),
    ("time-out of zero", ("timeout: 250 ms", "timeout: 0 ms"), "0 ms\n    poll",
     "timeout: '0 ms' is zero; expected a time such as '20 ms'"),
    ("contactor that closes when its output goes off",
     ("channel: 15}, p", "channel: 15, inverted: true}, p"), "true}, p",
     "the supply contactor must open when its output goes off; take 'inverted' out and use its make contact"),
    ("yes is no flag", ("inverted: true\nhand", "inverted: yes\nhand"), "yes",
     "inverted: found 'yes'; expected true or false"),
    ("unknown key", ("emergency stop:", "emergency-stop:"), "emergency-stop",
     "unknown key 'emergency-stop'; did you mean emergency stop?"),
]  # fmt: skip
ALL = CHECKS + SHAPES


@pytest.mark.parametrize(("edit", "needle", "message"), [row[1:] for row in ALL], ids=[row[0] for row in ALL])
def test_each_check_finds_its_fault_and_its_place(edit: Edit, needle: str, message: str) -> None:
    text = changed(edit)
    assert f"b:{place(text, needle)}: {message}" in problems(text)


# these bring a second line with them: a channel that moves, a board that goes
TWO = {"board without channels", "board named as the hands"}


@pytest.mark.parametrize("row", [row for row in ALL if row[0] not in TWO], ids=lambda row: row[0])
def test_one_fault_gives_one_line(row: Row) -> None:
    assert len(problems(changed(row[1]))) == 1


PASSING: list[tuple[str, Edit]] = [
    ("last channel of each", ("channel: 14", "channel: 13")),
    ("same number, other board", ("channel: 7", "channel: 0")),
    ("same number, other side", ("channel: 30", "channel: 15")),
    ("off just below on", ("off: 15 V", "off: 34.9 V")),
    ("on just below the wetting voltage", ("on: 12 V", "on: 23.9 V")),
    (
        "on just below the highest voltage",
        ("highest voltage: 150 V}\n  IO2", "highest voltage: 35.1 V}\n  IO2"),
    ),
    ("driver without settings", ("driver: modbus-tcp, settings: {host: io2}", "driver: simulated")),
    ("nothing by hand", ("hand: [F1, main]", "hand: []")),
    ("one output imitates each contact", ("S1.21-22", "S2.13-14")),
]


@pytest.mark.parametrize("edit", [row[1] for row in PASSING], ids=[row[0] for row in PASSING])
def test_the_passing_side_of_each_check(edit: Edit) -> None:
    assert load(changed(edit)).bench.tag == "TH-B1"


def test_all_problems_at_once_sorted_by_place() -> None:
    text = changed(("channel: 14", "channel: 99"), ("off: 15 V", "off: 99 V"), ("hand: [F1,", "hand: [main,"))
    assert [int(problem.split(":")[1]) for problem in problems(text)] == [15, 19, 36]


MIXED: list[tuple[str, list[Edit], list[tuple[str, str]]]] = [
    ("a quantity of a board and a channel of another",
     [("timeout: 250 ms", "timeout: 250"), ("channel: 7", "channel: 9")],
     [("250\n", "timeout: '250' has no unit; expected a time such as '20 ms'"),
      ("9\n    watches", "board IO2 has no input 9; it has 0 to 7")]),
    ("a misspelt key and a contact imitated twice",
     [("hand: [F1", "hands: [F1"), ("S1.21-22", "S1.13-14")],
     [("S1.13-14}", "S1.13-14 is imitated by output DO0 already (line 18); one output per contact"),
      ("hands", "unknown key 'hands'; did you mean hand?")]),
    ("no name and a threshold",
     [("bench: TH-B1\n", ""), ("off: 6 V", "off: 60 V")],
     [("format", "'bench' is missing"),
      ("60 V\n    resistance", "off threshold 60 V is not below the on threshold 12 V")]),
    ("a misspelt section hides the rest", [("boards:", "bords:"), ("S1.21-22", "S1.13-14")],
     [("bords", "unknown key 'bords'; did you mean boards?")]),
]  # fmt: skip


@pytest.mark.parametrize(("edits", "expected"), [row[1:] for row in MIXED], ids=[row[0] for row in MIXED])
def test_faults_of_shape_and_of_channels_are_told_together(
    edits: list[Edit], expected: list[tuple[str, str]]
) -> None:
    text = changed(*edits)
    assert problems(text) == [f"b:{place(text, needle)}: {message}" for needle, message in expected]


@settings(max_examples=300, deadline=None)
@given(damaged(GOOD))
def test_a_damaged_file_is_read_or_refused_in_located_lines(text: str) -> None:
    found = loaded_or_refusal(text)
    if isinstance(found, FileError):
        lines = str(found).splitlines()
        assert len(lines) == len(found.problems) > 0
        assert [problem.file for problem in found.problems] == ["b"] * len(lines)
        assert all(1 <= problem.line <= text.count("\n") + 2 for problem in found.problems)
    else:
        assert found.bench.tag


def loaded_or_refusal(text: str) -> LoadedBench | FileError:
    try:
        return load(text)
    except FileError as error:
        return error


SLOW_BOARDS = {
    "two requests": "most at once: 8, first output: 0",
    "one output at a time": "most at once: 1, first output: 0",
}


@pytest.mark.parametrize("settings", SLOW_BOARDS.values(), ids=SLOW_BOARDS)
def test_what_must_never_be_needs_outputs_that_change_together(settings: str) -> None:
    """Between two requests the combination could be there, and nobody would see it."""
    forbidden = ("[{S3: low, S4: '1'}]", "[{S1: pressed, S4: '1'}]")
    load(changed(forbidden))
    load(changed(forbidden, ("first output: 0", "most at once: 16, first output: 0")))
    found = problems(changed(forbidden, ("first output: 0", settings)))
    assert len(found) == 1
    assert "S1 is on board IO1, whose outputs move one after the other: between two of them" in found[0]
