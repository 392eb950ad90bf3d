"""The RTU exchange over a line in memory and virtual time: it takes the answer to its own question only."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterable
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scripted_line import MS, Arrivals, Script, ScriptedLine

from drivers.modbus_question import Question, identify, read_bits, read_registers, write_coils
from drivers.rtu_exchange import Place, RtuExchange
from drivers.rtu_frame import sealed
from drivers.rtu_wire import Pace, RtuWire
from harness.clock import NS, VirtualClock
from harness.errors import BenchError, BoardAbsent, BoardGarbled, BoardRefused, BoardTimeout

INPUTS, OUTPUTS = read_bits(2, 0, 10, 1), read_bits(1, 0, 10, 1)
WRITE = write_coils(0, 10, 0x201, 1)
CHECKS = (read_bits(1, 0, 1, 1), read_bits(2, 0, 1, 1))
GOOD = sealed(bytes.fromhex("01 02 02 55 02"))
SILENCE_MS, QUIET_MS = 2.005, 50.0
PACE = Pace(silence=2_005_000, quiet=50 * MS, adopted=30 * MS)
TIMEOUT_S = 0.1
WIRING = "the board's power, its `unit`, and the line's wiring and settings"


def healthy(frame: bytes) -> Arrivals:
    """A device with 16 inputs and outputs, all the same; 5 ms for an answer."""
    function, count = frame[1], int.from_bytes(frame[4:6])
    if function in (1, 2):
        size = (count + 7) // 8
        yield 5, sealed(frame[:2] + bytes([size]) + bytes.fromhex("55 02")[:size])
    elif function in (5, 6, 15, 16):
        yield 5, sealed(frame[:6])
    else:
        yield 5, sealed(bytes([frame[0], function | 0x80, 1]))


def exchange_on(line: ScriptedLine, pace: Pace = PACE, checks: Iterable[Question] = CHECKS) -> RtuExchange:
    """Open, and past its first check."""
    place = Place("L", {}, lambda: RtuWire(line.open, line.clock, pace), lambda _: line, world=line.open)
    exchange = RtuExchange("board IO1 on L unit 1", place, line.clock, tuple(checks))
    exchange.connect(1.0)
    return exchange


def trusted(script: Script, pace: Pace = PACE) -> tuple[RtuExchange, ScriptedLine]:
    """An exchange on a line that was healthy until now."""
    line = ScriptedLine(VirtualClock(), healthy)
    exchange = exchange_on(line, pace)
    exchange.ask(INPUTS, TIMEOUT_S)
    exchange.ask(OUTPUTS, TIMEOUT_S)
    line.requests.clear()
    line.sent_ns.clear()
    line.script = script
    return exchange, line


def then_healthy(*firsts: Arrivals) -> Script:
    """The first requests get these, all others what they should."""
    waiting = [list(first) for first in firsts]
    return lambda frame: waiting.pop(0) if waiting else healthy(frame)


def test_good_answer_is_taken_and_stamped() -> None:
    exchange, line = trusted(healthy)
    start_ns = line.clock.now_ns()
    sent_ns, received_ns, pdu = exchange.ask(INPUTS, TIMEOUT_S)
    assert pdu == bytes.fromhex("02 02 55 02")
    assert (sent_ns, received_ns) == (start_ns, start_ns + 5 * MS)
    assert line.requests == [bytes.fromhex("01 02 00 00 00 0A F8 0D")]
    exchange.close()
    assert line.closed == 1


def test_checksum_of_that_request_is_right() -> None:
    """The one above, by hand-written division, as in tests/drivers/test_rtu_frame.py."""
    assert sealed(bytes.fromhex("01 02 00 00 00 0A")) == bytes.fromhex("01 02 00 00 00 0A F8 0D")


def test_next_request_waits_for_the_silence() -> None:
    exchange, line = trusted(healthy)
    received_ns = [exchange.ask(INPUTS, TIMEOUT_S)[1] for _ in range(3)]
    assert [after - before for before, after in zip(received_ns, line.sent_ns[1:], strict=False)] == [
        2_005_000,
        2_005_000,
    ]


def test_answer_byte_by_byte() -> None:
    exchange, _ = trusted(lambda _: [(5 + k, GOOD[k : k + 1]) for k in range(len(GOOD))])
    assert exchange.ask(INPUTS, TIMEOUT_S)[2] == bytes.fromhex("02 02 55 02")


def test_identification_grows_as_it_comes() -> None:
    frame = sealed(bytes.fromhex("01 2B 0E 01 81 00 00 02 00 01 41 01 02 42 43"))
    exchange, _ = trusted(lambda _: [(5 + k, frame[k : k + 3]) for k in range(0, len(frame), 3)])
    assert exchange.ask(identify(1), TIMEOUT_S)[2] == frame[1:-2]


def flipped(frame: bytes, bit: int) -> bytes:
    data = bytearray(frame)
    data[bit // 8] ^= 1 << bit % 8
    return bytes(data)


def recovers(exchange: RtuExchange, line: ScriptedLine) -> None:
    line.script = healthy
    assert exchange.ask(INPUTS, TIMEOUT_S)[2] == bytes.fromhex("02 02 55 02")
    exchange.close()


@pytest.mark.parametrize("bit", range(8 * len(GOOD)))
def test_flipped_bit_is_never_a_reading(bit: int) -> None:
    exchange, line = trusted(lambda _: [(5, flipped(GOOD, bit))])
    with pytest.raises(BoardGarbled, match="whose checksum is wrong"):
        exchange.ask(INPUTS, TIMEOUT_S)
    recovers(exchange, line)


@pytest.mark.parametrize("bit", range(8 * 8))
def test_flipped_bit_of_an_echo_is_never_an_acknowledgement(bit: int) -> None:
    exchange, line = trusted(lambda frame: [(5, flipped(sealed(frame[:6]), bit))])
    with pytest.raises(BoardGarbled, match="whose checksum is wrong"):
        exchange.ask(WRITE, TIMEOUT_S)
    recovers(exchange, line)


@pytest.mark.parametrize("count", range(len(GOOD)))
def test_truncated_answer_is_a_time_out(count: int) -> None:
    exchange, line = trusted(lambda _: [(5, GOOD[:count])] if count else [])
    start_ns = line.clock.now_ns()
    with pytest.raises(BoardTimeout) as caught:
        exchange.ask(INPUTS, TIMEOUT_S)
    came = f"only {count} byte{'s' * (count > 1)} of an answer" if count else "no answer"
    assert str(caught.value) == (
        f"board IO1 on L unit 1: read inputs at 0 to 9: {came} within 100 ms;"
        f" check {WIRING}, or raise `timeout` in the bench file"
    )
    assert line.clock.now_ns() - start_ns == 100 * MS
    recovers(exchange, line)


@pytest.mark.parametrize(
    ("arrivals", "text"),
    [
        ([(5, GOOD + b"\0")], "1 byte after the answer"),
        ([(5, GOOD), (6.9, b"\0")], "1 byte after the answer"),
        ([(5, GOOD + GOOD)], "7 bytes after the answer"),
        ([(5, GOOD + sealed(bytes.fromhex("01 01 02 55 02")))], "7 bytes after the answer"),
        ([(5, GOOD[:4] + GOOD)], "whose checksum is wrong"),
        ([(5, sealed(bytes.fromhex("02 02 02 55 02")))], "answer from unit 2, asked 1"),
        ([(5, sealed(bytes.fromhex("01 01 02 55 02")))], "answer to function 1, asked 2"),
        ([(5, sealed(bytes.fromhex("01 81 02")))], "answer to function 1, asked 2"),
        ([(5, sealed(bytes.fromhex("01 02 01 55")))], "byte count 1 instead of 2"),
        ([(5, sealed(bytes.fromhex("01 02 03 55 02 00")))], "byte count 3 instead of 2"),
        ([(5, sealed(bytes.fromhex("01 02 00")))], "byte count 0 instead of 2"),
        ([(5, sealed(bytes.fromhex("01 82 00")))], "exception answer with code 0, which means nothing"),
        ([(5, bytes(range(256)) * 8)], "whose checksum is wrong"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_wrong_answer_is_garbled(arrivals: Arrivals, text: str) -> None:
    exchange, line = trusted(then_healthy(arrivals))
    with pytest.raises(BoardGarbled) as caught:
        exchange.ask(INPUTS, TIMEOUT_S)
    assert text in str(caught.value)
    assert "\n" not in str(caught.value)
    assert str(caught.value).endswith(
        "; not used; check for two boards with this `unit`, for another master on the line, and the line's"
        " settings and termination"
    )
    recovers(exchange, line)


@pytest.mark.parametrize(
    "echo", ["01 0F 00 00 00 09", "01 0F 00 01 00 0A", "01 0F 01 00 00 0A", "01 10 00 00 00 0A"]
)
def test_wrong_echo_is_garbled(echo: str) -> None:
    exchange, _ = trusted(lambda _: [(5, sealed(bytes.fromhex(echo)))])
    with pytest.raises(BoardGarbled, match=r"instead of 0f 00 00 00 0a|answer to function 16, asked 15"):
        exchange.ask(WRITE, TIMEOUT_S)


def test_refusal_is_an_answer() -> None:
    exchange, line = trusted(lambda _: [(5, sealed(bytes.fromhex("01 82 02")))])
    for _ in range(2):
        with pytest.raises(BoardRefused, match=r"exception 02 \(illegal data address\)") as caught:
            exchange.ask(INPUTS, TIMEOUT_S)
        assert caught.value.code == 2
    assert len(line.requests) == 2


def test_what_comes_unasked_is_garbled() -> None:
    """A duplicate between the questions: not used, and not passed over either."""
    exchange, line = trusted(healthy)
    exchange.ask(INPUTS, TIMEOUT_S)
    line.bring(1, GOOD)
    line.clock.advance(3 * MS)
    with pytest.raises(BoardGarbled, match=r"01 02 02 55 02 .* came unasked"):
        exchange.ask(INPUTS, TIMEOUT_S)
    assert len(line.requests) == 1
    recovers(exchange, line)


@pytest.mark.parametrize("after_ms", [0.5, 4.99])
def test_duplicate_sooner_than_the_wire_allows_is_garbled(after_ms: float) -> None:
    """15 characters of 11 bits at 19200 baud take 8.59 ms; a device's rate may be a little off."""
    slow = Pace(silence=2_005_000, quiet=50 * MS, adopted=30 * MS, character=572_917)

    def script(_: bytes) -> Arrivals:
        return [(after_ms, GOOD), (12, GOOD)]

    line = ScriptedLine(VirtualClock(), lambda frame: ((12, answer) for _, answer in healthy(frame)))
    line.is_pseudo = False
    exchange = exchange_on(line, slow)
    exchange.ask(INPUTS, TIMEOUT_S)
    line.script = script
    with pytest.raises(BoardGarbled, match=r"but the line needs 8\.3\d\d ms, so it answers something else"):
        exchange.ask(INPUTS, TIMEOUT_S)
    line.script = lambda frame: ((12, answer) for _, answer in healthy(frame))
    assert exchange.ask(INPUTS, TIMEOUT_S)[2] == bytes.fromhex("02 02 55 02")


@pytest.mark.parametrize(
    ("pace", "pseudo", "fits"),
    [
        (Pace(0, 50 * MS, 30 * MS, character=572_917), True, True),
        (Pace(0, 50 * MS, 30 * MS, character=572_917), False, False),
        (Pace(0, 50 * MS, 30 * MS, character=572_917, soonest=0), False, True),
        (Pace(0, 50 * MS, 30 * MS, soonest=6 * MS), True, False),
        (Pace(0, 50 * MS, 30 * MS, soonest=5 * MS), True, True),
    ],
)
def test_soonest_answer(pace: Pace, pseudo: bool, fits: bool) -> None:
    line = ScriptedLine(VirtualClock(), healthy)
    line.is_pseudo = pseudo
    exchange = exchange_on(line, pace)
    if fits:
        exchange.ask(INPUTS, TIMEOUT_S)
    else:
        with pytest.raises(BoardGarbled, match="but the line needs"):
            exchange.ask(INPUTS, TIMEOUT_S)


def test_first_question_comes_after_quiet_and_a_check() -> None:
    """What was asked on a line before it was opened is not known."""
    line = ScriptedLine(VirtualClock(), healthy)
    line.bring(20, GOOD)
    exchange = exchange_on(line)
    exchange.ask(INPUTS, TIMEOUT_S)
    assert [frame[1] for frame in line.requests] == [1, 2]
    assert line.sent_ns[0] == 70 * MS


@pytest.mark.parametrize("late_ms", [130, 160, 300])
def test_one_late_answer_is_not_the_next_reading(late_ms: float) -> None:
    late = sealed(bytes.fromhex("01 02 02 AA 01"))
    exchange, _ = trusted(then_healthy([(late_ms, late)]))
    with pytest.raises(BoardTimeout):
        exchange.ask(INPUTS, TIMEOUT_S)
    with suppress(BoardGarbled):  # where it comes in the midst of a later exchange
        assert exchange.ask(INPUTS, TIMEOUT_S)[2] == bytes.fromhex("02 02 55 02")
    assert exchange.ask(INPUTS, TIMEOUT_S)[2] == bytes.fromhex("02 02 55 02")


def test_no_check_is_needed_for_another_function() -> None:
    exchange, line = trusted(then_healthy([]))
    with pytest.raises(BoardTimeout):
        exchange.ask(INPUTS, TIMEOUT_S)
    exchange.ask(WRITE, TIMEOUT_S)
    exchange.ask(INPUTS, TIMEOUT_S)
    assert [frame[1] for frame in line.requests] == [2, 15, 2]


class OrderlyDevice:
    """Answers in order, each question at most once, with its number as data; some late, some never."""

    def __init__(self, delays_ms: list[float | None]) -> None:
        self._delays_ms = delays_ms
        self._free_ms = 0.0
        self.now_ms: Callable[[], float] = lambda: 0.0
        self.count = 0

    def prompt(self) -> None:
        """From now on every answer comes in time."""
        self._delays_ms = []

    def __call__(self, frame: bytes) -> Arrivals:
        self.count += 1
        delay_ms = self._delays_ms[self.count - 1] if self.count <= len(self._delays_ms) else 5.0
        if delay_ms is None:
            return []
        at_ms = max(self._free_ms, self.now_ms() + delay_ms)
        self._free_ms = at_ms + 1.0
        body = frame[1:6] if frame[1] == 15 else bytes([frame[1], 1, self.count % 256])
        return [(at_ms - self.now_ms(), sealed(frame[:1] + body))]


DELAYS = st.lists(
    st.one_of(st.none(), st.just(5.0), st.floats(0.1, 900, allow_nan=False)), min_size=1, max_size=12
)
ASKED = st.lists(st.sampled_from(["inputs", "outputs", "write"]), min_size=1, max_size=10)


@given(delays_ms=DELAYS, asked=ASKED, stale_ms=st.one_of(st.none(), st.floats(0, 400, allow_nan=False)))
def test_a_late_answer_is_never_a_reading(
    delays_ms: list[float | None], asked: list[str], stale_ms: float | None
) -> None:
    """Whatever a device that answers in order does with its time, a reading answers the question just asked.

    Also when somebody else asked something before the line was opened.
    """
    questions = {
        "inputs": read_bits(2, 0, 8, 1),
        "outputs": read_bits(1, 0, 8, 1),
        "write": write_coils(0, 8, 0, 1),
    }
    device = OrderlyDevice(delays_ms)
    line = ScriptedLine(VirtualClock(), device)
    device.now_ms = lambda: line.clock.now_ns() / MS
    if stale_ms is not None:
        line.bring(stale_ms, sealed(bytes.fromhex("01 02 01 00")))
        device._free_ms = stale_ms + 1.0
    exchange = exchange_on(line)
    for what in asked:
        start_ns = line.clock.now_ns()
        with suppress(BoardTimeout, BoardGarbled):
            _, _, pdu = exchange.ask(questions[what], TIMEOUT_S)
            assert what == "write" or pdu[2] == device.count
        assert line.clock.now_ns() - start_ns < 0.8 * NS  # no hang: check and question, and quiet each time
    line.clock.advance(20 * NS)  # all that is late has come
    device.prompt()
    assert exchange.ask(questions["inputs"], TIMEOUT_S)[2][2] == device.count
    exchange.close()


def test_board_that_was_away_is_back_in_two_questions() -> None:
    exchange, line = trusted(lambda _: [])
    for _ in range(20):
        with pytest.raises(BoardTimeout):
            exchange.ask(INPUTS, TIMEOUT_S)
    line.requests.clear()
    line.script = healthy
    exchange.ask(INPUTS, TIMEOUT_S)
    assert [frame[1] for frame in line.requests] == [1, 2]


def test_board_with_one_function_comes_back_when_nothing_can_be_so_late() -> None:
    """It is silent about functions that it does not know, so no check can be answered."""

    def knows_inputs(frame: bytes) -> Arrivals:
        return healthy(frame) if frame[1] == 2 else []

    line = ScriptedLine(VirtualClock(), lambda _: [])
    exchange = exchange_on(line, checks=(CHECKS[1], read_registers(3, 0, 1, 1), read_registers(4, 0, 1, 1)))
    with pytest.raises(BoardTimeout):
        exchange.ask(INPUTS, TIMEOUT_S)
    line.script = knows_inputs
    answered = False
    while not answered and line.clock.now_ns() < 100 * NS:
        with suppress(BoardTimeout):
            exchange.ask(INPUTS, TIMEOUT_S)
            answered = True
    assert 30 * NS <= line.clock.now_ns() < 70 * NS


def test_board_with_one_check_is_not_asked_while_answers_look_the_same() -> None:
    line = ScriptedLine(VirtualClock(), healthy)
    exchange = exchange_on(line, checks=(CHECKS[1],))
    exchange.ask(INPUTS, TIMEOUT_S)
    assert [frame[1] for frame in line.requests] == [2]
    line.script = lambda _: []
    with pytest.raises(BoardTimeout):
        exchange.ask(INPUTS, TIMEOUT_S)
    line.script = healthy
    with pytest.raises(BoardTimeout, match="not asked, because the answer to an earlier question may still"):
        exchange.ask(INPUTS, TIMEOUT_S)
    exchange.ask(WRITE, TIMEOUT_S)
    exchange.ask(INPUTS, TIMEOUT_S)
    assert [frame[1] for frame in line.requests] == [2, 2, 15, 2]


def test_check_without_an_answer_says_why_nothing_was_asked() -> None:
    exchange, _ = trusted(lambda _: [])
    for _ in range(2):
        with pytest.raises(BoardTimeout) as caught:
            exchange.ask(INPUTS, TIMEOUT_S)
    assert str(caught.value) == (
        "board IO1 on L unit 1: read inputs at 0 to 9: not asked, because after an earlier failure the board"
        f" does not answer a check question (read outputs at 0) within 100 ms; check {WIRING}"
    )


def test_line_that_chatters_is_given_up() -> None:
    exchange, line = trusted(lambda _: [])
    with pytest.raises(BoardTimeout):
        exchange.ask(INPUTS, TIMEOUT_S)
    for k in range(100):
        line.bring(10 * k, b"\xff")
    start_ns = line.clock.now_ns()
    with pytest.raises(BoardGarbled, match="the line does not fall silent"):
        exchange.ask(INPUTS, TIMEOUT_S)
    assert line.clock.now_ns() - start_ns < 0.3 * NS


def test_safe_state_is_sent_even_on_a_line_that_chatters() -> None:
    exchange, line = trusted(lambda _: [])
    with pytest.raises(BoardTimeout):
        exchange.ask(INPUTS, TIMEOUT_S)
    line.requests.clear()
    for k in range(100):
        line.bring(10 * k, b"\xff")
    with pytest.raises(BenchError):
        exchange.ask(WRITE, TIMEOUT_S, insist=True)
    assert [frame[1] for frame in line.requests] == [15]


def test_safe_state_is_sent_before_any_check_and_again_after_it() -> None:
    exchange, line = trusted(lambda _: [])
    with pytest.raises(BoardTimeout):
        exchange.ask(WRITE, TIMEOUT_S)
    line.requests.clear()
    line.script = healthy
    exchange.ask(WRITE, TIMEOUT_S, insist=True)
    assert [frame[1] for frame in line.requests] == [15, 1, 15]


def test_lost_write_is_not_repeated() -> None:
    exchange, line = trusted(lambda _: [])
    with pytest.raises(BoardTimeout):
        exchange.ask(WRITE, TIMEOUT_S)
    assert len(line.requests) == 1


def test_line_gone_and_back() -> None:
    exchange, line = trusted(healthy)
    line.lost = OSError(errno.EIO, "Input/output error")
    for what in ("line lost", "line lost"):
        with pytest.raises(BoardAbsent, match=rf"{what} \(input/output error\)") as caught:
            exchange.ask(INPUTS, TIMEOUT_S)
        assert caught.value.__cause__ is line.lost
    line.lost = None
    assert exchange.ask(INPUTS, TIMEOUT_S)[2] == bytes.fromhex("02 02 55 02")
    assert (line.opened, exchange.connections) == (2, 2)


def test_line_that_takes_nothing() -> None:
    exchange, line = trusted(healthy)

    def full(data: bytes, deadline_ns: int) -> None:
        raise TimeoutError("full")

    line.send = full  # type: ignore[method-assign]
    with pytest.raises(BoardTimeout, match="no answer within 100 ms"):
        exchange.ask(INPUTS, TIMEOUT_S)


def test_interrupt_in_mid_exchange_leaves_no_answer_behind() -> None:
    def interrupts(frame: bytes) -> Arrivals:
        line.bring(5, sealed(bytes.fromhex("01 02 02 AA 01")))
        line.script = healthy
        raise KeyboardInterrupt

    exchange, line = trusted(healthy)
    line.script = interrupts
    with pytest.raises(KeyboardInterrupt):
        exchange.ask(INPUTS, TIMEOUT_S)
    assert exchange.ask(INPUTS, TIMEOUT_S)[2] == bytes.fromhex("02 02 55 02")


def test_trace_sees_every_byte() -> None:
    line = ScriptedLine(VirtualClock(), healthy)
    seen: list[tuple[bool, bytes, int]] = []
    place = Place("L", {}, lambda: RtuWire(line.open, line.clock, PACE), lambda _: line, world=line.open)
    exchange = RtuExchange(
        "board IO1 on L unit 1", place, line.clock, CHECKS, lambda *entry: seen.append(entry)
    )
    exchange.connect(1.0)
    line.bring(20, b"\xff\xff")
    exchange.ask(INPUTS, TIMEOUT_S)
    assert [frame for sending, frame, _ in seen if sending] == line.requests
    received = [frame for sending, frame, _ in seen if not sending]
    assert (received[0], received[-1]) == (b"\xff\xff", GOOD)
    assert [at_ns for _, _, at_ns in seen] == sorted(at_ns for _, _, at_ns in seen)
