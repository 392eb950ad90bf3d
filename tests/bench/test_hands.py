"""The hands of a simulated bench, and the bench as its client on the wire sees it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rig_benches import board, small_bench, small_panel

from harness.bench.hands import hand_channels, hand_outputs, hand_positions
from harness.bench.parts import BoardSpec
from harness.bench.wire import units, wire_specs
from harness.errors import BenchError

POSITIONS = {"F1": ("closed", "open"), "S2": ("idle", "1", "2"), "main": ("nominal", "lowest", "highest")}
CHANNELS = (("S2", "idle"), ("S2", "1"), ("S2", "2"), ("F1", "closed"), ("F1", "open"))


def test_channels_follow_the_bench_file() -> None:
    assert hand_channels(("S2", "F1"), POSITIONS) == CHANNELS
    assert hand_channels(("S2", "F1", "S2"), POSITIONS) == CHANNELS
    assert hand_channels((), POSITIONS) == ()


def test_unknown_thing() -> None:
    with pytest.raises(ValueError, match=r"^set by hand but not in the panel: F9, S7$"):
        hand_channels(("F9", "S2", "S7"), POSITIONS)


@pytest.mark.parametrize(
    ("image", "chosen"),
    [
        (0b00000, {"S2": None, "F1": None}),
        (0b00001, {"S2": "idle", "F1": None}),
        (0b10100, {"S2": "2", "F1": "open"}),
    ],
)
def test_one_hot(image: int, chosen: dict[str, str | None]) -> None:
    assert hand_positions(CHANNELS, image) == chosen


@pytest.mark.parametrize(
    ("image", "message"),
    [(0b00110, "S2 cannot be in 1 and 2 at once"), (0b11000, "F1 cannot be in closed and open at once")],
)
def test_two_at_once(image: int, message: str) -> None:
    with pytest.raises(ValueError, match=f"^{message}$"):
        hand_positions(CHANNELS, image)


@given(st.fixed_dictionaries({tag: st.sampled_from(places) for tag, places in POSITIONS.items()}))
def test_what_is_set_is_what_is_read(positions: dict[str, str]) -> None:
    channels = hand_channels(tuple(POSITIONS), POSITIONS)
    outputs = hand_outputs(channels, positions)
    assert sorted(outputs) == list(range(len(channels)))
    assert hand_positions(channels, sum(on << k for k, on in outputs.items())) == positions


def test_only_what_is_named_is_touched() -> None:
    assert hand_outputs(CHANNELS, {"F1": "open"}) == {3: False, 4: True}


def wired(name: str, unit: object = None) -> BoardSpec:
    settings: dict[str, object] = {"host": "10.0.0.5"} | ({} if unit is None else {"unit": unit})
    return board(name, driver="modbus-tcp", settings=settings)


@pytest.mark.parametrize(
    ("boards", "numbers"),
    [
        ((board("A"), board("B"), board("C")), {"A": 1, "B": 2, "C": 3}),
        ((wired("A", "7"), board("B")), {"A": 7, "B": 1}),
        ((board("A"), wired("B"), wired("C", 2), board("D")), {"A": 3, "B": 1, "C": 2, "D": 4}),
    ],
)
def test_units(boards: tuple[BoardSpec, ...], numbers: dict[str, int]) -> None:
    assert units(small_bench(boards=boards)) == numbers


@pytest.mark.parametrize(
    ("boards", "first", "unit"),
    [((wired("A"), wired("B", "1")), "A", 1), ((wired("B", 247),), "hand", 247)],
)
def test_unit_claimed_twice(boards: tuple[BoardSpec, ...], first: str, unit: int) -> None:
    with pytest.raises(BenchError) as caught:
        units(small_bench(boards=boards))
    assert str(caught.value) == (
        f"boards {first} and B both answer to unit {unit}; one server needs a different `unit` for each"
    )


def test_simulated_bench_on_the_wire() -> None:
    bench = small_bench(boards=(board(timeout_s=0.25), board("IN2")), hand_set=("F1", "main"))
    seen = wire_specs(bench, small_panel(), "127.0.0.1", 5020)
    assert [(b.name, b.driver, b.settings["port"], b.settings["unit"]) for b in seen.boards] == [
        ("IO1", "modbus-tcp", 5020, 1),
        ("IN2", "modbus-tcp", 5020, 2),
        ("hand", "modbus-tcp", 5020, 247),
    ]
    assert seen.board("hand").output_count == 5
    assert seen.board("hand").timeout_s == 0.25
    assert seen.simulated
    assert replace(seen, boards=bench.boards) == bench


def test_no_hands_where_nothing_is_set_by_hand() -> None:
    assert [b.name for b in wire_specs(small_bench(), small_panel(), "::1", 1).boards] == ["IO1"]


def test_board_that_is_wired_already_stays_as_it_is() -> None:
    bench = small_bench(boards=(wired("A"), board("B")))
    assert wire_specs(bench, small_panel(), "127.0.0.1", 5020).boards[0] == bench.boards[0]
