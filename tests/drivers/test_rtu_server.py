"""The device side of Modbus RTU in virtual time: silences, spoilt frames, addresses, broadcasts."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from modbus_models import TableDevice

from drivers.paced_line import LineTime, Outgoing
from drivers.rtu_frame import sealed
from drivers.rtu_server import PacedRtu, RtuBus, RtuConnection, Talk, TolerantRtu
from drivers.serial_timing import serial_timing
from harness.clock import VirtualClock
from harness.errors import BenchError

MS = 1_000_000
POLL = sealed(bytes.fromhex("01 02 00 00 00 08"))
ANSWER = sealed(bytes.fromhex("01 02 01 A5"))
RELAY_BOARD = {"coils": range(8), "inputs": range(8)}
Heard = list[tuple[int, bytes]]


def relay_board() -> TableDevice:
    inputs = {place: bool(0xA5 >> place & 1) for place in range(8)}
    return TableDevice(RELAY_BOARD, bits={"inputs": inputs}, objects={0: b"maker", 1: b"product", 2: b"1.0"})


def bus(*units: int) -> tuple[RtuBus, dict[int, TableDevice]]:
    boards = {unit: relay_board() for unit in units or (1,)}
    return RtuBus(boards), boards


def play(talk: Talk, script: Heard, until_ns: int = 10_000 * MS) -> Heard:
    """Hand `script` over at its moments, and step at every moment that the device asks for."""
    said: Heard = []
    for at_ns, data in [*script, (until_ns, b"")]:
        while (next_ns := talk.next_ns) is not None and next_ns <= at_ns:
            said.append((next_ns, talk.step(next_ns)))
        if data:
            talk.hear(data, at_ns)
    return [(ns, data) for ns, data in said if data]


def joined(said: Heard) -> bytes:
    return b"".join(data for _, data in said)


@pytest.mark.parametrize("baud", [1200, 9600, 19200, 115200])
@pytest.mark.parametrize("turnaround_ns", [0, 5 * MS], ids=["at once", "turnaround 5 ms"])
def test_every_character_of_an_answer_has_its_time(baud: int, turnaround_ns: int) -> None:
    """SL 2.5.1.1, by hand: eight characters, t3.5, turnaround, then one character after the other."""
    character_ms = 11_000 / baud
    between_ms = 3.5 * character_ms if baud <= 19200 else 1.75
    said = play(PacedRtu(bus()[0].answer, serial_timing(baud), turnaround_ns), [(0, POLL)])
    assert joined(said) == ANSWER
    assert [len(data) for _, data in said] == [1] * 6
    for place, (at_ns, _) in enumerate(said, start=1):
        wanted_ms = (8 + place) * character_ms + between_ms + turnaround_ns / MS
        assert wanted_ms <= at_ns / MS + 1e-6
        assert at_ns / MS == pytest.approx(wanted_ms, abs=1e-4)


def after_a_hole(first: int, silence_ns: int, baud: int) -> bytes:
    """What is answered to a poll whose first characters are followed by a silence."""
    timing = serial_timing(baud)
    head, tail = POLL[:first], POLL[first:]
    end_ns = len(head) * timing.character_ns
    return joined(play(PacedRtu(bus()[0].answer, timing), [(0, head), (end_ns + silence_ns, tail)]))


@pytest.mark.parametrize("baud", [9600, 19200, 115200])
@pytest.mark.parametrize("first", [1, 4, 7])
def test_a_hole_of_t15_is_the_longest(first: int, baud: int) -> None:
    inside_ns = serial_timing(baud).inside_ns
    assert after_a_hole(first, inside_ns, baud) == ANSWER
    assert after_a_hole(first, inside_ns + 1, baud) == b""


@pytest.mark.parametrize("baud", [9600, 19200, 115200])
def test_two_frames_need_t35_between(baud: int) -> None:
    """The first is to everyone, so that no answer comes between."""
    timing = serial_timing(baud)
    everyone = sealed(bytes.fromhex("00 05 00 03 FF 00"))
    for silence_ns, answer, written in (
        (timing.between_ns, ANSWER, {3: True}),
        (timing.between_ns - 1, b"", {}),
        (timing.inside_ns, b"", {}),
        (0, b"", {}),
    ):
        serial, boards = bus()
        end_ns = len(everyone) * timing.character_ns
        said = play(PacedRtu(serial.answer, timing), [(0, everyone), (end_ns + silence_ns, POLL)])
        assert (joined(said), boards[1].bits.get("coils", {})) == (answer, written), silence_ns


@pytest.mark.parametrize(
    ("after_ns", "answers"), [(0, 1), (2_005_207, 1), (2_005_209, 2)], ids=["at once", "too early", "t3.5"]
)
def test_a_question_needs_t35_after_the_answer(after_ns: int, answers: int) -> None:
    """At 19200 baud; 14 characters and t3.5 have passed when the answer is over."""
    timing = serial_timing(19200)
    over_ns = 14 * timing.character_ns + timing.between_ns
    talk = PacedRtu(bus()[0].answer, timing)
    assert joined(play(talk, [(0, POLL), (over_ns + after_ns, POLL)])) == ANSWER * answers


@pytest.mark.parametrize("at_ms", [5.0, 7.0, 9.0], ids=["right behind", "in the silence", "into the answer"])
def test_a_question_before_the_answer_is_over_is_lost_and_the_next_one_answered(at_ms: float) -> None:
    talk = PacedRtu(bus()[0].answer, serial_timing(19200), 3 * MS)
    said = play(talk, [(0, POLL), (round(at_ms * MS), POLL), (100 * MS, POLL)])
    late = [data for ns, data in said if ns >= 100 * MS]
    assert b"".join(late) == ANSWER


def test_questions_within_a_long_answer_are_lost() -> None:
    """At 19200 baud 125 registers are 255 characters, 146 ms. The line is not free before they are over."""
    board = TableDevice({"inputs": range(8), "holding registers": range(125)})
    registers = sealed(bytes.fromhex("01 03 00 00 00 7D"))
    talk = PacedRtu(RtuBus({1: board}).answer, serial_timing(19200))
    said = play(talk, [(0, registers), (30 * MS, POLL), (45 * MS, POLL), (60 * MS, POLL)])
    assert len(joined(said)) == 255
    assert said[-1][0] < 155 * MS


def test_a_flood_is_silence_and_ends() -> None:
    talk = PacedRtu(bus()[0].answer, serial_timing(115200))
    script = [(k * MS, POLL * 40) for k in range(20)]
    assert joined(play(talk, [*script, (5_000 * MS, POLL)])) == ANSWER


@given(st.lists(st.tuples(st.integers(0, 5_000_000), st.binary(min_size=1, max_size=6)), max_size=12))
def test_frames_are_those_that_a_character_by_character_reading_finds(
    chunks: list[tuple[int, bytes]],
) -> None:
    timing = serial_timing(19200)
    heard: list[bytes] = []
    script, now_ns = [], 0
    for gap_ns, data in chunks:
        now_ns += gap_ns
        script.append((now_ns, data))

    def respond(frame: bytes) -> bytes:
        heard.append(frame)
        return b""

    wanted = by_characters(script, timing.character_ns, timing.inside_ns, timing.between_ns)
    play(PacedRtu(respond, timing), script)
    assert heard == wanted
    heard.clear()
    late = PacedRtu(respond, timing)  # and however late the computer comes to look
    for at_ns, data in script:
        late.hear(data, at_ns)
    late.step(now_ns + 10**9)
    assert heard == wanted


def test_a_frame_is_over_when_the_next_begins_t35_later_to_the_ns() -> None:
    timing = serial_timing(19200)
    talk = PacedRtu(bus()[0].answer, timing)
    everyone = sealed(bytes.fromhex("00 05 00 03 FF 00"))
    talk.hear(everyone, 0)
    talk.hear(POLL, len(everyone) * timing.character_ns + timing.between_ns)
    assert talk.step(10**9) == ANSWER  # to the second; the first was to everyone


def by_characters(script: Heard, character_ns: int, inside_ns: int, between_ns: int) -> list[bytes]:
    """SL 2.5.1.1 read off a list of all characters, with nothing that happens in between."""
    starts: list[tuple[int, int]] = []
    free_ns = -1
    for at_ns, data in script:
        for byte in data:
            start_ns = max(at_ns, free_ns)
            free_ns = start_ns + character_ns
            starts.append((start_ns, byte))
    frames: list[tuple[bytearray, bool]] = []
    for (before_ns, _), (start_ns, byte) in pairwise([(-(10**12), 0), *starts]):
        silence_ns = start_ns - before_ns - character_ns
        if silence_ns >= between_ns:
            frames.append((bytearray(), True))
        elif silence_ns > inside_ns:
            frames[-1] = (frames[-1][0], False)
        frames[-1][0].append(byte)
    return [bytes(data) for data, good in frames if good]


@given(st.lists(st.tuples(st.integers(0, 3_000_000), st.binary(min_size=1, max_size=9)), max_size=20))
def test_nothing_is_faster_than_the_wire(chunks: list[tuple[int, bytes]]) -> None:
    """However it is handed over, k characters take k character times at least, and none is lost or early."""
    outgoing, now_ns, handed, out = Outgoing(1000), 0, 0, []
    for gap_ns, data in chunks:
        now_ns += gap_ns
        out += list(outgoing.due(now_ns))
        assert outgoing.put(data, now_ns).start_ns >= now_ns
        handed += len(data)
    while (next_ns := outgoing.next_ns) is not None:
        assert outgoing.due(next_ns - 1) == b""
        out += list(outgoing.due(next_ns))
    assert bytes(out) == b"".join(data for _, data in chunks)
    time = LineTime(1000)
    spans = [time.put(len(data), 0) for _, data in chunks]
    assert all(later.start_ns >= earlier.end_ns for earlier, later in pairwise(spans))


@pytest.mark.parametrize(
    ("request_hex", "answer_hex"),
    [
        ("01 02 00 00 00 08", "01 02 01 A5"),
        ("01 01 00 08 00 01", "01 81 02"),  # address beyond
        ("01 03 00 00 00 01", "01 83 01"),  # a relay board has no registers
        ("01 05 00 00 12 34", "01 85 03"),
        ("F7 02 00 00 00 08", "F7 02 01 A5"),  # 247, the highest address
    ],
)
def test_what_a_unit_answers(request_hex: str, answer_hex: str) -> None:
    serial, _ = bus(1, 247)
    assert serial.answer(sealed(bytes.fromhex(request_hex))) == sealed(bytes.fromhex(answer_hex))


def test_a_zero_behind_a_sound_frame_is_a_longer_sound_frame() -> None:
    """The checksum's own weakness; the request in it is malformed then, which is exception 03."""
    assert bus()[0].answer(POLL + b"\0") == sealed(bytes.fromhex("01 82 03"))


def test_a_worked_example() -> None:
    """MODBUS Application Protocol V1.1b3, 7, at unit 0A; the checksums worked out by hand."""
    board = TableDevice({"coils": range(0x400)})
    asked = bytes.fromhex("0A 01 04 A1 00 01 AC 63")
    assert RtuBus({10: board}).answer(asked) == bytes.fromhex("0A 81 02 B0 53")


@pytest.mark.parametrize("unit", [2, 3, 246, 247, 248, 255])
def test_a_unit_that_is_not_there_is_silent(unit: int) -> None:
    assert bus(1)[0].answer(sealed(bytes([unit]) + POLL[1:-2])) == b""


@pytest.mark.parametrize("place", range(8))
def test_a_frame_with_a_wrong_bit_is_silent(place: int) -> None:
    frame = bytearray(POLL)
    frame[place] ^= 0x10
    assert bus()[0].answer(bytes(frame)) == b""


@pytest.mark.parametrize("frame", [b"", b"\1", b"\1\2", POLL[:-1], POLL + b"\1", POLL + POLL])
def test_a_frame_of_a_wrong_length_is_silent(frame: bytes) -> None:
    assert bus()[0].answer(frame) == b""


@pytest.mark.parametrize(
    ("request_hex", "coils"),
    [
        ("00 05 00 03 FF 00", {3: True}),
        ("00 0F 00 00 00 03 01 05", {0: True, 1: False, 2: True}),
    ],
    ids=["one coil", "coils"],
)
def test_a_write_to_everyone_is_done_by_all_and_answered_by_none(
    request_hex: str, coils: dict[int, bool]
) -> None:
    """MODBUS over Serial Line V1.02, 2.1. Board `hand` is no board."""
    serial, boards = bus(1, 2, 247)
    assert serial.answer(sealed(bytes.fromhex(request_hex))) == b""
    assert [boards[unit].bits.get("coils", {}) for unit in (1, 2, 247)] == [coils, coils, {}]


@pytest.mark.parametrize("pdu", ["01 00 00 00 08", "02 00 00 00 08", "2B 0E 01 00", "41"])
def test_a_question_to_everyone_is_silence_and_asks_nobody(pdu: str) -> None:
    asked: list[str] = []

    class Witness(TableDevice):
        def read_bits(self, table: str, address: int, count: int) -> int:
            asked.append(table)
            return 0

    assert RtuBus({1: Witness(RELAY_BOARD)}).answer(sealed(bytes.fromhex("00" + pdu))) == b""
    assert asked == []


@pytest.mark.parametrize("unit", [0, 248, 255])
def test_addresses_that_no_device_may_have(unit: int) -> None:
    """MODBUS over Serial Line V1.02, 2.2."""
    with pytest.raises(BenchError, match=rf"^unit {unit}: a device on a serial line has 1 to 247; correct"):
        RtuBus({unit: relay_board()})


@pytest.mark.parametrize("unit", [1, 247])
def test_first_and_last_address(unit: int) -> None:
    assert RtuBus({unit: relay_board()}).answer(sealed(bytes([unit]) + POLL[1:-2]))[0] == unit


@pytest.mark.parametrize(
    "gaps_ms", [(0,), (0, 16), (3, 3, 3, 3, 3, 3, 3, 3)], ids=["one lump", "two lumps", "drop by drop"]
)
def test_a_tolerant_line_goes_by_the_length(gaps_ms: tuple[int, ...]) -> None:
    size = len(POLL) // len(gaps_ms)
    script = [(sum(gaps_ms[: k + 1]) * MS, POLL[k * size : (k + 1) * size]) for k in range(len(gaps_ms))]
    said = play(TolerantRtu(bus()[0].answer, after_ns=2 * MS), script)
    assert said == [(script[-1][0] + 2 * MS, ANSWER)]


def test_a_tolerant_line_answers_both_requests_of_one_lump() -> None:
    assert joined(play(TolerantRtu(bus()[0].answer), [(0, POLL + POLL)])) == ANSWER * 2


@pytest.mark.parametrize("at_ms", [1, 40, 49], ids=lambda ms: f"{ms} ms")
def test_what_follows_a_spoilt_request_is_dropped_until_it_is_quiet(at_ms: int) -> None:
    spoilt = bytes([POLL[0] ^ 1]) + POLL[1:]
    talk = TolerantRtu(bus()[0].answer)
    script = [(0, spoilt), (at_ms * MS, POLL), (at_ms * MS + 50 * MS, POLL)]
    said = play(talk, script)
    assert said == [(script[-1][0], ANSWER)]


@pytest.mark.parametrize("cut", range(1, 8))
def test_a_request_that_stays_short_is_dropped(cut: int) -> None:
    assert joined(play(TolerantRtu(bus()[0].answer), [(0, POLL[:cut]), (60 * MS, POLL)])) == ANSWER


def test_a_function_without_a_known_length_ends_by_silence() -> None:
    said = play(TolerantRtu(bus()[0].answer), [(0, sealed(b"\x01\x41\x00"))])
    assert said == [(50 * MS, sealed(b"\x01\xc1\x01"))]


@pytest.mark.parametrize("flood", [b"\x01\x41" * 200, b"\x01\x02" * 200], ids=["unknown", "spoilt"])
def test_a_flood_is_kept_in_no_memory(flood: bytes) -> None:
    talk = TolerantRtu(bus()[0].answer)
    script = [(k * MS, flood) for k in range(100)]
    assert joined(play(talk, [*script, (200 * MS, POLL)])) == ANSWER
    talk = TolerantRtu(bus()[0].answer)
    for at_ns, data in script:
        talk.hear(data, at_ns)
    assert len(talk._data) <= 2 * len(flood)


def test_frames_on_a_connection() -> None:
    clock = VirtualClock()
    connection = RtuConnection(bus()[0].answer, clock)
    assert connection.hear(POLL[:3]) == (b"", True)
    assert connection.hear(POLL[3:]) == (ANSWER, True)
    assert connection.hear(POLL[:7] + b"\0") == (b"", True)
    clock.advance(50 * MS)
    assert connection.hear(b"") == (b"", True)
    assert connection.hear(POLL) == (ANSWER, True)
