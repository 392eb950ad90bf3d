"""Relays in motion: kinds, cancellation, order of contacts, buzz."""

from __future__ import annotations

import random
from typing import ClassVar

import pytest
from moving import MS, SWITCH, S, happened, moved_at, set_to, started, switched
from small_panels import button, coil, panel, relay, resistor

from harness.panel.armature import Drawn
from harness.panel.motion import Motion
from harness.panel.parts import OuterContact, Span

SEAL_IN = """
W1 L+ S1:21
W2 S1:22 S2:13 K1:13
W3 S2:14 K1:14 K1:A1
W4 L- K1:A2
"""


class TestPlainRelay:
    def seal_in(self) -> Motion:
        parts = [
            button("S1", {"21-22": "break"}),
            button("S2", {"13-14": "make"}),
            relay("K1", {"13-14": "make"}),
        ]
        return started(panel(parts, SEAL_IN))

    def test_seals_in_and_is_stopped(self) -> None:
        motion = self.seal_in()
        assert motion.states() == {"K1": False}
        for positions, up in (({"S2": "pressed"}, True), ({}, True), ({"S1": "pressed"}, False), ({}, False)):
            set_to(motion, **positions)
            assert motion.settle().settled
            assert motion.states() == {"K1": up}

    def test_a_short_press_is_cancelled(self) -> None:
        """Past the pick-up current but shorter than the armature needs: nothing moves."""
        motion = self.seal_in()
        start = set_to(motion, S2="pressed")
        motion.advance_to(start + 12 * MS)
        assert motion.coil_current_a("K1") > 16 / 480
        set_to(motion)
        motion.settle()
        assert happened(motion) == []

    def test_a_short_interruption_is_ridden_through(self) -> None:
        """The current falls below drop-out and comes back before the armature has left."""
        motion = self.seal_in()
        set_to(motion, S2="pressed")
        motion.settle()
        start = set_to(motion, S1="pressed", S2="pressed")
        motion.advance_to(start + 6 * MS)
        assert motion.coil_current_a("K1") < 3 / 480
        set_to(motion, S2="pressed")
        motion.settle()
        assert happened(motion) == [("K1", "picked up")]

    def test_held_through_a_series_resistor_but_not_picked_up(self) -> None:
        """24 V over 1000 ohm + 480 ohm leaves 7.8 V: above drop-out (3 V), below pick-up (16 V)."""
        parts = [button("S1", {"13-14": "make"}), resistor("R1", 1000.0), relay("K1", {})]
        motion = started(panel(parts, "W1 L+ S1:13 R1:1\nW2 S1:14 R1:2 K1:A1\nW3 L- K1:A2"))
        assert motion.states()["K1"] is False
        for positions in ({"S1": "pressed"}, {}):
            set_to(motion, **positions)
            motion.settle()
            assert motion.states()["K1"] is True
        assert motion.voltages()["K1:A1"] == pytest.approx(24 * 480 / 1480, abs=0.01)

    def test_supply_off_drops_everything(self) -> None:
        motion = self.seal_in()
        set_to(motion, S2="pressed")
        motion.settle()
        motion.set_supply("main", 0.0)
        motion.settle()
        assert motion.states()["K1"] is False
        motion.set_position("main", "nominal")
        motion.settle()
        assert motion.states()["K1"] is True

    def test_a_reversed_coil_pulls_all_the_same(self) -> None:
        made = panel([relay("K1", {})], "W1 L- K1:A1\nW2 S K1:A2")
        motion = Motion(made, outer=(OuterContact(name="S", terminals=("L+", "S")),))
        for state in (True, False):
            motion.set_outer({"S": state})
            motion.settle()
            assert motion.states()["K1"] is state

    @pytest.mark.parametrize(("armature", "up"), [("stuck picked up", True), ("stuck dropped out", False)])
    def test_stuck_armature(self, armature: str, up: bool) -> None:
        stuck = relay("K1", {"13-14": "make", "21-22": "break"}, armature=armature)
        motion = Motion(switched(stuck), outer=(SWITCH,))
        for state in (True, False):
            motion.set_outer({"S": state})
            motion.settle()
            assert motion.states()["K1"] is up
            assert motion.closed() - {"S"} == ({"K1.13-14"} if up else {"K1.21-22"})

    @pytest.mark.parametrize(("kind", "closed"), [("always closed", True), ("always open", False)])
    def test_contact_that_never_moves(self, kind: str, closed: bool) -> None:
        motion = Motion(switched(relay("K1", {"13-14": kind}, gap_s=0.002)), outer=(SWITCH,))  # type: ignore[dict-item]
        motion.set_outer({"S": True})
        while motion.next_event_ns is not None:
            motion.advance_to(motion.next_event_ns)
            assert ("K1.13-14" in motion.closed()) is closed
        assert motion.states()["K1"] is True


class TestContactOrder:
    CONTACTS: ClassVar[dict[str, str]] = {"13-14": "make", "21-22": "break", "31-32-34": "change-over"}

    def trace(self, motion: Motion) -> list[tuple[float, set[str]]]:
        """Milliseconds from now, and what is closed from then on, whenever that changes."""
        start, found = motion.now_ns, list[tuple[float, set[str]]]()
        closed = motion.closed()
        while motion.next_event_ns is not None:
            motion.advance_to(motion.next_event_ns)
            if motion.closed() != closed:
                closed = motion.closed()
                found.append((round((motion.now_ns - start) / MS, 3), {n for n in closed if n != "S"}))
        return found

    def moving(self, **changes: object) -> Motion:
        own = relay("K1", self.CONTACTS, gap_s=0.002, **changes)  # type: ignore[arg-type]
        times = Drawn(random.Random(1)) if "bounce_s" in changes else None
        motion = Motion(switched(own), outer=(SWITCH,), **({"times": times} if times else {}))  # type: ignore[arg-type]
        motion.set_outer({"S": True})
        return motion

    def test_breaks_open_a_gap_before_makes_close(self) -> None:
        """Operate time runs to the last make closed, release to the last break closed (MIL-R-5757J 6.8)."""
        motion = self.moving()
        assert self.trace(motion) == [(13.0, set()), (15.0, {"K1.13-14", "K1.31-34"})]
        motion.set_outer({"S": False})
        assert self.trace(motion) == [(8.0, set()), (10.0, {"K1.21-22", "K1.31-32"})]

    def test_once_begun_a_movement_is_completed(self) -> None:
        """The coil loses its feed while contacts travel: they arrive, then turn back after a release time."""
        motion = self.moving()
        motion.advance_to(14 * MS)
        motion.set_outer({"S": False})
        assert motion.settle().settled
        assert [(m.what, round(m.at_ns / MS, 3)) for m in motion.movements] == [
            ("picked up", 15.0),
            ("dropped out", 25.0),
        ]

    def test_bounce_opens_twice_and_ends_at_the_stated_time(self) -> None:
        motion = self.moving(bounce_s=0.004, operate_s=Span(0.015, 0.015))
        makes = {"K1.13-14", "K1.31-34"}
        assert self.trace(motion) == [
            (13.0, set()), (15.0, makes), (16.0, set()), (17.0, makes), (17.5, set()), (19.0, makes),
        ]  # fmt: skip

    def test_bounce_only_where_times_ask_for_it(self) -> None:
        motion = Motion(switched(relay("K1", self.CONTACTS, bounce_s=0.004)), outer=(SWITCH,))  # type: ignore[arg-type]
        motion.set_outer({"S": True})
        assert self.trace(motion) == [(15.0, {"K1.13-14", "K1.31-34"})]


class TestRelayKinds:
    def delayed(self, kind: str) -> Motion:
        slow = relay("K1", {}, kind=kind, delay_s=Span(1.0, 3.0))
        return Motion(switched(slow), outer=(SWITCH,))

    def test_delayed_pick_up(self) -> None:
        motion = self.delayed("delayed pick-up")
        motion.set_outer({"S": True})
        motion.settle()
        assert moved_at(motion, "K1", "picked up") / MS == pytest.approx(2015.0, abs=1e-3)
        opened = motion.now_ns
        motion.set_outer({"S": False})
        motion.settle()
        assert (moved_at(motion, "K1", "dropped out") - opened) / MS == pytest.approx(10.0, abs=1e-3)

    def test_an_interruption_starts_the_delay_again(self) -> None:
        motion = self.delayed("delayed pick-up")
        motion.set_outer({"S": True})
        motion.advance_to(1900 * MS)
        motion.set_outer({"S": False})
        motion.advance_to(2000 * MS)
        motion.set_outer({"S": True})
        motion.settle()
        assert moved_at(motion, "K1", "picked up") / MS == pytest.approx(4015.0, abs=1e-3)

    def test_delayed_drop_out(self) -> None:
        motion = self.delayed("delayed drop-out")
        motion.set_outer({"S": True})
        motion.settle()
        opened = motion.now_ns
        motion.set_outer({"S": False})
        motion.settle()
        assert (moved_at(motion, "K1", "dropped out") - opened) / MS == pytest.approx(2010.0, abs=1e-3)

    def latching(self) -> Motion:
        two = (coil("K1"), coil("K1", "B1 B2"))
        made = panel(
            [button("S1", {"13-14": "make"}), button("S2", {"13-14": "make"}),
             relay("K1", {"13-14": "make"}, kind="latching", coils=two)],
            "W1 L+ S1:13 S2:13\nW2 S1:14 K1:A1\nW3 S2:14 K1:B1\nW4 L- K1:A2 K1:B2",
        )  # fmt: skip
        return started(made)

    def test_latching_keeps_its_place_without_current(self) -> None:
        motion = self.latching()
        for positions, up in (({"S1": "pressed"}, True), ({}, True), ({"S2": "pressed"}, False), ({}, False)):
            set_to(motion, **positions)
            motion.settle()
            assert motion.states()["K1"] is up
        motion.set_supply("main", 0.0)
        motion.settle()
        assert motion.states()["K1"] is False

    @pytest.mark.parametrize("first", ["S1", "S2"])
    def test_both_coils_of_a_latching_relay_move_nothing_and_are_reported(self, first: str) -> None:
        motion = self.latching()
        set_to(motion, **{first: "pressed"})
        motion.settle()
        before = motion.states()
        start = set_to(motion, S1="pressed", S2="pressed")
        motion.settle()
        assert happened(motion, start) == [("K1", "both coils energised")]
        assert motion.states() == before

    def hand_reset(self) -> Motion:
        made = panel(
            [button("S1", {"13-14": "make"}), button("S9", {"13-14": "make"}),
             relay("K1", {}, kind="hand-reset", reset_by="S9", reset_in=frozenset({"pressed"}))],
            "W1 L+ S1:13\nW2 S1:14 K1:A1\nW3 L- K1:A2",
        )  # fmt: skip
        return started(made)

    def test_hand_reset_stays_until_reset(self) -> None:
        motion = self.hand_reset()
        set_to(motion, S1="pressed")
        motion.settle()
        set_to(motion)
        motion.settle()
        assert motion.states()["K1"] is True
        motion.set_position("S9", "pressed")
        motion.settle()
        assert motion.states()["K1"] is False

    def test_hand_reset_does_not_reset_while_its_coil_is_energised(self) -> None:
        motion = self.hand_reset()
        set_to(motion, S1="pressed")
        motion.settle()
        motion.set_position("S9", "pressed")
        motion.settle()
        assert motion.states()["K1"] is True
        set_to(motion)
        motion.settle()
        assert motion.states()["K1"] is False

    def test_letting_go_of_the_reset_too_soon_cancels_it(self) -> None:
        motion = self.hand_reset()
        set_to(motion, S1="pressed")
        motion.settle()
        set_to(motion)
        motion.settle()
        motion.set_position("S9", "pressed")
        motion.advance_to(motion.now_ns + 5 * MS)
        motion.set_position("S9", "released")
        motion.settle()
        assert motion.states()["K1"] is True


class TestBuzz:
    def test_a_relay_that_interrupts_itself_is_named(self) -> None:
        parts = [button("S1", {"13-14": "make"}), relay("K1", {"21-22": "break"}), relay("K2", {})]
        wiring = "W1 L+ S1:13\nW2 S1:14 K1:21 K2:A1\nW3 K1:22 K1:A1\nW4 L- K1:A2 K2:A2"
        motion = started(panel(parts, wiring))
        set_to(motion, S1="pressed")
        found = motion.settle()
        assert (found.buzzing, found.settled) == (("K1",), False)
        assert motion.states()["K2"] is True

    def test_two_relays_that_chase_each_other(self) -> None:
        """K1 picks up K2, K2's break contact drops K1."""
        parts = [
            button("S1", {"13-14": "make"}),
            relay("K1", {"13-14": "make"}),
            relay("K2", {"21-22": "break"}),
        ]
        wiring = "W1 L+ S1:13 K1:13\nW2 S1:14 K2:21\nW3 K2:22 K1:A1\nW4 K1:14 K2:A1\nW5 L- K1:A2 K2:A2"
        motion = started(panel(parts, wiring))
        set_to(motion, S1="pressed")
        assert motion.settle().buzzing == ("K1", "K2")
        set_to(motion)
        assert motion.settle().settled

    def test_a_relay_of_no_stated_time_and_no_inductance_does_not_stop_the_clock(self) -> None:
        instant = relay("K1", {"21-22": "break"}, coils=(coil("K1", inductance_h=0.0),),
                        operate_s=Span(0, 0), release_s=Span(0, 0))  # fmt: skip
        motion = Motion(panel([instant], "W1 L+ K1:21\nW2 K1:22 K1:A1\nW3 L- K1:A2"))
        assert motion.settle().buzzing == ("K1",)
        motion.advance_to(motion.now_ns + 100_000)
        assert len(motion.movements) > 50

    def test_the_limit_comes_first(self) -> None:
        slow = relay("K1", {}, kind="delayed pick-up", delay_s=Span(100.0, 100.0))
        motion = Motion(switched(slow), outer=(SWITCH,))
        motion.set_outer({"S": True})
        found = motion.settle(limit_s=10.0)
        assert (found.settled, found.buzzing, motion.now_ns) == (False, (), 10 * S)
        assert motion.settle(limit_s=100.0).settled
