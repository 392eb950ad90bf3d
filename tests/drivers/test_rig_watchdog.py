"""Watchdogs and registers of simulated boards: trips at the exact moment, latching, what a client reads."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rig_benches import board, delays, small_bench, small_panel
from serving import serving

from drivers.modbus_device import answer_pdu
from drivers.modbus_tcp import ModbusTcpBoard
from drivers.rig import SimulatedRig
from drivers.rig_device import RigDevice, devices
from drivers.simulated import SimulatedBoard
from harness.bench.board import Board
from harness.bench.contract import check_board
from harness.bench.hands import HAND
from harness.bench.parts import Bench, BoardSpec, Measure, SupplySetting, Watchdog
from harness.bench.wire import WATCHDOG_REGISTER, wire_specs
from harness.clock import RealClock, VirtualClock
from harness.errors import BenchError, BoardRefused

MS = 1_000_000
WATCHDOG = Watchdog(time_out_s=0.3, proof_output=3)
LATCHING = {"watchdog clear register": "101", "watchdog clear value": "6"}
FED = {"watchdog feed register": "102", "watchdog feed value": "1"}
R1 = 0b1
OUTPUTS = 0b1001  # S1, which feeds R1 at once, and the proof output


def made(clock: VirtualClock, made_bench: Bench | None = None, **changes: Any) -> SimulatedRig:
    spec = board(**({"watchdog": WATCHDOG} | changes))
    return SimulatedRig(small_panel(), replace(made_bench or small_bench(), boards=(spec,)), clock)


def armed(clock: VirtualClock, **changes: Any) -> SimulatedRig:
    rig = made(clock, **changes)
    rig.write("IO1", OUTPUTS)
    rig.watchdogs["IO1"].arm(300, clock.now_ns())
    rig._look_for_trips()
    return rig


@pytest.mark.parametrize("delay_ms", [0, 4])
@pytest.mark.parametrize("looked_after_ms", [1, 299, 300, 301, 10_000])
def test_it_trips_at_its_exact_moment_however_late_anyone_looks(delay_ms: int, looked_after_ms: int) -> None:
    """R1 stands in S1's contact: it goes off 300 ms and the output's delay after the last request."""
    clock = VirtualClock()
    delay_s = delay_ms / 1e3
    rig = armed(clock, output_delay_s=delays(delay_s, delay_s), input_age_s=60.0)  # it keeps what it has seen
    clock.advance(looked_after_ms * MS)
    rig.advance()
    tripped = looked_after_ms >= 300
    assert rig.watchdogs["IO1"].tripped is tripped
    assert rig.outputs("IO1") == (0 if tripped else OUTPUTS)
    clock.advance(20 * MS)
    rig.advance()
    r1_changed_ns = [at for (at, word, _), (_, old, _) in pairwise_back(rig) if (word ^ old) & R1]
    on_ns = delay_ms * MS
    assert r1_changed_ns == ([on_ns, (300 + delay_ms) * MS] if tripped else [on_ns])


def pairwise_back(rig: SimulatedRig) -> list[tuple[tuple[int, int, bool], tuple[int, int, bool]]]:
    """Each state that the panel was in, with the one before."""
    seen = list(rig._history)
    return list(zip(seen[1:], seen, strict=False))


@pytest.mark.parametrize("request_kind", ["read", "outputs", "write", "registers"])
def test_any_request_feeds_it(request_kind: str) -> None:
    clock = VirtualClock()
    rig = armed(clock)
    for _ in range(10):
        clock.advance(299 * MS)
        if request_kind == "read":
            rig.read("IO1")
        elif request_kind == "outputs":
            rig.outputs("IO1")
        elif request_kind == "write":
            rig.write("IO1", OUTPUTS)
        else:
            rig.read_registers("IO1", "holding", WATCHDOG_REGISTER, 1)
    assert rig.outputs("IO1") == OUTPUTS


def test_another_board_s_requests_do_not_feed_it() -> None:
    clock = VirtualClock()
    boards = (board(watchdog=WATCHDOG), board("IO2"))
    rig = SimulatedRig(small_panel(), replace(small_bench(), boards=boards), clock)
    rig.write("IO1", OUTPUTS)
    rig.write_registers("IO1", WATCHDOG_REGISTER, [300])
    for _ in range(4):
        clock.advance(100 * MS)
        rig.read("IO2")
    assert rig.outputs("IO1") == 0


def test_only_its_register_feeds_it_where_one_is_named() -> None:
    for fed in (False, True):
        clock = VirtualClock()
        rig = made(clock, settings=FED)
        rig.write("IO1", OUTPUTS)
        rig.write_registers("IO1", WATCHDOG_REGISTER, [300])
        for _ in range(4):
            clock.advance(100 * MS)
            rig.read("IO1")
            if fed:
                rig.write_registers("IO1", 102, [1])
        assert rig.outputs("IO1") == (OUTPUTS if fed else 0)


def test_unarmed_and_disarmed_it_never_trips() -> None:
    clock = VirtualClock()
    rig = made(clock)
    for counts in (None, 0):
        rig.write("IO1", OUTPUTS)
        if counts is not None:
            rig.write_registers("IO1", WATCHDOG_REGISTER, [300])
            rig.write_registers("IO1", WATCHDOG_REGISTER, [counts])
        clock.advance(10_000 * MS)
        assert rig.outputs("IO1") == OUTPUTS


@pytest.mark.parametrize(
    ("keys", "obeys"), [({}, True), (LATCHING, False)], ids=["works again", "latches until cleared"]
)
def test_after_it_tripped(keys: dict[str, str], obeys: bool) -> None:
    clock = VirtualClock()
    rig = armed(clock, settings=keys)
    clock.advance(400 * MS)
    rig.write("IO1", OUTPUTS)
    assert rig.outputs("IO1") == (OUTPUTS if obeys else 0)
    if not obeys:
        rig.write_registers("IO1", 101, [5])
        rig.write("IO1", OUTPUTS)
        assert rig.outputs("IO1") == 0, "another value clears nothing"
        rig.write_registers("IO1", 101, [6])
        rig.write("IO1", OUTPUTS)
        assert rig.outputs("IO1") == OUTPUTS
    clock.advance(400 * MS)
    assert rig.outputs("IO1") == 0, "it trips again"


@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from([50, 150, 250, 350, 700]), min_size=1, max_size=12))
def test_it_has_tripped_just_when_a_pause_was_as_long_as_the_time_out(pauses_ms: list[int]) -> None:
    """The rule itself as the model: any pause of 300 ms or more, and nothing switches on again by itself."""
    clock = VirtualClock()
    rig = armed(clock)
    off = False
    for pause_ms in pauses_ms:
        clock.advance(pause_ms * MS)
        off = off or pause_ms >= 300
        assert rig.outputs("IO1") == (0 if off else OUTPUTS)


def test_the_board_of_hands_has_neither_watchdog_nor_safe_outputs_of_its_own() -> None:
    bench = replace(small_bench(), boards=(board(watchdog=WATCHDOG, safe_on=(1,)),), hand_set=("F1",))
    rig = SimulatedRig(small_panel(), bench, VirtualClock())
    assert (rig.specs[HAND].watchdog, rig.specs[HAND].safe_on) == (None, ())


# The safe state ------------------------------------------------------------


def test_a_board_starts_and_trips_into_its_safe_state() -> None:
    clock = VirtualClock()
    rig = made(clock, safe_on=(0,))
    assert rig.outputs("IO1") == 0b1
    assert rig.read("IO1") & 1, "S1's contact stands closed from the start"
    rig.write("IO1", 0b1000)
    rig.write_registers("IO1", WATCHDOG_REGISTER, [300])
    assert rig.read("IO1") & 1 == 0
    clock.advance(301 * MS)
    assert rig.outputs("IO1") == 0b1
    assert rig.read("IO1") & 1


@pytest.mark.parametrize("safe_on", [(), (2,), (0, 1, 2, 3)], ids=["none", "one", "all"])
def test_a_board_with_outputs_that_are_safe_on_keeps_the_contract(safe_on: tuple[int, ...]) -> None:
    clock = VirtualClock()
    bench = replace(small_bench(), boards=(board(safe_on=safe_on),))
    rig = SimulatedRig(small_panel(), bench, clock)
    assert check_board(lambda: SimulatedBoard(bench.boards[0], clock, rig)) == []


def test_the_contract_finds_a_board_that_switches_all_off_where_it_should_not() -> None:
    clock = VirtualClock()
    bench = replace(small_bench(), boards=(board(safe_on=(2,)),))
    rig = SimulatedRig(small_panel(), bench, clock)

    class AllOff(SimulatedBoard):
        def _do_write(self, image: int, timeout_s: float) -> Any:
            return super()._do_write(image if image != 0b100 else 0, timeout_s)

    assert any("make_safe" in line for line in check_board(lambda: AllOff(bench.boards[0], clock, rig)))


# Registers ------------------------------------------------------------

U1 = Measure(
    name="U1", board="IO1", table="input", register=3, scale=0.1, unit="V", uncertainty=0.3, of="main"
)


def measured(*measures: Measure, **changes: Any) -> SimulatedRig:
    bench = replace(small_bench(), measures=measures, **changes)
    return SimulatedRig(small_panel(), bench, VirtualClock())


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, (240,)),
        ({"scale": 0.01}, (2400,)),
        ({"offset": 30.0, "signed": True}, (0xFFC4,)),
        ({"offset": 30.0}, (0,)),
        ({"scale": 0.0001}, (0xFFFF,)),
        ({"scale": 0.0001, "words": 2}, (3, 0xA980)),
        ({"scale": 0.001, "offset": 30.0, "words": 2, "signed": True}, (0xFFFF, 0xE890)),
        ({"of": ""}, (0,)),
        ({"of": "", "unit": "C"}, (200,)),
    ],
    ids=["24 V", "finer", "below zero", "no sign", "end of scale", "two words", "two, signed", "other", "C"],
)
def test_what_a_measure_s_registers_hold(changes: dict[str, Any], words: tuple[int, ...]) -> None:
    """24 V, or 20 C, in counts; worked out by hand."""
    rig = measured(replace(U1, **changes))
    assert rig.read_registers("IO1", "input", 3, len(words)) == words


def pdu(rig: SimulatedRig, text: str) -> str:
    return answer_pdu(RigDevice(rig, "IO1"), bytes.fromhex(text)).hex(" ")


@pytest.mark.parametrize(
    ("request_pdu", "answer"),
    [
        ("04 0003 0001", "04 02 00 f0"),
        ("04 0004 0001", "84 02"),
        ("03 0003 0001", "83 02"),
        ("03 0014 0001", "03 02 00 00"),
        ("06 0014 0960", "06 00 14 09 60"),
        ("06 0016 0001", "86 02"),
        ("10 0014 0001 02 0960", "10 00 14 00 01"),
        ("03 0016 0001", "03 02 00 f0"),
        ("03 0015 0001", "83 02"),
        ("03 0014 0003", "83 02"),
    ],
    ids=["measure", "beyond", "before", "never set", "set", "measure is not written", "set, function 16",
         "holding measure", "hole", "across a hole"],
)  # fmt: skip
def test_registers_on_the_wire(request_pdu: str, answer: str) -> None:
    """What the bench file does not name is exception 02 (MODBUS Application Protocol V1.1b3, 7)."""
    held = replace(U1, name="U2", table="holding", register=0x16, of="main", before_contactor=True)
    setting = SupplySetting(of="main", board="IO1", register=0x14, scale_v=0.01)
    rig = measured(U1, held, supply_settings=(setting,))
    rig.set_level("main", 24.0)
    assert pdu(rig, request_pdu.replace(" ", "")) == answer


def test_a_board_without_registers_knows_no_function_on_them() -> None:
    rig = measured()
    assert pdu(rig, "0300000001") == "83 01"
    assert pdu(rig, "0400000001") == "84 01"
    with pytest.raises(LookupError):
        rig.read_registers("IO1", "input", 0, 1)


def test_a_board_in_this_process_refuses_a_register_that_it_has_not() -> None:
    rig = measured(U1)
    with SimulatedBoard(rig.specs["IO1"], rig.clock, rig) as io1:
        assert io1.read_registers("input", 3, 1) == (240,)
        with pytest.raises(BoardRefused, match="board IO1: it has no input register at 4"):
            io1.read_registers("input", 4, 1)
        with pytest.raises(BoardRefused, match="no holding register at 4"):
            io1.write_registers(4, [1])
        with pytest.raises(BenchError, match="driver simulated has no watchdog"):
            io1.arm_watchdog()


def test_a_written_level_feeds_the_panel() -> None:
    setting = SupplySetting(of="main", board="IO1", register=20, scale_v=0.01)
    rig = measured(U1, supply_settings=(setting,))
    assert rig.read_registers("IO1", "input", 3, 1) == (0,)
    rig.write("IO1", 1)
    assert rig.read("IO1") & 1 == 0, "0 V until it is set"
    rig.write_registers("IO1", 20, [2400])
    assert rig.read("IO1") & 1
    assert rig.read_registers("IO1", "input", 3, 1) == (240,)


# Through the Modbus driver ------------------------------------------------------------


@pytest.mark.parametrize("keys", [{}, LATCHING, FED], ids=["plain", "latching", "fed"])
def test_the_modbus_driver_arms_feeds_and_clears_it(keys: dict[str, str]) -> None:
    """The same settings on both sides; real time, only as long as one time-out."""
    clock = RealClock()
    spec = board(settings=keys, watchdog=replace(WATCHDOG, time_out_s=0.5))
    rig = SimulatedRig(small_panel(), replace(small_bench(), boards=(spec,)), clock)
    with serving(devices(rig)) as port:
        wired: BoardSpec = wire_specs(rig.bench, small_panel(), "127.0.0.1", port).board("IO1")
        driven: Board = ModbusTcpBoard(wired, clock)
        with driven:
            assert driven.arm_watchdog() == 0.5
            driven.write({3: True})
            for _ in range(5):
                clock.sleep_until(clock.now_ns() + 110 * MS)
                driven.read()
                driven.feed_watchdog()
            assert driven.read_back() == 0b1000
            clock.sleep_until(clock.now_ns() + 600 * MS)
            assert driven.read_back() == 0
            driven.arm_watchdog()
            driven.write({3: True})
            assert driven.read_back() == 0b1000
