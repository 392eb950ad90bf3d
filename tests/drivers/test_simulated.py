"""Simulated boards in this process: the contract, the identity, and what a transaction costs in time."""

from __future__ import annotations

import itertools
from statistics import mean

import pytest
from rig_benches import board, small_bench, small_panel

from drivers.simulated import SimulatedBoard, in_process
from harness.bench.board import Identity
from harness.bench.contract import check_board
from harness.bench.registry import make_board, simulator
from harness.clock import VirtualClock
from harness.errors import BenchError

MS = 1_000_000


def test_keeps_the_contract() -> None:
    clock = VirtualClock()
    rig = in_process(small_panel(), small_bench(), clock)["IO1"]
    assert isinstance(rig, SimulatedBoard)
    assert check_board(lambda: SimulatedBoard(rig.spec, clock, rig._rig)) == []


def test_says_what_it_is() -> None:
    boards = simulator()(small_panel(), small_bench(hand_set=("F1",)), VirtualClock())
    assert list(boards) == ["IO1", "hand"]
    for made in boards.values():
        with made:
            assert made.identify() == Identity("panelproof", "SIMULATED BOARD", "1", simulated=True)


def test_transactions_take_time_that_varies() -> None:
    clock = VirtualClock()
    with in_process(small_panel(), small_bench(), clock)["IO1"] as io1:
        samples = [io1.read() for _ in range(500)]
    spans = [sample.received_ns - sample.sent_ns for sample in samples]
    assert 0.2 * MS <= min(spans) < max(spans) <= 0.6 * MS
    assert mean(spans) == pytest.approx(0.4 * MS, rel=0.05)
    assert len(set(spans)) > 400
    assert all(a.received_ns == b.sent_ns for a, b in itertools.pairwise(samples))


def test_same_seed_same_stamps() -> None:
    def stamps(seed: int) -> list[int]:
        clock = VirtualClock()
        with in_process(small_panel(), small_bench(), clock, seed=seed)["IO1"] as io1:
            return [io1.read().received_ns for _ in range(5)]

    assert stamps(1) == stamps(1)
    assert stamps(1) != stamps(2)


def test_alone_it_cannot_be_opened() -> None:
    alone = make_board(board(), VirtualClock())
    with pytest.raises(BenchError) as caught:
        alone.open()
    assert str(caught.value) == (
        "board IO1: a simulated board has no panel of its own; use `panelproof run`,"
        " or reach one that `panelproof serve` serves"
    )


def test_sampling_in_virtual_time_is_fast() -> None:
    """50 000 samples stand for ten minutes of procedure; the boards' share of that must stay small."""
    clock = VirtualClock()
    with in_process(small_panel(), small_bench(), clock)["IO1"] as io1:
        for _ in range(50_000):
            io1.read()
        assert clock.now_ns() == pytest.approx(50_000 * 0.4 * MS, rel=0.02)
