"""The device side of a text line: what it answers, whatever it is told."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from modbus_models import TableDevice
from text_lines import IDENTITY

from drivers.text_device import TextDevice
from harness.errors import BenchError

REFUSED = b"NOT UNDERSTOOD\n"


def table() -> TableDevice:
    tables = {"coils": range(8), "inputs": range(8)}
    return TableDevice(tables, {"inputs": {1: True}}, objects=IDENTITY)


CASES = [
    (b"SWITCH 1 05", b"SWITCHED 1 05\n"),
    (b"READ OUTPUTS 1", b"OUTPUTS 1 00\n"),
    (b"READ INPUTS 1", b"INPUTS 1 02\n"),
    (b"IDENTIFY 1", b"BOARD 1 an invented maker / SIMULATED BOARD / 7\n"),
    (b"", b""),
    (b"READ INPUTS 2", b""),
    (b"SWITCH 247 05", b""),
    (b"READ WATCHDOG 1", REFUSED),
    (b"SWITCH 1 5", REFUSED),
    (b"SWITCH 1 005", REFUSED),
    (b"SWITCH 1 0a", REFUSED),
    (b"switch 1 05", REFUSED),
    (b"SWITCH 1 05 ", REFUSED),
    (b" SWITCH 1 05", REFUSED),
    (b"SWITCH 01 05", REFUSED),
    (b"SWITCH {unit} {image}", REFUSED),
    (b"\xff\xfe", REFUSED),
    (b"\0", REFUSED),
    (b"A" * 10_000, REFUSED),
]


@pytest.mark.parametrize(("line", "answer"), CASES, ids=[repr(line[:24]) for line, _ in CASES])
def test_what_is_answered(line: bytes, answer: bytes) -> None:
    assert TextDevice({1: table()}, {}).answer(line) == answer
    assert TextDevice({1: table()}, {}).feed(line + b"\n") == answer


def test_what_fails_inside_the_device_is_refused() -> None:
    device = table()
    device.fails = True
    text = TextDevice({1: device}, {})
    assert text.feed(b"READ INPUTS 1\nIDENTIFY 1\n").startswith(REFUSED + b"BOARD 1")


def test_echo_and_prompt_frame_every_answer_but_silence() -> None:
    text = TextDevice({1: table()}, {"echo": "true", "prompt": "> ", "line end": "CRLF"})
    assert text.feed(b"READ INPUTS 1\r\n") == b"READ INPUTS 1\r\nINPUTS 1 02\r\n> "
    assert text.feed(b"what\r\n") == b"what\r\nNOT UNDERSTOOD\r\n> "
    assert text.feed(b"\r\n") == b"\r\n> "
    assert text.feed(b"READ INPUTS 9\r\n") == b""


def test_lines_may_come_in_any_pieces() -> None:
    text = TextDevice({1: table()}, {"line end": "CRLF"})
    said = b"SWITCH 1 FF\r\nREAD OUTPUTS 1\r\n"
    assert b"".join(text.feed(bytes([byte])) for byte in said) == b"SWITCHED 1 FF\r\nOUTPUTS 1 FF\r\n"


def test_several_boards_need_their_unit_in_every_command() -> None:
    words = {"write all": "O{image}", "read inputs": "I?", "inputs reply": "I={image}"}
    assert TextDevice({1: table()}, words).answer(b"I?") == b"I=02\n"
    with pytest.raises(BenchError, match=r"need \{unit\} in every command template"):
        TextDevice({1: table(), 2: table()}, words)


@pytest.mark.parametrize(
    ("settings", "problem"),
    [
        ({"write all": "O"}, "text line, unit 1: `write all` lacks {image}; it is of no use without"),
        ({"image digits": "1"}, "text line, unit 1: `image digits` is 1; 8 outputs need 2"),
    ],
)
def test_settings_that_cannot_be_used(settings: dict[str, str], problem: str) -> None:
    with pytest.raises(BenchError) as caught:
        TextDevice({1: table()}, settings)
    assert str(caught.value) == problem


@given(st.lists(st.binary(max_size=60), max_size=20))
def test_whatever_it_is_told_it_goes_on_and_moves_nothing(pieces: list[bytes]) -> None:
    device = table()
    text = TextDevice({1: device}, {}, lambda: 0)
    for piece in pieces:
        text.feed(piece)
    text.feed(b"\n")
    assert text.feed(b"READ INPUTS 1\n") == b"INPUTS 1 02\n"
    if not any(b"SWITCH" in piece for piece in pieces):
        assert not device.bits.get("coils")
