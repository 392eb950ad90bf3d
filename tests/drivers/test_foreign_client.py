"""Masters of four other makes on a served panel, over TCP and over the paced serial line."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from foreign_clients import MASTERS, Master, RefusedError
from foreign_slave import need
from line_benches import bench_folder, place_of, serve

SUPPLY, START, STOP = 7, 2, 0  # outputs of TH-S0's bench
LAMP, PRESENT = 1, 6  # inputs
OPEN, CLOSED = 1, 0  # hands: F1 closed, F1 open
HAND = 247
WORDS = {"TCP": ("--modbus-tcp", "127.0.0.1:0"), "RTU": ("--modbus-rtu", "pty", "--baud", "115200")}


@pytest.fixture(scope="module", params=WORDS)
def place(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    if request.param == "RTU":
        pytest.importorskip("pty", reason="this system has no pseudo terminals")
    folder: Path = bench_folder(tmp_path_factory.mktemp("served"))
    with serve(folder, *WORDS[request.param]) as process:
        yield place_of(process)


@pytest.fixture(params=MASTERS)
def master(request: pytest.FixtureRequest, place: str) -> Iterator[Master]:
    need(request.param)
    with MASTERS[request.param](place) as master:
        master.write_all(1, 0, [False] * 8)
        yield master
        master.write_all(HAND, 0, [False] * 2)
        master.write_all(1, 0, [False] * 8)
        time.sleep(0.2)  # until every relay has dropped out, or the next supply would find one picked up


def becomes(master: Master, place: int, on: bool) -> bool:
    give_up = time.monotonic() + 2
    while time.monotonic() < give_up:
        if master.inputs(1, place, 1) == [on]:
            return True
    return False


def test_start_seal_in_and_stop(master: Master) -> None:
    master.write_one(1, SUPPLY, True)
    assert becomes(master, PRESENT, True)
    assert master.inputs(1, LAMP, 1) == [False]
    master.write_one(1, START, True)
    assert becomes(master, LAMP, True)
    assert master.coils(1, 0, 8) == [False, False, True, False, False, False, False, True]
    master.write_one(1, START, False)
    time.sleep(0.3)
    assert master.inputs(1, LAMP, 1) == [True]  # sealed in
    master.write_one(1, STOP, True)
    assert becomes(master, LAMP, False)


def test_several_outputs_at_once_and_the_hands(master: Master) -> None:
    master.write_all(1, 0, [False, False, True, False, False, False, False, True])
    assert becomes(master, LAMP, True)
    master.write_one(HAND, OPEN, True)
    assert becomes(master, LAMP, False)
    assert master.coils(HAND, 0, 2) == [False, True]
    master.write_one(HAND, OPEN, False)
    assert becomes(master, LAMP, True)  # the start button is still pressed


@pytest.mark.parametrize(("address", "count"), [(8, 1), (0, 9)])
def test_an_address_that_is_not_there_is_exception_02(master: Master, address: int, count: int) -> None:
    for ask in (master.inputs, master.coils):
        with pytest.raises(RefusedError) as refused:
            ask(1, address, count)
        assert refused.value.code == 2
    with pytest.raises(RefusedError) as refused:
        master.write_all(1, address, [True] * count)
    assert refused.value.code == 2
    assert master.coils(1, 0, 8) == [False] * 8
