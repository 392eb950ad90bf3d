"""Our board against Modbus slaves of other makes on TCP, with the simulated panel behind them."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from foreign_slave import MAKES, foreign_slave, need

from drivers.modbus_tcp import ModbusTcpBoard
from harness.bench.board import Board, Identity
from harness.bench.contract import check_board
from harness.bench.files import load_bench
from harness.bench.wire import wire_specs
from harness.clock import RealClock
from harness.demo_files import resolve
from harness.errors import BoardRefused, BoardTimeout
from harness.panel.files import load_panel

PANEL, BENCH = resolve("demo:th-s0.panel.yaml"), resolve("demo:th-s0.bench.yaml")


def board(port: int, name: str = "IO1", **settings: int) -> ModbusTcpBoard:
    wired = wire_specs(load_bench(BENCH).bench, load_panel(PANEL).panel, "127.0.0.1", port)
    spec = wired.board(name)
    spec.settings.update(settings)
    return ModbusTcpBoard(spec, RealClock())


@pytest.fixture(scope="module", params=MAKES)
def make(request: pytest.FixtureRequest) -> str:
    need(request.param)
    return str(request.param)


@pytest.fixture(scope="module")
def port(make: str) -> Iterator[int]:
    with foreign_slave(PANEL, BENCH, make=make) as port:
        yield port


def wait_for(io1: Board, mask: int, wanted: int, within_s: float = 2.0) -> int:
    """Poll until the masked inputs read `wanted`; the last sample, at most `within_s` later."""
    clock = RealClock()
    end_ns = clock.now_ns() + round(within_s * 1e9)
    while True:
        bits = io1.read().bits
        if bits & mask == wanted or clock.now_ns() > end_ns:
            return bits


def test_keeps_the_contract(port: int) -> None:
    assert check_board(lambda: board(port)) == []


def test_says_what_it_is(port: int) -> None:
    with board(port) as io1:
        assert io1.identify() == Identity("Test", "SIMULATED BOARD", "1", simulated=True)


@pytest.mark.parametrize("mute_make", ["modbus_tk"])  # the one that refuses function 43 by exception 01
def test_cannot_say_what_it_is(mute_make: str) -> None:
    with foreign_slave(PANEL, BENCH, mute=True, make=mute_make) as port, board(port) as io1:
        assert io1.identify() == Identity()


def test_panel_behind_it_seals_in_and_stops(port: int) -> None:
    """TH-S0: channel 7 is the supply contactor, 2 the start button, 0 the stop button; input 1 is P1."""
    with board(port) as io1:
        io1.write({7: True})
        assert wait_for(io1, 0b100_0000, 0b100_0000) & 0b10 == 0
        io1.write({2: True})
        assert wait_for(io1, 0b10, 0b10) & 0b10
        io1.write({2: False})
        assert wait_for(io1, 0b10, 0, 0.5) & 0b10  # sealed in: half a second later still on
        io1.write({0: True})
        assert wait_for(io1, 0b10, 0) & 0b10 == 0


def test_fault_of_the_panel_behind_it(make: str) -> None:
    with foreign_slave(PANEL, BENCH, ["K1 coil open"], make=make) as port, board(port) as io1:
        io1.write({7: True, 2: True})
        assert wait_for(io1, 0b100_0010, 0b100_0010, 0.5) & 0b100_0010 == 0b100_0000


def test_absent_address_is_refused(port: int) -> None:
    beyond = board(port, **{"first input": 8})
    with beyond, pytest.raises(BoardRefused, match=r"exception 02 \(illegal data address\)"):
        beyond.read()


def test_absent_unit_is_no_reading(port: int, make: str) -> None:
    """uModbus takes any unit for its own and refuses the address; the others stay silent."""
    absent = board(port, unit=9)
    absent.open()
    error = BoardRefused if make == "umodbus" else BoardTimeout
    with pytest.raises(error):
        absent.read(0.1)
    with pytest.raises(error):
        absent.make_safe(0.1)
    absent.close()
