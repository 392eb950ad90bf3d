"""What a motion is told and what it shows: settings, probes, copies, how often one looks."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from moving import MS, SWITCH, S, bare, happened, set_to, switched
from small_panels import breaker, button, coil, load, panel, relay, resistor, wires

from harness.panel.motion import Motion, Movement, device_contacts
from harness.panel.parts import OuterContact, Probe


class TestProbes:
    def watched(self, **changes: object) -> Motion:
        base = Probe(name="DI0", terminals=("c", "L-"), resistance_ohm=1e6, on_v=15.0, off_v=5.0)
        probe = replace(base, **changes)  # type: ignore[arg-type]
        made = panel([resistor("R1", 1000.0)], "W1 c R1:1\nW2 L- R1:2")
        return Motion(made, outer=(replace(SWITCH, resistance_ohm=0.05),), probes=(probe,))

    def test_thresholds_with_hysteresis(self) -> None:
        motion = self.watched()
        motion.set_outer({"S": True})
        for volts, on in ((14.9, False), (15.1, True), (5.1, True), (4.9, False), (14.9, False)):
            motion.set_supply("main", volts)
            assert motion.probes_on() == {"DI0": on}, volts
            assert motion.probe_word() == int(on)

    @pytest.mark.parametrize("both", [True, False])
    def test_polarity(self, both: bool) -> None:
        motion = self.watched(terminals=("L-", "c"), both_polarities=both)
        motion.set_outer({"S": True})
        assert motion.probes_on()["DI0"] is both

    def test_a_change_shows_after_the_filter_time(self) -> None:
        motion = self.watched(filter_s=0.003)
        motion.set_outer({"S": True})
        for at, on in ((0, False), (2_999_999, False), (3_000_000, True)):
            motion.advance_to(at)
            assert motion.probes_on()["DI0"] is on, at

    def test_what_lasts_less_than_the_filter_time_never_shows(self) -> None:
        motion = self.watched(filter_s=0.003)
        shown = set[bool]()
        for at, closed in ((0, True), (2 * MS, False), (4 * MS, True), (6 * MS, False)):
            motion.advance_to(at)
            motion.set_outer({"S": closed})
            shown.add(motion.probes_on()["DI0"])
        motion.advance_to(20 * MS)
        assert shown | {motion.probes_on()["DI0"]} == {False}

    def test_wetted_input_reads_a_dry_contact(self) -> None:
        probe = Probe(name="DI0", terminals=("X1:1", "X1:2"), resistance_ohm=4700.0, on_v=15.0, off_v=5.0,
                      wetting_v=24.0)  # fmt: skip
        made = panel([button("S1", {"13-14": "make"})], "W1 S1:13 X1:1\nW2 S1:14 X1:2\nW3 L+ X1:9")
        motion = Motion(made, outer=device_contacts(made), probes=(probe,))
        for position, on in (("released", False), ("pressed", True), ("released", False)):
            set_to(motion, S1=position)
            assert motion.probes_on()["DI0"] is on

    def test_a_sensitive_input_reads_on_though_the_relay_has_not_picked_up(self) -> None:
        """Half voltage at the coil: the channel proves a voltage, not the relay."""
        probe = Probe(name="DI0", terminals=("K1:A1", "L-"), resistance_ohm=1e6, on_v=8.0, off_v=5.0)
        feed = replace(SWITCH, resistance_ohm=480.0)
        motion = Motion(switched(relay("K1", {})), outer=(feed,), probes=(probe,))
        motion.set_outer({"S": True})
        motion.settle()
        assert (motion.probes_on()["DI0"], motion.states()["K1"]) == (True, False)

    def test_bits_are_in_the_order_of_the_probes(self) -> None:
        probes = tuple(
            Probe(name=f"DI{k}", terminals=(high, "L-"), resistance_ohm=1e6, on_v=15, off_v=5)
            for k, high in enumerate(["c", "L+", "c", "L-"])
        )
        motion = Motion(switched(relay("K1", {})), outer=(SWITCH,), probes=probes)
        assert motion.probe_word() == 0b0010
        motion.set_outer({"S": True})
        assert motion.probe_word() == 0b0111


class TestSettings:
    def test_breaker_inside_and_supply_levels(self) -> None:
        made = panel([breaker("F1"), load("Y1")], "W1 L+ F1:1\nW2 F1:2 Y1:1\nW3 L- Y1:2")
        motion = Motion(made)
        for tag, position, on in (("F1", "closed", True), ("F1", "open", False), ("F1", "closed", True)):
            motion.set_position(tag, position)
            motion.settle()
            assert motion.states()["Y1"] is on
        motion.set_position("main", "lowest")
        motion.settle()
        assert motion.voltages()["L+"] == 18.0

    @pytest.mark.parametrize(
        ("call", "error"),
        [
            pytest.param(lambda m: m.set_position("S7", "open"), KeyError, id="unknown tag"),
            pytest.param(lambda m: m.set_position("F1", "ajar"), ValueError, id="unknown position"),
            pytest.param(lambda m: m.set_outer({"DO9": True}), KeyError, id="unknown contact"),
            pytest.param(lambda m: m.set_outer({"F1": True}), KeyError, id="a breaker is no outer contact"),
            pytest.param(lambda m: m.set_supply("aux", 1.0), KeyError, id="unknown supply"),
            pytest.param(lambda m: m.coil_current_a("K9"), KeyError, id="unknown coil"),
            pytest.param(lambda m: m.advance_to(-1), ValueError, id="time gone by"),
        ],
    )
    def test_refused(self, call: object, error: type[Exception]) -> None:
        motion = Motion(panel([breaker("F1")], "W1 L+ F1:1"))
        with pytest.raises(error):
            call(motion)  # type: ignore[operator]

    def test_settings_at_one_moment_act_together(self) -> None:
        """One feed of a lamp is opened and another closed at the same moment: it does not flicker."""
        two = [OuterContact(name=n, terminals=("L+", "c"), resistance_ohm=0.05) for n in "ab"]
        motion = Motion(switched(bare(240.0, 0.0, pick_up_a=0.05)), outer=two)
        motion.set_outer({"a": True})
        motion.settle()
        motion.set_outer({"a": False})
        motion.set_outer({"b": True})
        motion.settle()
        assert happened(motion) == [("Y1", "energised")]

    def test_observer_sees_each_movement(self) -> None:
        seen = list[Movement]()
        motion = Motion(switched(relay("K1", {})), outer=(SWITCH,), start_ns=5 * S, on_movement=seen.append)
        motion.set_outer({"S": True})
        motion.settle()
        assert seen == motion.movements
        assert [(m.of, m.what) for m in seen] == [("K1", "picked up")]
        assert seen[0].at_ns == pytest.approx(5 * S + 15 * MS, abs=2000)

    def test_a_copy_goes_its_own_way(self) -> None:
        motion = Motion(switched(relay("K1", {})), outer=(SWITCH,))
        motion.set_outer({"S": True})
        motion.advance_to(10 * MS)
        other = motion.copy()
        other.set_outer({"S": False})
        other.settle()
        motion.settle()
        assert (motion.states()["K1"], other.states()["K1"]) == (True, False)
        assert len(motion.movements) == 1
        assert other.movements == []

    def test_floating_terminals_are_told(self) -> None:
        motion = Motion(switched(relay("K1", {"13-14": "make"})), outer=(SWITCH,))
        assert {"K1:13", "K1:14"} <= motion.floating()
        assert "K1:A1" not in motion.floating()


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 40), st.booleans(), st.booleans()), min_size=1, max_size=12), st.data()
)
def test_how_often_one_looks_changes_nothing(
    steps: list[tuple[int, bool, bool]], data: st.DataObject
) -> None:
    """Advancing in many small steps or in one gives the same movements to the nanosecond."""
    own = coil("K1", suppression="diode")
    made = panel(
        [relay("K1", {"13-14": "make", "21-22": "break"}, coils=(own,), gap_s=0.001), load("Y1"), load("Y2")],
        "W1 c K1:A1\nW2 d K1:13 K1:21\nW3 K1:14 Y1:1\nW4 K1:22 Y2:1\nW5 L- K1:A2 Y1:2 Y2:2",
    )
    outer = (SWITCH, OuterContact(name="D", terminals=("L+", "d")))
    rough, fine = Motion(made, outer=outer), Motion(made, outer=outer)
    at = 0
    for wait, first, second in steps:
        for motion in (rough, fine):
            motion.set_outer({"S": first, "D": second})
        at += wait * MS
        for between in sorted(data.draw(st.lists(st.integers(rough.now_ns, at), max_size=5))):
            fine.advance_to(between)
            fine.voltages()
        rough.advance_to(at)
        fine.advance_to(at)
    assert rough.movements == fine.movements
    assert rough.voltages() == pytest.approx(fine.voltages(), abs=1e-9)


def test_wire_hop_open_takes_the_coil_away() -> None:
    made = switched(relay("K1", {}))
    broken = replace(
        made, wires=tuple(replace(w, open_hops=frozenset({0})) for w in made.wires[:1]) + wires("W2 L- K1:A2")
    )
    motion = Motion(broken, outer=(SWITCH,))
    motion.set_outer({"S": True})
    motion.settle()
    assert motion.states()["K1"] is False
