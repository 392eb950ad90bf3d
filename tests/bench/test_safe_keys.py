"""Keys of a bench file about being safe and about registers: what they become, and each check's two sides."""

from __future__ import annotations

from pathlib import Path

import pytest
from file_examples import damaged, edited, place
from hypothesis import given, settings

from harness.bench.files import LoadedBench, read_bench
from harness.bench.parts import Measure, SupplySetting, Watchdog
from harness.bench.registry import DRIVERS
from harness.errors import FileError
from harness.source import load_text

GOOD = """\
format: 1
bench: TH-B2
boards:
  IO1:
    driver: modbus-tcp
    settings: {host: io1, watchdog register: 100, watchdog count: 10 ms}
    outputs: 8
    inputs: 8
    poll: 50 ms
    timeout: 200 ms
    retries: 1
    safe on: [6]
    watchdog: {time-out: 500 ms, proof output: 5, proof input: 7}
    input: {on: 14 V, off: 12 V, resistance: 10 kohm}
  PS1: {driver: modbus-tcp, settings: {host: ps1}, outputs: 1}
  IO3: {driver: simulated, outputs: 4, safe on: [0, 3], watchdog: {time-out: 2 s, proof output: 1}}
outputs:
  DO0: {board: IO1, channel: 0, imitates: S1.13-14}
supply:
  contactor: {board: IO1, channel: 4}
  set: {main: {board: PS1, register: 20, scale: 10 mV}}
measures:
  U1: {board: PS1, input register: 3, scale: 0.1 V, uncertainty: 0.3 V, of: main, tolerance: 2.5 %}
  U2: {board: PS1, holding register: 7, scale: 0.1 V, uncertainty: 0.1 V, of: aux, before contactor: true}
  I1: {board: IO1, holding register: 4, words: 2, signed: true, scale: 1 mA, uncertainty: 2 mA}
  T1: {board: PS1, input register: 9, scale: 0.5 C, offset: -40 C, uncertainty: 1 C}
guardian: own
"""


def load(text: str) -> LoadedBench:
    return read_bench(load_text(text.encode(), "b"))


def problems(text: str) -> list[str]:
    with pytest.raises(FileError) as caught:
        load(text)
    return [str(problem) for problem in caught.value.problems]


def test_a_good_file_becomes_its_parts() -> None:
    bench = load(GOOD).bench
    io1, ps1, io3 = bench.boards
    assert io1.watchdog == Watchdog(time_out_s=0.5, proof_output=5, proof_input=7)
    assert io3.watchdog == Watchdog(time_out_s=2.0, proof_output=1)
    assert (io1.safe_on, ps1.safe_on, io3.safe_on) == ((6,), (), (0, 3))
    assert (io1.safe_image, io3.safe_image) == (0b100_0000, 0b1001)
    assert bench.measures == (
        Measure(name="U1", board="PS1", table="input", register=3, scale=0.1, unit="V", uncertainty=0.3,
                of="main", tolerance=0.025),
        Measure(name="U2", board="PS1", table="holding", register=7, scale=0.1, unit="V", uncertainty=0.1,
                of="aux", before_contactor=True),
        Measure(name="I1", board="IO1", table="holding", register=4, scale=0.001, unit="A",
                uncertainty=0.002, words=2, signed=True),
        Measure(name="T1", board="PS1", table="input", register=9, scale=0.5, unit="C", uncertainty=1.0,
                offset=-40.0),
    )  # fmt: skip
    assert bench.supply_settings == (SupplySetting(of="main", board="PS1", register=20, scale_v=0.01),)
    assert bench.hand_set == ("main",)
    assert bench.guardian == "own"


Edit = tuple[str, str]
Row = tuple[str, Edit, str, str]
REFUSED: list[Row] = [
    ("safe on beyond the board", ("safe on: [6]", "safe on: [6, 8]"), "8]\n    watchdog",
     "board IO1 has no output 8; it has 0 to 7"),
    ("the contactor safe on", ("safe on: [6]", "safe on: [4]"), "4]\n    watchdog",
     "output 4 is the supply contactor's; safe means that it is off"),
    ("safe on twice", ("safe on: [6]", "safe on: [6, 6]"), "[6, 6]",
     "safe on: output 6 stands in the list twice"),
    ("safe on is no list", ("safe on: [6]", "safe on: 6"), "6\n    watchdog",
     "safe on: found '6'; expected a list such as [a, b]"),
    ("proof output beyond the board", ("proof output: 5", "proof output: 8"), "8, proof",
     "board IO1 has no output 8; it has 0 to 7"),
    ("proof on the contactor", ("proof output: 5", "proof output: 4"), "4, proof",
     "output 4 is the supply contactor's; a proof may not switch the supply on"),
    ("proof on an output that is safe on", ("proof output: 5", "proof output: 6"), "6, proof",
     ("output 6 is on in the safe state, so nothing would show that the watchdog switched it off; choose "
     "another")),
    ("proof input beyond the board", ("proof input: 7", "proof input: 8"), "8}\n    input",
     "board IO1 has no input 8; it has 0 to 7"),
    ("a loop on an output of the map", ("proof output: 5", "proof output: 0"), "0, proof",
     "output 0 is DO0, wired to the panel; a loop needs a spare output"),
    ("a loop on the emergency stop", ("guardian: own", "emergency stop: {board: IO1, channel: 7}"),
     "7}\n    input", "input 7 is taken by the emergency stop; a loop needs a spare input"),
    ("a loop on an input of the map",
     ("guardian: own", "inputs: {D: {board: IO1, channel: 7, watches: K1, proves: coil, terminals: [A, B]}}"),
     "7}\n    input", "input 7 is taken by D; a loop needs a spare input"),
    ("no proof output", (", proof output: 1}", "}"), "watchdog: {time-out: 2 s}",
     "'proof output' is missing in watchdog"),
    ("time-out of less than three polls", ("poll: 50 ms", "poll: 170 ms"), "500 ms",
     "the watchdog would trip between polls; give it at least 510 ms, three times the longest poll"),
    ("the poll of another board counts", ("settings: {host: ps1}", "poll: 168 ms, settings: {host: ps1}"),
     "500 ms",
     "the watchdog would trip between polls; give it at least 504 ms, three times the longest poll"),
    ("shorter than the wait for a lost answer", ("timeout: 200 ms", "timeout: 450 ms"), "500 ms",
     ("the watchdog would trip while a lost answer is waited for; give it more than 500 ms ('timeout' and "
     "'poll' of a board with retries), or lower that 'timeout'")),
    ("time-out beyond sense", ("time-out: 500 ms", "time-out: 61 s"), "61 s",
     "time-out: found 61 s; expected at most 60 s, or it protects nobody"),
    ("time-out of zero", ("time-out: 500 ms", "time-out: 0 ms"), "0 ms, proof output: 5",
     "time-out: '0 ms' is zero; expected a time such as '20 ms'"),
    ("driver told nothing of its watchdog", (", watchdog register: 100, watchdog count: 10 ms", ""),
     "watchdog: {time-out: 500 ms", ("a watchdog is wanted, but the settings lack `watchdog register` and "
     "`watchdog count`; take them from the board's manual")),
    ("measure on no board", ("I1: {board: IO1", "I1: {board: IO4"), "IO4",
     "no board has the name IO4; did you mean IO1?"),
    ("measure without a register", ("input register: 3, ", ""), "U1:",
     "U1 has neither of 'input register' and 'holding register'; give one of them"),
    ("measure with two registers", ("input register: 3", "input register: 3, holding register: 4"), "U1:",
     "U1 has both of 'input register' and 'holding register'; give one of them"),
    ("register beyond the last", ("input register: 3", "input register: 65536"), "65536",
     "input register: found 65536; expected a register from 0 to 65535"),
    ("second word beyond the last", ("holding register: 4", "holding register: 65535"), "I1:",
     "I1 ends beyond register 65535"),
    ("three words", ("words: 2", "words: 3"), "3, signed", "words: found 3; expected 1 or 2 registers"),
    ("uncertainty in another unit", ("uncertainty: 0.3 V", "uncertainty: 0.3 A"), "0.3 A",
     "uncertainty is in A and the scale in V; write one unit"),
    ("offset in another unit", ("offset: -40 C", "offset: -40 V"), "-40 V",
     "offset is in V and the scale in C; write one unit"),
    ("finer than a count", ("uncertainty: 0.3 V", "uncertainty: 0.04 V"), "0.04 V",
     "less than half a count; at least 0.05 V, and what the meter adds"),
    ("uncertainty of zero", ("uncertainty: 0.3 V", "uncertainty: 0 V"), "0 V, of: main",
     "uncertainty: found '0 V'; expected a voltage, a current or a temperature such as '0.1 V'"),
    ("scale below zero", ("scale: 0.5 C", "scale: -0.5 C"), "-0.5 C",
     "scale: '-0.5 C' is negative; a temperature here is zero or more"),
    ("scale without a unit", ("scale: 0.5 C", "scale: 0.5"), "0.5, offset",
     "scale: found '0.5'; expected a voltage, a current or a temperature such as '0.1 V'"),
    ("scale that is a time", ("scale: 0.5 C", "scale: 5 ms"), "5 ms, offset",
     "scale: found '5 ms'; expected a voltage, a current or a temperature such as '0.1 V'"),
    ("tolerance without its sign", ("tolerance: 2.5 %", "tolerance: 2.5"), "2.5}",
     "tolerance: '2.5' has no unit; expected a share such as '5 %'"),
    ("tolerance beyond sense", ("tolerance: 2.5 %", "tolerance: 60 %"), "60 %",
     "tolerance: found '60 %'; expected more than 0 % and at most 50 %"),
    ("a supply's level in amperes", ("signed: true, scale: 1 mA", "of: aux, scale: 1 mA"), "aux, scale",
     "a supply's level is a voltage, and this measure is in A"),
    ("level set on no board", ("main: {board: PS1", "main: {board: PS2"), "PS2",
     "no board has the name PS2; did you mean PS1?"),
    ("level set and never measured", ("of: main, tolerance: 2.5 %", "of: aux"), "main: {board: PS1",
     "nothing measures main; a level that is set has to be read back: add a measure 'of: main'"),
    ("level in a wrong unit", ("scale: 10 mV", "scale: 10 mA"), "10 mA",
     "found a scale in A; a supply's level is a voltage"),
    ("guardian of no kind", ("guardian: own", "guardian: none"), "none",
     "guardian: found 'none'; expected shared or own"),
    ("by hand and by the run", ("guardian: own", "hand: [main]"), "main]",
     "main is set by the run (under 'supply'); take it out here"),
]  # fmt: skip


@pytest.mark.parametrize(("edit", "needle", "message"), [r[1:] for r in REFUSED], ids=[r[0] for r in REFUSED])
def test_each_check_finds_its_fault_and_its_place(edit: Edit, needle: str, message: str) -> None:
    text = edited(GOOD, edit)
    assert problems(text) == [f"b:{place(text, needle)}: {message}"]


TAKEN: list[tuple[str, Edit]] = [
    ("nothing safe on", ("safe on: [6]", "safe on: []")),
    ("the last output safe on", ("safe on: [6]", "safe on: [7]")),
    ("proof on an output of the map", ("proof output: 5, proof input: 7", "proof output: 0")),
    ("time-out of three polls", ("poll: 50 ms", "poll: 100 ms")),
    ("longer than the wait for a lost answer", ("timeout: 200 ms", "timeout: 449 ms")),
    ("no retry, so no wait", ("timeout: 200 ms\n    retries: 1", "timeout: 2 s")),
    ("half a count", ("uncertainty: 0.3 V", "uncertainty: 0.05 V")),
    ("the last register", ("input register: 3", "input register: 65535")),
    ("the last two registers", ("holding register: 4", "holding register: 65534")),
    ("an offset of zero", ("offset: -40 C", "offset: 0 C")),
]


@pytest.mark.parametrize("edit", [row[1] for row in TAKEN], ids=[row[0] for row in TAKEN])
def test_the_passing_side(edit: Edit) -> None:
    assert load(edited(GOOD, edit)).bench.tag == "TH-B2"


def test_without_a_contactor_a_watchdog_is_proved_on_a_spare_output_only() -> None:
    bare = edited(GOOD, ("  contactor: {board: IO1, channel: 4}\n", ""))
    assert load(bare).bench.contactor is None
    text = edited(bare, ("proof output: 5", "proof output: 0"))
    message = (
        "output 0 is DO0, and this bench has no supply contactor: the proof would move a live panel; choose "
        "a spare output"
    )
    assert problems(text) == [f"b:{place(text, '0, proof')}: {message}"]


DRIVER = """\
from harness.bench.board import Board
class Plain(Board):
    pass
"""


def test_a_driver_that_lacks_watchdogs_and_registers_is_told_in_one_line_each(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "plain_board.py").write_text(DRIVER)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setitem(DRIVERS, "plain", "plain_board:Plain")
    text = edited(GOOD, ("driver: simulated, outputs: 4", "driver: plain, outputs: 4"))
    text = edited(text, ("T1: {board: PS1", "T1: {board: IO3"))
    remedy = "take 'watchdog' out, or use a board that has one"
    assert problems(text) == [
        f"b:{place(text, 'watchdog: {time-out: 2 s')}: driver plain cannot arm a watchdog; " + remedy,
        f"b:{place(text, 'IO3, input register: 9')}: board IO3 has driver plain, which has no registers",
    ]


@settings(max_examples=200, deadline=None)
@given(damaged(GOOD))
def test_a_damaged_file_is_read_or_refused_in_located_lines(text: str) -> None:
    found = loaded_or_refusal(text)
    if isinstance(found, FileError):
        assert all(problem.file == "b" and problem.line >= 1 for problem in found.problems)
    else:
        assert found.bench.tag


def loaded_or_refusal(text: str) -> LoadedBench | FileError:
    try:
        return load(text)
    except FileError as error:
        return error
