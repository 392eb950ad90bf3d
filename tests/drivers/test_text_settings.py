"""Settings of a text-line board: what may be said, what is refused, each by its name in one line."""

from __future__ import annotations

from typing import Any

import pytest
from text_lines import spec_of

from drivers.text_line import TextLineBoard
from drivers.text_settings import DEFAULTS, KEYS, channel_problems, problems_of, rules_of
from harness.bench.registry import check_settings
from harness.clock import VirtualClock
from harness.errors import BenchError

PORT = {"port": "/dev/ttyUSB0"}
OWN = {
    "write one": "R{channel} {state}",
    "write reply": "R{channel} {state} OK",
    "read inputs": "I?",
    "inputs reply": "I={image}",
}


@pytest.mark.parametrize(
    "settings",
    [
        pytest.param({}, id="nothing but a port"),
        pytest.param({"unit": "247", "first output": 0, "first input": 0}, id="as for a board of hands"),
        pytest.param({"baud": "9600", "parity": "none", "stop bits": "1", "data bits": "7"}, id="line"),
        pytest.param(DEFAULTS, id="the defaults written out"),
        pytest.param(OWN, id="own language"),
        pytest.param(OWN | {"on word": "1", "off word": "0", "first output": "1"}, id="words"),
        pytest.param(OWN | {"image base": "binary", "first channel": "left"}, id="binary from the left"),
        pytest.param(OWN | {"image base": "decimal", "image digits": "0"}, id="decimal as it comes"),
        pytest.param({"echo": "true", "prompt": "> ", "line end": "CRLF"}, id="console"),
        pytest.param({"echo": True, "read twice": False}, id="truth values"),
        pytest.param({"quiet": "50 ms", "write time": "0.1 s", "soonest answer": "0 ms"}, id="times"),
        pytest.param({"write all": "O{image}", "refusal": "ERR {reason}"}, id="outputs only, reasons"),
    ],
)
def test_settings_that_are_right(settings: dict[str, Any]) -> None:
    assert check_settings("text-line", PORT | settings) == []


BAD = [
    ({"port": ""}, "`port` is missing; give the serial port's name (`panelproof ports` lists them)"),
    (
        {"baud": "fast"},
        "`baud` is 'fast'; a whole number from 300 to 4000000 is needed, such as 9600 or 19200",
    ),
    ({"unit": "-1"}, "`unit` is '-1'; a whole number from 0 to 65535 is needed"),
    (
        {"unit": "\N{SUPERSCRIPT TWO}"},
        "`unit` is '\N{SUPERSCRIPT TWO}'; a whole number from 0 to 65535 is needed",
    ),
    (
        {"first input": "9" * 5000},
        f"`first input` is '{'9' * 54}...'; a whole number from 0 to 65535 is needed",
    ),
    ({"image digits": "two"}, "`image digits` is 'two'; a whole number from 0 to 500 is needed"),
    ({"image base": "hex"}, "`image base` is 'hex'; hexadecimal, binary or decimal is needed"),
    (
        {"image base": "decimals"},
        "`image base` is 'decimals'; hexadecimal, binary or decimal is needed; did you mean decimal?",
    ),
    ({"line end": "\r"}, "`line end` is '\\r'; LF, CR or CRLF is needed"),
    ({"echo": "yes"}, "`echo` is 'yes'; false or true is needed"),
    ({"quiet": "30"}, "`quiet`: "),
    ({"write time": "2 min"}, "`write time` is '2 min'; 0 s to 60 s are allowed"),
    ({"prompt": "\x1b[0m"}, "`prompt` is '\\x1b[0m'; 1 to 40 characters of printable ASCII are allowed"),
    ({"prompt": ">" * 41}, f"`prompt` is {'>' * 41!r}; 1 to 40 characters of printable ASCII are allowed"),
    ({"write all": "O"}, "`write all` lacks {image}; it is of no use without"),
    ({"write one": "TOGGLE {channel}"}, "`write one` lacks {state}; it is of no use without"),
    ({"write one": "{state}"}, "`write one` lacks {channel}; it is of no use without"),
    (
        {"write all": "O{image.real}"},
        (
            "`write all` has a placeholder 'image.real'; {unit} or {image} may stand there;"
            " did you mean {image}?"
        ),
    ),
    ({"write all": "O{state}"}, "`write all` has a placeholder 'state'; {unit} or {image} may stand there"),
    ({"write all": "O{image"}, "`write all` has a { at character 2 that is not closed"),
    (
        {"write all": "O{image}\r"},
        (
            "`write all` has '\\r' as character 9; only printable ASCII is allowed,"
            " and `line end` says how a line ends"
        ),
    ),
    ({"refusal": "{image}"}, "`refusal` has a placeholder 'image'; {reason} may stand there"),
    ({"read inputs": "I?"}, "`read inputs` is given, but not `inputs reply`; give both or neither"),
    ({"identify": "I?"}, "`identify` is given, but not `identify reply`; give both or neither"),
    ({"inputs reply": "I{image}"}, "`inputs reply` is given, but nothing that it answers"),
    ({"write reply": "OK"}, "`write reply` is given, but nothing that it answers"),
    (
        {"write all": "O{image}", "write one": "O{channel} {state}"},
        "`write all` and `write one` are both given; give the one that the board is to be used with",
    ),
    (
        {"write all": "O{image}", "write reply": "O{channel}"},
        "`write reply` has {channel}, which `write all` has not",
    ),
    (
        {"write one": "O{channel} {state}", "write reply": "O{image}"},
        "`write reply` has {image}, which `write one` has not",
    ),
    (
        {"on word": "O", "off word": "OFF"},
        "`on word` 'O' and `off word` 'OFF': neither may begin with the other",
    ),
    ({"on word": "X", "off word": "X"}, "`on word` 'X' and `off word` 'X': neither may begin with the other"),
    ({"first channel": "left"}, "`first channel` left goes with `image base` binary only"),
    (
        {"arm watchdog": "W {milliseconds}"},
        "`arm watchdog` is given, but not `ask watchdog`; what cannot be read back is not armed",
    ),
    ({"feed watchdog": "W"}, "`feed watchdog` is given, but not `arm watchdog`"),
    ({"arm watchdog": "W"}, "`arm watchdog` lacks {milliseconds} or {seconds}; it is of no use without"),
    (
        {"arm watchdog": "W {seconds} {milliseconds}", "ask watchdog": "W?", "watchdog reply": "W={seconds}"},
        "`arm watchdog` has both {milliseconds} and {seconds}; use one of them",
    ),
    (
        {"refusal": "OK", "write all": "O{image}", "write reply": "OK"},
        "`refusal` could be taken for `write reply`; correct one of them",
    ),
    (
        {"refusal": "{reason}", "write all": "O{image}", "write reply": "OK"},
        "`refusal` could be taken for `write reply`; correct one of them",
    ),
    (
        {"read one input": "I{channel}", "one input reply": "I1{state}", "on word": "1", "off word": "0"},
        "`one input reply` could be the command `read one input` itself, sent back; correct one of them",
    ),
    (
        {"read inpust": "I"},
        f"no setting `read inpust`; allowed: {', '.join(KEYS)}; did you mean `read inputs`?",
    ),
]


@pytest.mark.parametrize(("settings", "problem"), BAD, ids=[" ".join(bad)[:30] for bad, _ in BAD])
def test_settings_that_are_wrong(settings: dict[str, Any], problem: str) -> None:
    (found,) = check_settings("text-line", PORT | settings)
    assert found == problem or (problem.endswith(": ") and found.startswith(problem))
    assert "\n" not in found
    with pytest.raises(BenchError) as caught:
        TextLineBoard(spec_of(settings), VirtualClock())
    assert str(caught.value) == f"board IO1: {found}"


@pytest.mark.parametrize(
    ("settings", "outputs", "inputs", "problem"),
    [
        ({"image digits": "1"}, 8, 8, "`image digits` is 1; 8 outputs need 2"),
        ({"image digits": "2", "input digits": "3"}, 8, 13, "`input digits` is 3; 13 inputs need 4"),
        ({"image base": "decimal", "image digits": "2"}, 8, 0, "`image digits` is 2; 8 outputs need 3"),
        (
            {"write all": "O{image}"},
            8,
            8,
            "it has 8 inputs, but its settings lack `read inputs` or `read one input`",
        ),
        (
            {"read inputs": "I?", "inputs reply": "I={image}"},
            8,
            8,
            "it has 8 outputs, but its settings lack `write all` or `write one`",
        ),
        (
            {"read inputs": "I01", "inputs reply": "I{image}"},
            0,
            8,
            "`inputs reply` could be the command `read inputs` itself, sent back; correct one of them",
        ),
    ],
)
def test_channels_that_do_not_fit(settings: dict[str, Any], outputs: int, inputs: int, problem: str) -> None:
    assert problems_of(PORT | settings) == []
    assert channel_problems(PORT | settings, outputs, inputs)[0] == problem
    with pytest.raises(BenchError) as caught:
        TextLineBoard(spec_of(settings, output_count=outputs, input_count=inputs), VirtualClock())
    assert str(caught.value) == f"board IO1: {problem}"


def test_all_problems_are_named_at_once() -> None:
    found = problems_of({"baud": "x", "unit": "y", "echo": "z"})
    assert [text.split("`")[1] for text in found] == ["port", "baud", "unit", "echo"]


def test_one_template_of_ones_own_puts_the_defaults_out_of_use() -> None:
    """A command that the board's maker never thought of must not reach it."""
    assert set(rules_of(PORT, 8, 8).templates) == set(DEFAULTS)
    assert set(rules_of(PORT | {"write all": "O{image}"}, 8, 0).templates) == {"write all"}


def test_every_default_says_which_unit_it_is_for() -> None:
    templates = rules_of(PORT | {"unit": "3"}, 8, 8).templates
    assert all("unit" in template.names for template in templates.values())
    assert templates["write all"].write({"image": 0xA5}) == "SWITCH 3 A5"


def test_the_width_of_an_image_follows_from_the_channels() -> None:
    assert rules_of(PORT, 9, 8).templates["write all"].write({"image": 1}) == "SWITCH 1 001"
    binary = rules_of(PORT | {"image base": "binary", "first channel": "left"}, 4, 8)
    assert binary.templates["write all"].write({"image": 1}) == "SWITCH 1 1000"
