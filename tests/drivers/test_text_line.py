"""The text-line board against its device: contract, languages, what is sent, lines shared and taken over."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from modbus_models import TableDevice
from scripted_line import MS, ScriptedLine
from serial_lines import served_line
from text_lines import IDENTITY, Befalling, board_on, in_memory, scripted, spec_of

from drivers import shared_lines
from drivers.text_device import TextDevice
from drivers.text_line import TextLineBoard
from drivers.text_serving import PlainText
from harness.bench.board import Identity, Stamp
from harness.bench.contract import check_board
from harness.bench.parts import Watchdog
from harness.clock import NS, RealClock, VirtualClock
from harness.errors import BenchError, BenchUnsafe, BoardGarbled, BoardRefused, BoardTimeout

ONE_BY_ONE = {
    "write one": "RELAY {channel} {state}",
    "write reply": "RELAY {channel} IS {state}",
    "read outputs": "RELAYS?",
    "outputs reply": "RELAYS {image}",
    "read one input": "INPUT {channel}?",
    "one input reply": "INPUT {channel} IS {state}",
    "first output": "1",
    "first input": "1",
}
NO_REPLY = {"write all": "O{image}", "read inputs": "I?", "inputs reply": "I={image}"}
LANGUAGES: dict[str, dict[str, Any]] = {
    "defaults": {},
    "one by one": ONE_BY_ONE | {"first output": "0", "first input": "0"},
    "no reply": NO_REPLY | {"read outputs": "O?", "outputs reply": "O={image}"},
    "no reply and no read-back": NO_REPLY,
    "the command back": {"write all": "O{image}", "write reply": "O{image}", "read outputs": "O?",
                         "outputs reply": "O={image}", "read inputs": "I?", "inputs reply": "I={image}"},
    "console": {"echo": "true", "prompt": "> ", "line end": "CRLF"},
    "prompt in place of replies": NO_REPLY | {"prompt": ":", "line end": "CR"},
    "echo in place of replies": NO_REPLY | {"echo": "true"},
    "binary from the left": {"image base": "binary", "first channel": "left"},
    "decimal as it comes": {"image base": "decimal", "image digits": "0"},
    "one reading": {"read twice": "false"},
}  # fmt: skip


def table(outputs: int = 8, inputs: int = 8, **held: Any) -> TableDevice:
    spans = {"coils": range(outputs), "inputs": range(inputs)}
    return TableDevice({name: span for name, span in spans.items() if span}, objects=IDENTITY, **held)


@pytest.mark.parametrize("language", LANGUAGES)
def test_keeps_the_contract_in_memory(language: str) -> None:
    device = TextDevice({1: table()}, LANGUAGES[language])
    line = ScriptedLine(VirtualClock(start_ns=NS), Befalling(device))
    assert check_board(lambda: board_on(line, spec_of(LANGUAGES[language]))) == []


@pytest.mark.parametrize(("outputs", "inputs"), [(1, 1), (0, 8), (8, 0), (33, 70), (0, 0)])
def test_keeps_the_contract_with_any_number_of_channels(outputs: int, inputs: int) -> None:
    device = TextDevice({1: table(outputs, inputs)}, {})
    line = ScriptedLine(VirtualClock(start_ns=NS), Befalling(device))
    spec = spec_of(output_count=outputs, input_count=inputs)
    assert check_board(lambda: board_on(line, spec)) == []


@pytest.mark.parametrize("language", ["defaults", "console", "one by one"])
def test_keeps_the_contract_over_a_pseudo_terminal(language: str) -> None:
    settings = LANGUAGES[language]
    with served_line(PlainText(TextDevice({1: table()}, settings))) as port:
        spec = spec_of(settings | {"port": port, "quiet": "3 ms"}, timeout_s=2.0)
        assert check_board(lambda: TextLineBoard(spec, RealClock())) == []


def test_says_what_it_is() -> None:
    board, *_ = in_memory()
    with board:
        assert board.identify() == Identity("an invented maker", "SIMULATED BOARD", "7", simulated=True)
    silent, *_ = in_memory(NO_REPLY)
    with silent:
        assert silent.identify() == Identity()


@pytest.mark.parametrize(
    ("language", "sent"),
    [
        pytest.param({}, [b"SWITCH 1 05\n"], id="all at once"),
        pytest.param({"line end": "CRLF", "image base": "binary"}, [b"SWITCH 1 00000101\r\n"], id="binary"),
        pytest.param(
            ONE_BY_ONE, [b"RELAY 3 OFF\n", b"RELAY 1 ON\n"], id="only those that changed, off first"
        ),
    ],
)
def test_what_a_write_sends(language: dict[str, Any], sent: list[bytes]) -> None:
    device = TableDevice({"coils": range(1, 9), "inputs": range(1, 9)})
    script = Befalling(TextDevice({1: device}, language))
    board = board_on(ScriptedLine(VirtualClock(start_ns=NS), script), spec_of(language))
    with board:
        board.write({0: False, 2: True} if language is ONE_BY_ONE else {})
        script.heard.clear()
        stamp = board.write({0: True, 2: False} if language is ONE_BY_ONE else {0: True, 2: True})
        assert [line for line in script.heard if not line.startswith(b"READ")] == sent
        assert stamp.received_ns - stamp.sent_ns == 5 * MS * len(sent)


def test_one_by_one_all_channels_are_sent_the_first_time_and_to_make_safe() -> None:
    device = TableDevice({"coils": range(1, 9), "inputs": range(1, 9)})
    script = Befalling(TextDevice({1: device}, ONE_BY_ONE))
    board = board_on(ScriptedLine(VirtualClock(start_ns=NS), script), spec_of(ONE_BY_ONE))
    with board:
        for act in (lambda: board.write({1: True}), board.make_safe, board.make_safe):
            script.heard.clear()
            act()
            assert sum(b"RELAY " in line for line in script.heard) == 8
        script.heard.clear()
        board.write({1: True})
        assert script.heard == [b"RELAY 2 ON\n"]


@pytest.mark.parametrize(
    ("instead", "kind"),
    [
        pytest.param(b"NOT UNDERSTOOD\n", BoardRefused, id="refused"),
        pytest.param(b"RELAY 3 IS ON\n", BoardGarbled, id="answered wrongly"),
        pytest.param(b"", BoardTimeout, id="not answered"),
    ],
)
def test_one_by_one_every_channel_is_made_safe_though_one_fails(
    instead: bytes, kind: type[BenchError]
) -> None:
    device = TableDevice({"coils": range(1, 9), "inputs": range(1, 9)})
    text = TextDevice({1: device}, ONE_BY_ONE)
    broken = False

    def script(data: bytes) -> list[tuple[float, bytes]]:
        answer = instead if broken and data.startswith(b"RELAY 3") else text.feed(data)
        return [(5, answer)] if answer else []

    board = scripted(script, ONE_BY_ONE)
    board.open()
    board.write(dict.fromkeys(range(8), True))
    broken = True
    with pytest.raises(kind):
        board.make_safe()
    assert device.bits["coils"] == {k: k == 3 for k in range(1, 9)}
    broken = False
    board.write({})
    assert not any(device.bits["coils"].values()), "all are in doubt after a failure, so all are sent"
    board.close()


def test_one_by_one_a_board_that_is_silent_is_left_after_two_channels() -> None:
    board = scripted(lambda _: [], ONE_BY_ONE)
    board.open()
    begun_ns = board.clock.now_ns()
    with pytest.raises(BoardTimeout):
        board.make_safe()
    assert board.clock.now_ns() - begun_ns <= 2 * 3 * (100 + 50) * MS


def test_a_write_without_an_answer_is_read_back_within_its_stamp() -> None:
    language = LANGUAGES["no reply"]
    board, device, script, _ = in_memory(language)
    with board:
        board.read_back()
        stamp = board.write({0: True})
        assert script.heard[-3:] == [b"O01\n", b"O?\n", b"O?\n"]
        assert stamp.received_ns - stamp.sent_ns == 10 * MS
        device.write_bits = lambda *_: None  # type: ignore[method-assign]  # it takes no more of them
        with pytest.raises(BoardGarbled, match="outputs read back as 0x1, commanded 0x3"):
            board.write({1: True})


def test_a_write_that_nothing_can_confirm_takes_its_write_time() -> None:
    """19200 baud, even parity: 11 bits a character, 573 us; 4 characters, for 8 outputs at the most."""
    board, *_ = in_memory(NO_REPLY | {"write time": "70 ms"})
    with board:
        stamp = board.write({0: True})
    assert 70 * MS < stamp.received_ns - stamp.sent_ns < 70 * MS + 8 * 4 * 573 * 1000


def test_a_dead_line_that_only_echoes_acknowledges_nothing() -> None:
    """A plug that joins sending and receiving, or a converter that hears itself."""
    for language in ({}, LANGUAGES["the command back"], LANGUAGES["no reply"], ONE_BY_ONE):
        board = scripted(lambda data: [(1, data)], language)
        board.open()
        with pytest.raises((BoardGarbled, BoardTimeout)):
            board.write({0: True})
        for act in (board.read, board.read_back, board.make_safe):
            with pytest.raises((BoardGarbled, BoardTimeout)):
                act()
        board.close()


@pytest.mark.parametrize("language", ["the command back", "no reply", "one by one", "defaults"])
def test_a_line_that_goes_dead_and_echoes_acknowledges_nothing_more(language: str) -> None:
    board, *_, line = in_memory(LANGUAGES[language])
    board.open()
    board.write({0: True})
    line.script = lambda data: [(5, data)]
    with pytest.raises((BoardGarbled, BoardTimeout)):
        board.write({1: True})


def test_after_a_failure_every_channel_is_written_again() -> None:
    device = TableDevice({"coils": range(1, 9), "inputs": range(1, 9)})
    script = Befalling(TextDevice({1: device}, ONE_BY_ONE))
    board = board_on(ScriptedLine(VirtualClock(start_ns=NS), script), spec_of(ONE_BY_ONE))
    with board:
        board.write({0: True})
        script.fault = lambda *_: [(5, b"NOT UNDERSTOOD\n")]
        with pytest.raises(BoardRefused):
            board.write({1: True})
        script.heard.clear()
        board.write({2: True})
        assert sum(line.startswith(b"RELAY ") for line in script.heard) == 8


@pytest.mark.parametrize("counts", [False, True], ids=["steady inputs", "inputs that change at each reading"])
def test_two_readings_in_a_row_have_to_agree(counts: bool) -> None:
    board, device, script, _ = in_memory()
    with board:
        board.read_back()
        device.noted.clear()
        if counts:
            with pytest.raises(BoardGarbled, match="no two of 6 readings in a row agree"):
                board.read()
            assert len(device.noted) == 6
            return
        script.device = TextDevice({1: table(bits={"inputs": {3: True}})}, {})
        sample = board.read()
        assert (sample.bits, sample.received_ns - sample.sent_ns) == (8, 10 * MS)


def test_a_spoilt_digit_is_no_reading_where_two_have_to_agree() -> None:
    board, _, script, _ = in_memory()
    script.device = TextDevice({1: table(bits={"inputs": {0: True}})}, {})
    with board:
        board.read()
        script.fault = lambda answer, _: [(5, answer.replace(b"01", b"03"))]
        sample = board.read()
        assert sample.bits == 1
        assert sample.received_ns - sample.sent_ns == 10 * MS, "stamped over the two that agree"


def test_channels_that_the_bench_file_does_not_know_are_not_dropped() -> None:
    board, _, script, _ = in_memory({"image digits": "2"}, input_count=4)
    with board:
        board.read_back()
        script.fault = lambda answer, _: [(5, b"INPUTS 1 10\n")]
        with pytest.raises(BoardGarbled, match="0x10 came, but the bench file gives it 4 channels"):
            board.read()


def test_two_boards_on_one_line() -> None:
    clock = VirtualClock(start_ns=NS)
    devices = {1: table(bits={"inputs": {0: True}}), 247: table(3, 0)}
    line = ScriptedLine(clock, Befalling(TextDevice(devices, {})))
    opened = line.open
    first = TextLineBoard(spec_of({"unit": "1"}), clock, open_line=opened)
    hand = TextLineBoard(
        replace(
            spec_of({"unit": 247, "first output": 0, "first input": 0}),
            name="hand",
            output_count=3,
            input_count=0,
        ),
        clock,
        open_line=opened,
    )
    with first, hand:
        first.write({7: True})
        hand.write({2: True})
        assert first.read().bits == 1
        assert (first.read_back(), hand.read_back()) == (0x80, 4)
        assert line.opened == 1
    assert line.closed == 1


@pytest.mark.parametrize(
    ("one", "other", "problem"),
    [
        ({}, {}, "cannot be told apart"),
        (NO_REPLY, NO_REPLY | {"unit": "2"}, "cannot be told apart"),
        ({}, {"unit": "2", "echo": "true"}, "is open already with echo False, asked True"),
        ({}, {"unit": "2", "baud": "9600"}, "is open already with baud 19200, asked 9600"),
    ],
)
def test_boards_that_one_line_cannot_carry(one: dict[str, Any], other: dict[str, Any], problem: str) -> None:
    clock = VirtualClock(start_ns=NS)
    line = ScriptedLine(clock, lambda _: [])
    opened = line.open
    with TextLineBoard(spec_of(one), clock, open_line=opened):
        second = TextLineBoard(replace(spec_of(other), name="IO2"), clock, open_line=opened)
        with pytest.raises(BenchError, match=problem):
            second.open()
        assert not line.closed
    assert line.closed == 1


def test_a_unit_that_is_not_there_meets_silence() -> None:
    device = TextDevice({1: table(), 2: table()}, {})
    board = scripted(lambda data: [(5, device.feed(data))], {"unit": "3"})
    board.open()
    with pytest.raises(BoardTimeout):
        board.read()


def watched(milliseconds: float, language: dict[str, Any] | None = None) -> Any:
    return in_memory(language, watchdog=Watchdog(time_out_s=milliseconds / 1000, proof_output=0))


def test_a_watchdog_is_armed_and_switches_off_when_nobody_talks() -> None:
    board, device, script, line = watched(300)
    board.open()
    assert board.arm_watchdog() == 0.3
    assert script.heard[-2:] == [b"ARM WATCHDOG 1 300\n", b"READ WATCHDOG 1\n"]
    board.write({0: True})
    line.clock.advance(290 * MS)
    script.device.look()
    assert device.bits["coils"][0]
    line.clock.advance(11 * MS)
    script.device.look()
    assert not device.bits["coils"][0]


WATCH = {"arm watchdog": "W={seconds}", "ask watchdog": "W?", "watchdog reply": "W IS {seconds}"}


def test_a_watchdog_in_whole_seconds() -> None:
    board, *_ = watched(3000, NO_REPLY | WATCH)
    board.open()
    assert board.arm_watchdog() == 3.0
    half, *_ = watched(1500, NO_REPLY | WATCH)
    half.open()
    with pytest.raises(BenchError, match="watchdog time-out 1500 ms; its commands take whole seconds"):
        half.arm_watchdog()


def test_a_watchdog_that_reads_back_otherwise_is_unsafe() -> None:
    board, _, script, _ = watched(3000)
    board.open()
    board.read_back()
    text = script.device

    def other(answer: bytes, last: bytes) -> list[tuple[float, bytes]]:
        script.fault = lambda then, _: [(5, then.replace(b"3000", b"300"))]
        return [(5, answer)]

    script.fault = other
    with pytest.raises(BenchUnsafe, match="reads back 300 ms, armed with 3000 ms"):
        board.arm_watchdog()
    assert text is script.device


def test_a_board_without_watchdog_commands_has_none() -> None:
    board, *_ = watched(3000, NO_REPLY)
    board.open()
    with pytest.raises(BenchError, match="driver text-line has no watchdog"):
        board.arm_watchdog()


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo terminals")
@pytest.mark.parametrize("left", [b"", b"SWITCH 1 F", b"READ INPUTS 1\n", b"nonsense " * 20])
def test_takes_over_a_descriptor_whatever_was_left_half_said(left: bytes) -> None:
    device = table()
    with served_line(PlainText(TextDevice({1: device}, {}))) as port:
        spec = spec_of({"port": port}, timeout_s=2.0)
        descriptor = os.open(port, os.O_RDWR | os.O_NOCTTY)
        os.write(descriptor, b"SWITCH 1 FF\n" + left)
        clock = RealClock()
        board = TextLineBoard(spec, clock)
        begun_ns = clock.now_ns()
        board.adopt(descriptor)
        board.make_safe()
        took_ms = (clock.now_ns() - begun_ns) / MS
        assert not any(device.bits["coils"].values())
        assert board.descriptor == descriptor
        board.close()
    assert took_ms < 1000  # a busy machine; 20 ms of quiet and a few answers on an idle one


def test_a_line_taken_over_is_safe_in_50_ms_and_the_answers_time() -> None:
    """In virtual time: drained for 20 ms, the command 5 ms later carried out, the rest is for certainty."""
    board, device, _, line = in_memory()
    device.bits["coils"] = dict.fromkeys(range(8), True)
    line.bring(12, b"INPUTS 1 0")  # the end of an answer to the dead process
    begun_ns = line.clock.now_ns()
    board._adopted = lambda _descriptor: line.open()  # type: ignore[method-assign]
    board.adopt(99)
    sent: dict[bytes, int] = {}
    board.trace = None
    stamp: Stamp = board.make_safe()
    for request, at_ns in zip(line.requests, line.sent_ns, strict=True):
        sent.setdefault(request, at_ns)
    assert line.requests[0] == b"\n"
    assert sent[b"SWITCH 1 00\n"] - begun_ns <= 50 * MS
    assert not any(device.bits["coils"].values())
    assert stamp.received_ns - begun_ns < 100 * MS


def test_the_port_is_let_go_of() -> None:
    board, *_, line = in_memory()
    board.open()
    board.close()
    assert (line.opened, line.closed) == (1, 1)
    assert ("memory", line.open) not in shared_lines._held


words = st.text(alphabet="ABCDEFGHIJKLMNOPQRSTUVWXYZ .:=/", min_size=1, max_size=6)


@st.composite
def languages(draw: st.DrawFn) -> dict[str, Any]:
    """Templates of any words that the settings accept, told apart by their first letters."""
    word = {k: f"{letter}{draw(words)}:" for k, letter in zip(range(8), "PQRSTUVW", strict=True)}
    unit = draw(st.sampled_from(["", "{unit} "]))
    language: dict[str, Any] = {
        "write all": f"{word[0]}{unit}{{image}}",
        "read outputs": f"{word[2]}{unit}",
        "outputs reply": f"{word[3]}{unit}{{image}} {draw(words)}",
        "read inputs": f"{word[4]}{unit}",
        "inputs reply": f"{word[5]}{{image}}",
        "line end": draw(st.sampled_from(["CR", "LF", "CRLF"])),
        "echo": draw(st.sampled_from(["true", "false"])),
        "image base": draw(st.sampled_from(["binary", "decimal", "hexadecimal"])),
        "letters": draw(st.sampled_from(["upper", "lower"])),
        "unit": draw(st.integers(0, 300)),
        "image digits": draw(st.sampled_from([0, 10, 12])),
    }
    if draw(st.booleans()):
        language["write reply"] = f"{word[1]}{{image}} done"
    if draw(st.booleans()):
        language["prompt"] = draw(st.sampled_from(["> ", "?", "ready:"]))
    return language


@settings(max_examples=60, suppress_health_check=[HealthCheck.filter_too_much])
@given(languages(), st.integers(0, 255), st.integers(0, 255))
def test_whatever_the_language_the_driver_reads_what_the_device_has(
    language: dict[str, Any], outputs: int, inputs: int
) -> None:
    device = table(bits={"inputs": {k: bool(inputs >> k & 1) for k in range(8)}})
    script = Befalling(TextDevice({int(language["unit"]): device}, language))
    with board_on(ScriptedLine(VirtualClock(start_ns=NS), script), spec_of(language)) as board:
        board.write({k: bool(outputs >> k & 1) for k in range(8)})
        assert device.bits["coils"] == {k: bool(outputs >> k & 1) for k in range(8)}
        assert board.read_back() == outputs
        assert board.read().bits == inputs
