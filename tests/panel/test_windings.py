"""Coils in time: published problems, suppression, stated times, temperature."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from moving import MS, SWITCH, S, bare, energise, moved_at, switched
from small_panels import SUPPLY, coil, panel, relay, resistor

from harness.panel.armature import Drawn, decay_s, rise_s
from harness.panel.motion import Motion
from harness.panel.parts import Diode, OuterContact, Span, Supply


class TestPublishedRL:
    """Reference values of textbook problems; contact and wire resistance are 1 milliohm here."""

    @pytest.mark.parametrize(
        ("ohm", "henry", "volts", "at_s", "amperes", "within"),
        [
            pytest.param(20.0, 0.30, 90.0, 0.050, 4.339, 1e-3, id="20 ohm, 0.30 H, 90 V, 50 ms: 4.3 A"),
            pytest.param(250.0, 0.12, 45.0, 4.8e-4, 0.11378, 1e-5, id="250 ohm, 0.12 H, 45 V, one tau"),
            pytest.param(60.0, 45e-3, 15.0, 7.0e-3, 0.24998, 1e-5, id="60 ohm, 45 mH, 15 V, 7 ms"),
            pytest.param(9.8775, 49.387e-3, 20.0, 5.2e-4, 0.2, 1e-4, id="relay on 20 V, 0.52 ms: 200 mA"),
        ],
    )
    def test_current_after_energising(
        self, ohm: float, henry: float, volts: float, at_s: float, amperes: float, within: float
    ) -> None:
        motion = energise(bare(ohm, henry), volts)
        motion.advance_to(round(at_s * S))
        assert motion.coil_current_a("Y1") == pytest.approx(amperes, abs=within)

    def test_current_after_disconnecting_through_a_short_is_one_over_e_squared(self) -> None:
        """7.50 mH, 3.00 ohm, 10.0 A, 5.00 ms later: 1.35 A. The short is a closed contact across the coil."""
        short = OuterContact(name="short", terminals=("c", "L-"), resistance_ohm=1e-3)
        motion = Motion(switched(bare(3.0, 7.5e-3), volts=30.01), outer=(SWITCH, short))
        motion.set_outer({"S": True})
        motion.advance_to(S)
        motion.set_outer({"S": False, "short": True})
        motion.advance_to(S + 5 * MS)
        assert motion.coil_current_a("Y1") == pytest.approx(1.3534, abs=2e-3)

    @pytest.mark.parametrize(
        ("series_ohm", "at_ms"),
        [pytest.param(0.0, 0.52, id="alone"), pytest.param(40.0, 0.6839, id="40 ohm in series")],
    )
    def test_operate_threshold_is_reached(self, series_ohm: float, at_ms: float) -> None:
        """The relay that operates on 20 V DC at 0.52 ms at 200 mA, tau 5 ms; then with 40 ohm in series."""
        feed = replace(SWITCH, resistance_ohm=series_ohm or 1e-3)
        motion = Motion(switched(bare(9.8775, 49.387e-3, pick_up_a=0.2), volts=20.0), outer=(feed,))
        motion.set_outer({"S": True})
        motion.settle()
        assert moved_at(motion, "Y1", "energised") / MS == pytest.approx(at_ms, abs=2e-4)


class TestSuppression:
    """Regression vector, computed apart from this program: L 1.2 H, R 120 ohm, 0.1 A down to 0.03 A.

    The coil's own suppression diode has 0.05 ohm of its own (0.05 % of the loop).
    """

    COIL = bare(120.0, 1.2, pick_up_a=0.07, drop_out_a=0.03)

    def release(self, motion: Motion) -> float:
        """Milliseconds from opening SWITCH until the load is de-energised."""
        motion.settle()
        opened = motion.now_ns
        assert motion.coil_current_a("Y1") == pytest.approx(0.1, rel=1e-4)
        motion.set_outer({"S": False})
        motion.settle()
        return (moved_at(motion, "Y1", "de-energised") - opened) / MS

    @pytest.mark.parametrize(
        ("suppression", "ohm", "release_ms"),
        [
            pytest.param("diode", 0.0, 10.830, id="0.7 V diode"),
            pytest.param("resistor", 680.0, 1.806, id="680 ohm"),
        ],
    )
    def test_own_suppression(self, suppression: str, ohm: float, release_ms: float) -> None:
        part = replace(self.COIL, suppression=suppression, suppression_ohm=ohm)
        assert self.release(energise(part, 12.0)) == pytest.approx(release_ms, rel=6e-4)

    def test_a_short_across_the_coil(self) -> None:
        short = OuterContact(name="short", terminals=("c", "L-"), resistance_ohm=1e-3)
        motion = Motion(switched(self.COIL, volts=12.0), outer=(SWITCH, short))
        motion.set_outer({"S": True})
        motion.settle()
        opened = motion.now_ns
        motion.set_outer({"S": False, "short": True})
        motion.settle()
        assert (moved_at(motion, "Y1", "de-energised") - opened) / MS == pytest.approx(12.040, abs=1e-3)

    def test_diode_with_a_resistor_in_series(self) -> None:
        made = switched(self.COIL, volts=12.0, extra="W3 L- V1:A\nW4 c R1:2\nW5 V1:K R1:1")
        made = replace(made, diodes=(Diode(tag="V1", anode="V1:A", cathode="V1:K", on_ohm=1e-3),),
                       resistors=(resistor("R1", 120.0),))  # fmt: skip
        motion = Motion(made, outer=(SWITCH,))
        motion.set_outer({"S": True})
        assert self.release(motion) == pytest.approx(5.700, abs=2e-3)

    def test_diode_and_zener(self) -> None:
        """24 V zener and diode as one characteristic that conducts from 24.7 V."""
        made = switched(self.COIL, volts=12.0, extra="W3 L- V1:A\nW4 c V1:K")
        part = Diode(tag="V1", anode="V1:A", cathode="V1:K", forward_v=24.7, on_ohm=1e-3)
        motion = Motion(replace(made, diodes=(part,)), outer=(SWITCH,))
        motion.set_outer({"S": True})
        assert self.release(motion) == pytest.approx(2.599, abs=1e-3)

    def test_peak_across_a_parallel_resistor(self) -> None:
        """0.1 A through 680 ohm: 68 V, A1 negative against A2."""
        motion = energise(replace(self.COIL, suppression="resistor", suppression_ohm=680.0), 12.0)
        motion.settle()
        motion.set_outer({"S": False})
        assert motion.voltages()["Y1:1"] == pytest.approx(-68.0, abs=0.01)

    def test_energising_to_70_ma(self) -> None:
        motion = energise(self.COIL, 12.0)
        motion.settle()
        assert moved_at(motion, "Y1", "energised") / MS == pytest.approx(12.040, abs=1e-3)

    def test_without_suppression_the_current_is_gone_at_once(self) -> None:
        """Only the leak of 1 nS carries it: microseconds, and every value stays finite."""
        assert self.release(motion := energise(self.COIL, 12.0)) < 1e-3
        assert motion.coil_current_a("Y1") == pytest.approx(0.0, abs=1e-6)
        assert math.isfinite(motion.voltages()["Y1:1"])

    @pytest.mark.parametrize(
        ("changes", "expected_ms"),
        [
            pytest.param({"suppression": "none"}, 0.0, id="none"),
            pytest.param({"suppression": "resistor", "suppression_ohm": 680.0}, 1.806, id="680 ohm"),
            pytest.param({"suppression": "diode"}, 10.830, id="diode"),
        ],
    )
    def test_stated_release_time_is_reduced_by_this_decay(
        self, changes: dict[str, object], expected_ms: float
    ) -> None:
        part = replace(self.COIL, **changes)  # type: ignore[arg-type]
        assert decay_s(part, 12.0) * 1e3 == pytest.approx(expected_ms, rel=6e-4)
        assert rise_s(part, 12.0) * 1e3 == pytest.approx(12.040, abs=1e-3)


class TestStatedTimes:
    """At nominal supply and 20 C a relay alone on the supply meets its stated times exactly."""

    @pytest.mark.parametrize("suppression", ["none", "diode", "resistor"])
    def test_operate_and_release_at_mid_range(self, suppression: str) -> None:
        own = coil("K1", suppression=suppression, suppression_ohm=1000.0)
        slow = relay("K1", {}, coils=(own,), operate_s=Span(0.018, 0.022), release_s=Span(0.03, 0.05))
        motion = Motion(switched(slow), outer=(SWITCH,))
        motion.set_outer({"S": True})
        motion.settle()
        opened = motion.now_ns
        motion.set_outer({"S": False})
        motion.settle()
        assert moved_at(motion, "K1", "picked up") / MS == pytest.approx(20.0, abs=1e-3)
        assert (moved_at(motion, "K1", "dropped out") - opened) / MS == pytest.approx(40.0, abs=1e-3)

    def test_lower_supply_is_slower_by_the_difference_of_the_rises(self) -> None:
        motion = Motion(switched(relay("K1", {})), outer=(SWITCH,))
        motion.set_supply("main", 18.0)
        motion.set_outer({"S": True})
        motion.settle()
        expected = 0.015 - rise_s(coil("K1"), 24.0) + rise_s(coil("K1"), 18.0)
        assert moved_at(motion, "K1", "picked up") / S == pytest.approx(expected, abs=1e-6)

    def test_armature_time_is_never_negative(self) -> None:
        """A stated time shorter than the coil's own rise: the armature follows the current at once."""
        motion = Motion(switched(relay("K1", {}, operate_s=Span(0, 0))), outer=(SWITCH,))
        motion.set_outer({"S": True})
        motion.settle()
        assert moved_at(motion, "K1", "picked up") / S == pytest.approx(rise_s(coil("K1"), 24.0), abs=2e-6)

    def test_the_nearest_supply_is_nominal(self) -> None:
        """A 110 V relay beside the 24 V supply: its times hold at 110 V."""
        aux = Supply(tag="aux", positive="M+", negative="L-", nominal_v=110.0, range_v=Span(77, 137))
        own = coil("K1", resistance_ohm=5000.0, pick_up_v=60.0, inductance_h=20.0)
        made = panel([relay("K1", {}, coils=(own,))], "W1 S K1:A1\nW2 L- K1:A2", supplies=(SUPPLY, aux))
        motion = Motion(made, outer=(OuterContact(name="S", terminals=("M+", "S")),))
        motion.set_outer({"S": True})
        motion.settle()
        assert moved_at(motion, "K1", "picked up") / MS == pytest.approx(15.0, abs=1e-3)

    def test_drawn_times_stay_in_range_and_differ(self) -> None:
        motion = Motion(switched(relay("K1", {})), outer=(SWITCH,), times=Drawn(random.Random(5)))
        found = list[float]()
        for _ in range(30):
            start = motion.now_ns
            motion.set_outer({"S": True})
            motion.settle()
            found.append((moved_at(motion, "K1", "picked up") - start) / MS)
            motion.set_outer({"S": False})
            motion.settle()
        assert min(found) >= 10.0 - 1e-3
        assert max(found) <= 20.0 + 1e-3
        assert max(found) - min(found) > 5.0


class TestTemperature:
    def test_pick_up_voltage_grows_with_copper(self) -> None:
        """Pick-up 13.0 V at 25 C becomes 18.0 V at 125 C (published example of a relay maker's note)."""
        at_20 = 254.5 / 259.5
        own = coil("K1", resistance_ohm=320 * at_20, pick_up_v=13.0 * at_20)
        for celsius, volts in ((25.0, 13.0), (125.0, 18.01)):
            for change, up in ((-0.01, False), (+0.01, True)):
                motion = Motion(switched(relay("K1", {}, coils=(own,))), outer=(SWITCH,),
                                coil_temperature_c=celsius)  # fmt: skip
                motion.set_supply("main", volts + change)
                motion.set_outer({"S": True})
                motion.settle()
                assert motion.states()["K1"] is up, (celsius, volts + change)

    def test_drop_out_voltage_grows_with_copper(self) -> None:
        """The same law for drop-out (current constant): 3.0 V at 20 C becomes 3.0 x 319.5 / 254.5 at 85 C."""
        for change, up in ((+0.01, True), (-0.01, False)):
            motion = Motion(switched(relay("K1", {})), outer=(SWITCH,), coil_temperature_c=85.0)
            motion.set_outer({"S": True})
            motion.settle()
            motion.set_supply("main", 3.0 * 319.5 / 254.5 + change)
            motion.settle()
            assert motion.states()["K1"] is up

    def test_hot_coil_at_the_lowest_supply_fails_to_pick_up(self) -> None:
        """16 V at 20 C is 20.1 V at 85 C: 18 V is enough cold, not hot."""
        for celsius, up in ((20.0, True), (85.0, False)):
            motion = Motion(switched(relay("K1", {})), outer=(SWITCH,), coil_temperature_c=celsius)
            motion.set_supply("main", 18.0)
            motion.set_outer({"S": True})
            motion.settle()
            assert motion.states()["K1"] is up
