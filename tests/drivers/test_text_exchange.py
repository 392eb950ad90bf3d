"""Every way in which a text line can go wrong, in virtual time: what is said of it, and that no lie is read.

The device's inputs are how often they were read, so each answer is one of its kind, and a reading is true
only if the device gave just that answer between the reading's two stamps.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scripted_line import MS, Arrivals, ScriptedLine
from text_lines import TIMEOUT_S, Befalling, Counting, Fault, board_on, in_memory, spec_of

from drivers.text_device import TextDevice
from drivers.text_line import TextLineBoard
from harness.clock import NS, VirtualClock
from harness.errors import BenchError, BoardAbsent, BoardGarbled, BoardRefused, BoardTimeout

ONE = {"read twice": "false", "soonest answer": "4 ms"}
LATE_MS = TIMEOUT_S * 1000 + 40


def flip(place: int, bit: int) -> Fault:
    def fault(answer: bytes, _: bytes) -> Arrivals:
        spoilt = bytearray(answer)
        spoilt[place] ^= 1 << bit
        return [(5, bytes(spoilt))]

    return fault


FAULTS: dict[str, tuple[Fault, type[BenchError], str]] = {
    "a flipped letter": (flip(0, 1), BoardGarbled, "'KNPUTS 1 02' came"),
    "a digit that is none": (flip(-2, 6), BoardGarbled, "'INPUTS 1 0r' came"),
    "a flipped line end": (flip(-1, 2), BoardTimeout, "only 'INPUTS 1 02\\\\x0e' within 100 ms"),
    "a line end inside": (lambda a, _: [(5, a[:6] + b"\n" + a[7:])], BoardGarbled, "more than an answer"),
    "a character lost": (lambda a, _: [(5, a[:-2] + a[-1:])], BoardGarbled, "'INPUTS 1 0' came"),
    "a character too many": (lambda a, _: [(5, a[:-1] + b"0\n")], BoardGarbled, "'INPUTS 1 020' came"),
    "a character before it": (lambda a, _: [(5, b" " + a)], BoardGarbled, "' INPUTS 1 02' came"),
    "an answer lost": (lambda a, _: [], BoardTimeout, "no answer within 100 ms"),
    "cut short": (lambda a, _: [(5, a[:5])], BoardTimeout, "only 'INPUT' within 100 ms"),
    "late": (lambda a, _: [(LATE_MS, a)], BoardTimeout, "no answer within 100 ms"),
    "half of it late": (lambda a, _: [(5, a[:5]), (LATE_MS, a[5:])], BoardTimeout, "only 'INPUT'"),
    "twice at once": (lambda a, _: [(5, a + a)], BoardGarbled, "more than an answer"),
    "merged with the last one": (lambda a, last: [(5, last + a)], BoardGarbled, "more than an answer"),
    "another unit's": (lambda a, _: [(5, a.replace(b" 1 ", b" 2 "))], BoardGarbled, "'INPUTS 2 02' came"),
    "another unit's, and then its own": (
        lambda a, _: [(5, a.replace(b" 1 ", b" 2 ")), (6, a)],
        BoardGarbled,
        "'INPUTS 2 02' came",
    ),
    "another answer": (lambda a, _: [(5, b"SWITCHED 1 02\n")], BoardGarbled, "'SWITCHED 1 02' came"),
    "an empty line": (lambda a, _: [(5, b"\n")], BoardGarbled, "'' came"),
    "noise": (lambda a, _: [(5, bytes(range(128, 256)) + b"\n")], BoardGarbled, "came; not used"),
    "a flood": (lambda a, _: [(k, b"U" * 50) for k in range(5, 60)], BoardGarbled, "more than 1024 char"),
    "a flood of lines": (lambda a, _: [(k, a) for k in range(5, 60)], BoardGarbled, "sooner than the 4"),
    "a refusal": (lambda a, _: [(5, b"NOT UNDERSTOOD\n")], BoardRefused, "'READ INPUTS 1' was answered"),
}  # fmt: skip


def opened(**settings: Any) -> tuple[TextLineBoard, Counting, Befalling, ScriptedLine]:
    board, device, script, line = in_memory(ONE | settings)
    board.open()
    board.read_back()  # the line is trusted from here on
    return board, device, script, line


def read_on(board: TextLineBoard, device: Counting, least: int = 3) -> list[str]:
    """Read for a while; the errors. Every reading has to be true, and the last ones without an error."""
    errors = []
    for _ in range(12):
        try:
            assert device.told(board.read())
        except BenchError as error:
            errors.append(str(error))
    for _ in range(least):
        assert device.told(board.read())
    return errors


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_named_and_nothing_false_is_read_after_it(name: str) -> None:
    fault, kind, words = FAULTS[name]
    board, device, script, _ = opened()
    script.fault = fault
    if name == "a flood of lines":
        assert device.told(board.read())
    with pytest.raises(kind, match=words) as caught:
        board.read()
    assert type(caught.value) is kind
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("board IO1 on memory unit 1: read inputs: ")
    assert read_on(board, device) == []
    board.close()


@pytest.mark.parametrize("name", FAULTS)
@pytest.mark.parametrize("act", ["write", "identify", "read_back"])
def test_a_fault_in_any_other_question_is_seen_too(name: str, act: str) -> None:
    board, device, script, _ = opened()
    script.fault = FAULTS[name][0]
    calls: dict[str, Callable[[], object]] = {
        "write": lambda: board.write({0: True}),
        "identify": board.identify,
        "read_back": board.read_back,
    }
    errors = (BoardGarbled, BoardRefused, BoardTimeout)
    free_text = act == "identify" and name in (
        "a digit that is none",
        "a character too many",
        "a character lost",
    )
    if name == "a flood of lines" or free_text:
        calls[act]()
    else:
        with pytest.raises(errors):
            calls[act]()
    read_on(board, device)
    board.write({1: True})
    assert board.read_back() == board.outputs
    board.close()


@pytest.mark.parametrize("after_ms", [0.1, 3, 7, 9.9])
def test_an_answer_that_comes_again_before_the_next_question_was_asked_by_nobody(after_ms: float) -> None:
    board, device, script, line = opened()
    script.fault = lambda answer, _: [(5, answer), (5 + after_ms, answer)]
    assert device.told(board.read())
    line.clock.advance(10 * MS)
    with pytest.raises(BoardGarbled, match="'INPUTS 1 02\\\\n' came unasked"):
        board.read()
    assert read_on(board, device) == []


def test_an_answer_sooner_than_the_line_can_carry_it_answers_something_else() -> None:
    """9600 baud, 11 bits a character: 14 + 12 characters take 29.8 ms."""
    clock = VirtualClock(start_ns=NS)
    device = Counting(clock)
    script = Befalling(TextDevice({1: device}, {}))
    line = ScriptedLine(clock, lambda data: [(32, answer) for _, answer in script(data)])
    line.is_pseudo = False
    board = board_on(line, spec_of({"read twice": "false", "baud": "9600"}))
    board.open()
    assert device.told(board.read())
    line.script = lambda data: [(10, answer) for _, answer in script(data)]
    with pytest.raises(BoardGarbled, match=r"an answer after 10.000 ms, sooner than the 28.\d+ ms"):
        board.read()


def test_a_duplicate_just_in_time_is_true_within_its_stamp_where_two_have_to_agree() -> None:
    """The one thing that no exchange can see here: two readings make it harmless."""
    board, device, script, _ = in_memory()
    board.open()
    board.read_back()
    held = {"value": 1}
    device.read_bits = lambda table, address, count: held["value"] if table == "inputs" else 0  # type: ignore[method-assign]
    assert board.read().bits == 1
    script.fault = lambda answer, _: [(5, answer)]
    again: list[bytes] = []

    def second(answer: bytes, last: bytes) -> Arrivals:
        """The second answer of a pair; it comes again 1 ms after the next question is out."""
        again.append(answer)
        return [(5, answer), (6, answer)]

    def first(answer: bytes, last: bytes) -> Arrivals:
        script.fault = second
        return [(5, answer)]

    script.fault = first
    board.read()
    held["value"] = 2  # the inputs change before the next reading
    sample = board.read()
    assert again
    assert sample.bits == 2, "the stale 1 did not agree with anything"


CONSOLE = {"echo": "true", "prompt": "> "}
FRAMES: dict[str, Callable[[bytes], bytes]] = {
    "another command's echo": lambda a: a.replace(b"READ INPUTS", b"READ INPUTZ"),
    "no echo": lambda a: a.partition(b"\n")[2].replace(b">", b"\n>"),
    "an echo that lost a character": lambda a: a[1:],
    "another prompt": lambda a: a[:-2] + b"! ",
    "a prompt in the wrong place": lambda a: b"> " + a[:-2],
    "a character between answer and prompt": lambda a: a[:-2] + b"x> ",
}


@pytest.mark.parametrize("name", FRAMES)
def test_echo_and_prompt_are_compared_and_taken_away(name: str) -> None:
    board, device, script, _ = opened(**CONSOLE)
    assert device.told(board.read())
    script.fault = lambda answer, _: [(5, FRAMES[name](answer))]
    with pytest.raises(BoardTimeout if name == "a prompt in the wrong place" else BoardGarbled):
        board.read()
    assert read_on(board, device) == []


def test_a_stray_answer_does_not_keep_the_safe_state_from_the_board() -> None:
    board, device, script, line = opened()
    board.write({0: True})
    script.fault = lambda answer, _: [(5, answer), (6, answer)]
    board.read()
    line.clock.advance(2 * MS)
    board.make_safe()
    assert not device.bits["coils"][0]


def test_late_answers_that_come_in_a_heap_are_each_proof() -> None:
    """Asked at 0 ms, with one check question at 150 ms and another at 300 ms; all answers come at 330 ms."""
    board, device, script, _ = opened()
    script.fault = lambda answer, _: [(330, answer)]
    for _ in range(2):
        with pytest.raises(BoardTimeout):
            board.read()
    script.heard.clear()
    assert device.told(board.read())
    assert script.heard == [b"IDENTIFY 1\n", b"READ INPUTS 1\n"]


@pytest.mark.parametrize(
    "language",
    [
        {},
        {
            "write all": "O{image}",
            "write reply": "DONE {image}",
            "identify": "WHO?",
            "identify reply": "I AM {product}",
        },
    ],
    ids=["one of several", "the only one"],
)
def test_a_check_question_that_the_board_refuses_is_proof_all_the_same(language: dict[str, str]) -> None:
    board, device, script, line = in_memory(ONE | language, input_count=0)

    def refusing(data: bytes) -> Arrivals:
        return [(5, b"NOT UNDERSTOOD\n")] if b"READ OUT" in data or b"WHO" in data else script(data)

    line.script = refusing
    board.open()
    board.write({0: True})
    assert device.bits["coils"][0]
    assert line.clock.now_ns() - NS < 100 * MS


def test_a_refusal_that_may_be_another_boards_answers_nothing() -> None:
    """IO2's question is refused late, while IO1 is asked; IO1's own answer then meets its next question."""
    clock = VirtualClock(start_ns=NS)
    devices = {1: Counting(clock), 2: Counting(clock)}
    text, slow = TextDevice(devices, {}), False

    def script(data: bytes) -> Arrivals:
        answer = text.feed(data)
        if slow:
            return [(153, b"NOT UNDERSTOOD\n")] if b" 2" in data else [(6, answer)]
        return [(5, answer)] if answer else []

    line = ScriptedLine(clock, script)
    opened_line = line.open
    first, second = (
        TextLineBoard(
            spec_of({"read twice": "false", "unit": str(unit)}, name=f"IO{unit}"),
            clock,
            open_line=opened_line,
        )
        for unit in (1, 2)
    )
    with first, second:
        assert devices[1].told(first.read())
        assert devices[2].told(second.read())
        slow = True
        with pytest.raises(BoardTimeout):
            second.read()
        with pytest.raises(BoardRefused):
            first.read()
        assert devices[1].told(first.read())


def test_a_lost_line_is_absent_and_comes_back() -> None:
    board, device, _, line = opened()
    line.lost = ConnectionResetError(5, "the port is gone")
    for _ in range(2):
        with pytest.raises(BoardAbsent, match="read inputs: line lost"):
            board.read()
    line.lost = None
    assert device.told(board.read())
    assert board.connections == 2


def test_a_line_that_takes_nothing_is_a_time_out_and_its_half_command_is_ended() -> None:
    board, device, script, line = opened()

    def stuck(data: bytes) -> Arrivals:
        raise TimeoutError("full")

    line.script = stuck
    with pytest.raises(BoardTimeout, match="the line does not take what is sent"):
        board.read()
    line.script = script
    script.heard.clear()
    assert device.told(board.read())
    assert script.heard[0] == b"\n"


def test_silence_costs_the_time_out_and_a_check_and_no_more() -> None:
    board, _, _, line = opened()
    line.script = lambda _: []
    for most_ms in (100, 231, 231):
        begun_ns = line.clock.now_ns()
        with pytest.raises(BoardTimeout):
            board.read()
        assert line.clock.now_ns() - begun_ns <= most_ms * MS


def test_a_flood_that_never_ends_is_left_at_the_deadline() -> None:
    board, _, _, line = opened()
    for k in range(1500):
        line.bring(k / 2, b"#" * 40)
    for _ in range(3):
        begun_ns = line.clock.now_ns()
        with pytest.raises(BoardGarbled):
            board.read()
        assert line.clock.now_ns() - begun_ns <= 2.4 * TIMEOUT_S * NS


def test_making_safe_is_sent_even_while_the_line_chatters() -> None:
    board, device, _, line = opened()
    board.write({0: True})
    for k in range(4000):
        line.bring(k / 2, b"#")
    with pytest.raises(BenchError):
        board.make_safe()
    assert not device.bits["coils"][0]


def test_after_a_time_out_the_same_question_waits_for_proof() -> None:
    """A late answer must meet a check question of another form, never the next poll."""
    board, device, script, _ = opened()
    script.fault = lambda answer, _: [(170, answer)]
    with pytest.raises(BoardTimeout):
        board.read()
    script.heard.clear()
    assert device.told(board.read())
    assert script.heard[0] == b"READ OUTPUTS 1\n"
    assert script.heard[-1] == b"READ INPUTS 1\n"


def test_a_late_answer_that_is_drained_is_proof_enough() -> None:
    board, device, script, _ = opened()
    script.fault = lambda answer, _: [(LATE_MS, answer)]
    with pytest.raises(BoardTimeout):
        board.read()
    script.heard.clear()
    assert device.told(board.read())
    assert script.heard == [b"READ INPUTS 1\n"]


@pytest.mark.parametrize("late_ms", [101, 120, 135, 150, 199, 231, 260, 400, 900])
@pytest.mark.parametrize(
    "language", [{}, {"read inputs": "I?", "inputs reply": "I={image}", "write all": "O{image}"}]
)
def test_a_late_answer_is_never_a_reading(late_ms: float, language: dict[str, Any]) -> None:
    """The device answers in order: what is late holds up all that follows. Once with one question only."""
    clock = VirtualClock(start_ns=NS)
    device = Counting(clock)
    text, busy_ns, late = TextDevice({1: device}, language), 0, False

    def script(data: bytes) -> Arrivals:
        nonlocal busy_ns, late
        answer = text.feed(data)
        busy_ns = max(busy_ns, clock.now_ns() + round((late_ms if late else 5) * MS))
        late = False
        return [((busy_ns - clock.now_ns()) / MS, answer)] if answer else []

    board = board_on(ScriptedLine(clock, script), spec_of(ONE | language))
    board.open()
    assert device.told(board.read())
    late = True
    read_on(board, device)


@given(st.data())
def test_any_bytes_in_place_of_an_answer_are_no_reading_or_a_whole_one(data: st.DataObject) -> None:
    """With one reading, as on a line without checksum: only a whole right line is taken, whoever sent it."""
    board, _, script, _ = opened()
    answer = b"INPUTS 1 02\n"
    said = data.draw(
        st.one_of(
            st.binary(max_size=40),
            st.builds(
                lambda at, piece: answer[:at] + piece + answer[at + 1 :],
                st.integers(0, 12),
                st.binary(max_size=2),
            ),
        )
    )
    script.fault = lambda _answer, _last: [(5, said)] if said else []
    message = ""
    try:
        bits = board.read().bits
    except (BoardGarbled, BoardTimeout) as error:
        message = str(error)
    else:
        assert said == b"INPUTS 1 %02X\n" % bits
    assert message.isascii()
    assert "\n" not in message
