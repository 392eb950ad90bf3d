"""The simulated bench in exact time: output delay, input age, contactor, hands, faults, seeds."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rig_benches import board, probe, small_bench, small_panel
from small_panels import button, panel, relay

from drivers.rig import SimulatedRig
from harness.bench.hands import HAND, hand_channels, hand_outputs
from harness.bench.parts import Bench, OutputChannel, SpecialChannel
from harness.clock import VirtualClock
from harness.errors import BenchError, UsageError
from harness.panel.parts import Panel, Span

MS = 1_000_000
R1, Y4 = 0b01, 0b10


class Bench0:
    """A rig with its clock, and helpers that read it at a moment."""

    def __init__(self, bench: Bench, shown: Panel | None = None, **options: Any) -> None:
        self.clock = VirtualClock(start_ns=5_000 * MS)
        self.rig = SimulatedRig(shown or small_panel(), bench, self.clock, **options)

    def after_ms(self, ms: float) -> int:
        self.clock.advance(round(ms * MS))
        return self.rig.read("IO1")

    def first_ms(self, mask: int, *, wanted: int, limit_ms: int = 200) -> float:
        """When the masked inputs first read `wanted`, in ms from now, to 0.01 ms."""
        start_ns = self.clock.now_ns()
        while self.rig.read("IO1") & mask != wanted:
            self.clock.advance(MS // 100)
            assert self.clock.now_ns() - start_ns < limit_ms * MS
        return (self.clock.now_ns() - start_ns) / MS


def test_nothing_is_on_at_rest() -> None:
    assert Bench0(small_bench()).after_ms(100) == 0


def test_output_moves_its_contact_and_the_panel_follows() -> None:
    bench = Bench0(small_bench())
    bench.rig.write("IO1", 1)
    assert bench.after_ms(0) == R1
    assert 10 <= bench.first_ms(Y4, wanted=Y4) <= 20  # K1 operates in 10 to 20 ms at nominal supply
    bench.rig.write("IO1", 0)
    assert bench.after_ms(0) == Y4
    assert bench.after_ms(100) == 0


@pytest.mark.parametrize("delay_ms", [0.0, 2.0, 8.0])
@pytest.mark.parametrize("age_ms", [0.0, 1.0, 5.0])
def test_delay_and_age_add_up_exactly(delay_ms: float, age_ms: float) -> None:
    spec = board(output_delay_s=Span(delay_ms / 1000, delay_ms / 1000), input_age_s=age_ms / 1000)
    bench = Bench0(small_bench(boards=(spec,)))
    bench.rig.write("IO1", 1)
    assert bench.first_ms(R1, wanted=R1) == pytest.approx(delay_ms + age_ms, abs=0.0101)


def test_filter_holds_back_a_change() -> None:
    bench = Bench0(small_bench(inputs=(probe("DI0", 0, "R1", ("R1:1", "R1:2"), filter_s=0.003),)))
    bench.rig.write("IO1", 1)
    assert bench.first_ms(R1, wanted=R1) == pytest.approx(3.0, abs=0.0101)


def test_drawn_delays_stay_in_their_range_and_differ() -> None:
    spec = board(output_delay_s=Span(0.002, 0.008))
    seen = set()
    for seed in range(20):
        bench = Bench0(small_bench(boards=(spec,)), seed=seed)
        bench.rig.write("IO1", 1)
        seen.add(bench.first_ms(R1, wanted=R1))
    assert 2.0 <= min(seen) <= 3.5
    assert 6.5 <= max(seen) <= 8.011
    assert len(seen) > 10


@given(
    st.lists(st.tuples(st.booleans(), st.integers(0, 9 * MS)), min_size=1, max_size=12), st.integers(0, 99)
)
def test_last_command_wins(commands: list[tuple[bool, int]], seed: int) -> None:
    bench = Bench0(small_bench(boards=(board(output_delay_s=Span(0.0, 0.008)),)), seed=seed)
    for on, pause_ns in commands:
        bench.rig.write("IO1", int(on))
        bench.clock.advance(pause_ns)
    assert bench.after_ms(8.0) & R1 == int(commands[-1][0])


def test_break_contact_of_an_output_is_closed_while_it_is_off() -> None:
    broken = OutputChannel(
        name="DO0",
        board="IO1",
        channel=0,
        imitates=("S1", "13-14"),
        terminals=("S1:13", "S1:14"),
        normally_closed=True,
    )
    bench = Bench0(small_bench(outputs=(broken,)))
    assert bench.after_ms(0) == R1
    bench.rig.write("IO1", 1)
    assert bench.after_ms(100) == 0


def test_two_boards_of_different_age_see_the_same_panel() -> None:
    late = probe("DI8", 0, "R1", ("R1:1", "R1:2"), board="IN2")
    boards = (board(), board("IN2", output_count=0, input_age_s=0.005))
    bench = Bench0(small_bench(boards=boards, inputs=(*small_bench().inputs, late)))
    bench.rig.write("IO1", 1)
    bench.clock.advance(4 * MS)
    assert (bench.rig.read("IO1"), bench.rig.read("IN2")) == (R1, 0)
    bench.clock.advance(1 * MS)
    assert (bench.rig.read("IO1"), bench.rig.read("IN2")) == (R1, 1)


def test_short_pulse_is_seen_late_by_an_old_input() -> None:
    """Age shifts what is reported; it does not swallow it."""
    bench = Bench0(small_bench(boards=(board(input_age_s=0.005),)))
    bench.rig.write("IO1", 1)
    bench.clock.advance(MS)
    bench.rig.write("IO1", 0)
    assert [bench.after_ms(ms) for ms in (3.9, 0.2, 0.8, 0.2)] == [0, R1, R1, 0]


@pytest.mark.parametrize("inverted", [False, True])
def test_contactor_feeds_the_panel_and_its_input_shows_it(inverted: bool) -> None:
    bench = Bench0(
        small_bench(
            boards=(board(output_delay_s=Span(0.004, 0.004)),),
            contactor=SpecialChannel(board="IO1", channel=3, inverted=inverted),
            supply_present=SpecialChannel(board="IO1", channel=7),
        )
    )
    off, on = (0b1000, 0) if inverted else (0, 0b1000)
    bench.rig.write("IO1", off | 1)
    assert bench.after_ms(100) == 0
    bench.rig.write("IO1", on | 1)
    assert bench.after_ms(3.9) == 0
    assert bench.after_ms(0.2) == R1 | 1 << 7
    bench.rig.write("IO1", off | 1)
    assert bench.after_ms(100) == 0


@pytest.mark.parametrize(("inverted", "bits"), [(False, 0), (True, 1 << 6)])
def test_emergency_stop_is_not_pressed(inverted: bool, bits: int) -> None:
    channel = SpecialChannel(board="IO1", channel=6, inverted=inverted)
    assert Bench0(small_bench(emergency_stop=channel)).after_ms(10) == bits


@pytest.mark.parametrize(("inverted", "bits"), [(False, 1 << 5), (True, 0)])
def test_supply_is_there_from_the_start_without_a_contactor(inverted: bool, bits: int) -> None:
    channel = SpecialChannel(board="IO1", channel=5, inverted=inverted)
    assert Bench0(small_bench(supply_present=channel)).after_ms(0) == bits


def by_hand(bench: Bench0, **positions: str) -> None:
    channels = hand_channels(bench.rig.bench.hand_set, bench.rig.panel.positions)
    outputs = hand_outputs(channels, positions)
    bench.rig.write(HAND, sum(1 << k for k, on in outputs.items() if on))


def test_hands_open_a_breaker() -> None:
    bench = Bench0(small_bench(hand_set=("F1", "main")))
    bench.rig.write("IO1", 1)
    assert bench.after_ms(100) == R1 | Y4
    by_hand(bench, F1="open")
    assert bench.after_ms(100) == 0
    by_hand(bench)
    assert bench.after_ms(100) == R1 | Y4


def test_hands_set_the_supply() -> None:
    """K1 picks up at 16 V and stays down to 3 V; R1 reads on at 17 V and above here."""
    inputs = (probe("DI0", 0, "R1", ("R1:1", "R1:2"), on_v=25.0, off_v=17.0), small_bench().inputs[1])
    bench = Bench0(small_bench(hand_set=("F1", "main"), inputs=inputs))
    bench.rig.write("IO1", 1)
    assert bench.after_ms(100) == Y4  # 24 V
    by_hand(bench, main="highest")  # 30 V
    assert bench.after_ms(100) == R1 | Y4
    by_hand(bench, main="lowest")  # 18 V
    assert bench.after_ms(100) == R1 | Y4
    by_hand(bench, main="nominal")
    assert bench.after_ms(100) == R1 | Y4


def test_hands_wait_for_the_contactor() -> None:
    contactor = SpecialChannel(board="IO1", channel=3)
    bench = Bench0(small_bench(hand_set=("main",), contactor=contactor))
    by_hand(bench, main="highest")
    bench.rig.write("IO1", 1)
    assert bench.after_ms(100) == 0
    bench.rig.write("IO1", 0b1001)
    assert bench.after_ms(100) == R1 | Y4


def test_hands_move_the_own_contacts_of_a_device() -> None:
    inputs = (probe("DI0", 0, "R9", ("R9:1", "R9:2")),)
    bench = Bench0(small_bench(hand_set=("S9",), inputs=inputs))
    assert bench.after_ms(0) == 1
    by_hand(bench, S9="pressed")
    assert bench.after_ms(0) == 0
    by_hand(bench, S9="released")
    assert bench.after_ms(0) == 1


def test_device_that_nothing_moves_is_an_open_circuit() -> None:
    bench = Bench0(small_bench(inputs=(probe("DI0", 0, "R9", ("R9:1", "R9:2")),)))
    assert bench.after_ms(100) == 0


def test_hands_reset_a_relay() -> None:
    """A hand-reset relay stays picked up until its device is in a resetting position."""
    held = relay("K2", {"13-14": "make"}, kind="hand-reset", reset_by="S9", reset_in=frozenset({"pressed"}))
    shown = panel(
        [button("S1", {"13-14": "make"}), button("S9", {"11-12": "break"}), held],
        "W1 L+ S1:13 K2:13\n W2 S1:14 K2:A1\n W3 K2:14 X1:1\n W6 L- K2:A2",
    )
    bench = Bench0(small_bench(hand_set=("S9",), inputs=(probe("DI0", 0, "K2", ("X1:1", "L-")),)), shown)
    bench.rig.write("IO1", 1)
    assert bench.after_ms(100) == 1
    bench.rig.write("IO1", 0)
    assert bench.after_ms(100) == 1
    by_hand(bench, S9="pressed")
    assert bench.after_ms(100) == 0


def test_one_thing_in_two_positions_is_refused() -> None:
    bench = Bench0(small_bench(hand_set=("F1",)))
    with pytest.raises(ValueError, match="F1 cannot be in closed and open at once"):
        bench.rig.write(HAND, 0b11)
    assert bench.rig.outputs(HAND) == 0


@pytest.mark.parametrize(
    ("faults", "bits"),
    [
        ([], R1 | Y4),
        (["K1 coil open"], R1),
        (["W3 open S1:14-R1:1"], 0),
        (["K1 coil open", "R1 open"], R1),  # the wire to it still carries the voltage
        (["W4 open K1:14-Y4:1"], R1),
    ],
    ids=str,
)
def test_faults_are_in_the_panel(faults: list[str], bits: int) -> None:
    bench = Bench0(small_bench(), faults=faults)
    bench.rig.write("IO1", 1)
    assert bench.after_ms(100) == bits


def test_unknown_fault_is_named() -> None:
    with pytest.raises(UsageError, match="fault 'K9 coil open': panel TH-T1 has no such fault"):
        Bench0(small_bench(), faults=["K9 coil open"])


def test_bench_without_a_board() -> None:
    with pytest.raises(BenchError, match="bench TH-B9: no board; a simulated bench needs at least one"):
        Bench0(small_bench(boards=(), inputs=(), outputs=(), hand_set=("F1",)))


def history(seed: int) -> list[int]:
    bench = Bench0(small_bench(boards=(board(output_delay_s=Span(0.0, 0.008)),)), seed=seed)
    seen = []
    for k in range(400):
        bench.rig.write("IO1", k // 50 & 1)
        seen.append(bench.after_ms(1))
    return seen


def test_same_seed_same_history() -> None:
    assert history(7) == history(7)
    assert history(7) != history(8)


def test_relay_that_interrupts_itself_does_not_stop_the_bench() -> None:
    """A buzzing relay has thousands of events; a long pause is still walked through in full."""
    buzzer = relay("K1", {"21-22": "break"}, operate_s=Span(0.01, 0.01), release_s=Span(0.01, 0.01))
    shown = panel(
        [button("S1", {"13-14": "make"}), buzzer],
        "W1 L+ S1:13\n W2 S1:14 K1:21\n W3 K1:22 K1:A1\n W4 L- K1:A2",
    )
    bench = Bench0(small_bench(inputs=(probe("DI0", 0, "K1", ("K1:A1", "K1:A2")),)), shown)
    bench.rig.write("IO1", 1)
    bench.after_ms(10_000)
    assert {bench.after_ms(1) for _ in range(100)} == {0, 1}


def test_hand_board_is_made_only_where_it_is_needed() -> None:
    assert set(Bench0(small_bench()).rig.specs) == {"IO1"}
    spec = Bench0(small_bench(hand_set=("F1", "main", "F1"))).rig.specs[HAND]
    assert (spec.output_count, spec.input_count) == (5, 0)


def test_own_wetting_voltage_is_seen_without_the_supply() -> None:
    """A dry-contact input on K1's make contact reads the armature, supply or not."""
    shown = replace(small_panel(), wires=tuple(w for w in small_panel().wires if w.tag != "W4"))
    dry = probe("DI0", 0, "K1", ("K1:13", "K1:14"), wetting_v=24.0, on_v=15.0)
    wires = tuple(replace(w, terminals=tuple(t for t in w.terminals if t != "K1:13")) for w in shown.wires)
    bench = Bench0(small_bench(inputs=(dry,)), replace(shown, wires=wires))
    assert bench.after_ms(10) == 0
    bench.rig.write("IO1", 1)
    assert bench.after_ms(100) == 1
