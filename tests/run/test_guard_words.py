"""What runner and guardian say to each other: the plan's JSON, single bytes, lines, and what is neither."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench.files import load_bench
from harness.bench.parts import BoardSpec, SpecialChannel, Watchdog
from harness.demo_files import resolve
from harness.panel.parts import Span
from harness.run import guard_words as words
from harness.run.guard_plan import Plan, deadline_s, guarded_specs, plan_of

BOARD = BoardSpec(
    name="IO1",
    driver="modbus-tcp",
    settings={"host": "10.0.0.5", "port": 502, "unit": 3, "ratio": 0.5, "low latency": True},
    output_count=8,
    input_count=4,
    timeout_s=0.25,
    retries=2,
    poll_s=0.01,
    output_delay_s=Span(0.002, 0.008),
    safe_on=(3, 5),
    watchdog=Watchdog(time_out_s=1.5, proof_output=2),
)
PLAN = Plan(
    boards=(BOARD, replace(BOARD, name="IO2", watchdog=None, safe_on=())),
    contactor=SpecialChannel(board="IO2", channel=7),
    deadline_s=2.5,
    patience_s=5.0,
    ephemeral=True,
    runner=4711,
    folder="/logs/a run",
    start_ns=123456789,
    program="0.1",
    identity={"panel": "TH-S0", "bench": "TH-B0 \N{DEGREE SIGN}"},
)


def sent_and_read(plan: Plan) -> Plan:
    (word,) = words.Words().take(words.line(plan.as_json()))
    assert isinstance(word, dict)
    return plan_of(word)


def test_a_plan_arrives_as_it_was_sent() -> None:
    assert sent_and_read(PLAN) == PLAN
    assert sent_and_read(replace(PLAN, contactor=None)).contactor is None
    assert PLAN.boards[0].safe_image == 0b101000


@pytest.mark.parametrize("name", ["th-s0", "th-p1", "th-g2"])
def test_the_boards_of_every_shipped_bench_arrive(name: str) -> None:
    bench = load_bench(resolve(f"demo:{name}.bench.yaml")).bench
    plan = replace(PLAN, boards=guarded_specs(bench), contactor=bench.contactor)
    assert sent_and_read(plan) == plan


def without(key: str, of: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in of.items() if name != key}


def plan_json() -> dict[str, Any]:
    return dict(json.loads(words.line(PLAN.as_json())))


@pytest.mark.parametrize(
    ("message", "said"),
    [
        pytest.param(plan_json() | {"version": 2}, "version 2", id="version"),
        pytest.param(without("version", plan_json()), "version None", id="no version"),
        pytest.param(plan_json() | {"more": 1}, "more", id="key more"),
        pytest.param(without("contactor", plan_json()), "contactor", id="key less"),
        pytest.param(plan_json() | {"boards": [{"name": "IO1"}]}, "BoardSpec", id="half a board"),
        pytest.param(plan_json() | {"contactor": {"board": "IO1"}}, "SpecialChannel", id="half a contactor"),
    ],
)
def test_another_plan_is_refused_in_words(message: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        plan_of(message)


def test_the_guardian_asks_each_board_once_a_round() -> None:
    bench = load_bench(resolve("demo:th-s0.bench.yaml")).bench
    eager = replace(bench, boards=tuple(replace(board, retries=5) for board in bench.boards))
    assert [board.retries for board in guarded_specs(eager)] == [0] * len(bench.boards)


def test_the_deadline_covers_a_round_of_boards_that_do_not_answer() -> None:
    """2 s to spare; 2 x 0.25 s x 3 attempts; 2 x 0.5 s; the longer pause."""
    other = BoardSpec(name="B", driver="d", settings={}, output_count=0, input_count=1, poll_s=0.2)
    assert deadline_s([BOARD, other]) == pytest.approx(2 + 1.5 + 1.0 + 0.2)


SAID = words.line({"armed": True, "patience_s": None}) + b".." + words.descriptors([["A", "B"]]) + b".sq"


@given(st.lists(st.integers(0, len(SAID)), max_size=20))
def test_words_arrive_whole_wherever_the_bytes_are_cut(cuts: list[int]) -> None:
    parser, heard = words.Words(), []
    edges = [0, *sorted(cuts), len(SAID)]
    for start, end in pairwise(edges):
        heard += list(parser.take(SAID[start:end]))
    armed, descriptors = {"armed": True, "patience_s": None}, {"descriptors": [["A", "B"]]}
    assert heard == [armed, b".", b".", descriptors, b".", b"s", b"q"]


@pytest.mark.parametrize("data", [b"x", b"\0", b"\n", b"[1]\n", b"{]\n", b'{"a": 1}x\n', b"1\n", b".x"])
def test_bytes_that_no_runner_sends_are_not_understood(data: bytes) -> None:
    with pytest.raises(words.NotUnderstood):
        list(words.Words().take(data))


def test_a_line_without_end_is_not_kept_for_ever() -> None:
    parser = words.Words()
    for _ in range(16):
        assert list(parser.take(b"{" + b" " * 65535)) == []
    with pytest.raises(words.NotUnderstood):
        list(parser.take(b"{"))
