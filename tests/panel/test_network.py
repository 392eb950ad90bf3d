"""The static solution: laws of circuits, diodes, floating parts, supplies, temperature."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_panels import SUPPLY, breaker, button, coil, diode, load, panel, relay, resistor, wires

from harness.panel.motion import closed_contacts, device_contacts
from harness.panel.nets import join
from harness.panel.network import Network
from harness.panel.parts import Diode, OuterContact, Panel, Probe, Resistor, Span, Supply

FULL = SUPPLY.nominal_v


def resistors_between(*branches: tuple[str, str, float]) -> tuple[Resistor, ...]:
    """Resistors straight between points, without wires: what is named alike is joined."""
    return tuple(
        Resistor(tag=f"R{number}", terminals=(a, b), resistance_ohm=ohm)
        for number, (a, b, ohm) in enumerate(branches)
    )


def of_resistors(*branches: tuple[str, str, float], diodes: tuple[Diode, ...] = ()) -> Panel:
    return panel([], "", resistors=resistors_between(*branches), diodes=diodes)


class TestNets:
    def test_joints_are_transitive_and_numbered_in_order(self) -> None:
        nets = join("abcde", [("a", "b"), ("d", "e"), ("b", "d")])
        assert nets == {"a": 0, "b": 0, "c": 1, "d": 0, "e": 0}

    def test_an_open_hop_parts_a_wire_in_two(self) -> None:
        whole = panel([], "W1 L+ X1:1 X1:2 X1:3")
        broken = replace(whole, wires=(replace(whole.wires[0], open_hops=frozenset({1})),))
        assert Network(whole).steady(()).voltages["X1:3"] == FULL
        solved = Network(broken).steady(())
        assert solved.voltages["X1:1"] == FULL
        assert solved.floating == {"X1:2", "X1:3"}


class TestLaws:
    def test_divider(self) -> None:
        solved = Network(of_resistors(("L+", "m", 100.0), ("m", "L-", 300.0))).steady(())
        assert solved.voltages["m"] == pytest.approx(18.0, abs=1e-4)

    def test_balanced_bridge_has_no_voltage_across_its_middle(self) -> None:
        """Wheatstone: 100/300 against 50/150, any resistance in the middle. Textbook."""
        arms = (("L+", "c", 100.0), ("c", "L-", 300.0), ("L+", "d", 50.0), ("d", "L-", 150.0))
        volts = Network(of_resistors(*arms, ("c", "d", 10.0))).steady(()).voltages
        assert volts["c"] - volts["d"] == pytest.approx(0.0, abs=1e-6)  # the leak unbalances it a little

    def test_unbalanced_bridge(self) -> None:
        """Solved by hand, 10 ohm each but 20 ohm lower left, over 24 V.

        At c: (24 - c)/10 = c/20 + (c - d)/10; at d: (24 - d)/10 = d/10 + (d - c)/10, so 13 c = 192.
        """
        arms = (("L+", "c", 10.0), ("c", "L-", 20.0), ("L+", "d", 10.0), ("d", "L-", 10.0))
        volts = Network(of_resistors(*arms, ("c", "d", 10.0))).steady(()).voltages
        assert volts["c"] == pytest.approx((24 + volts["d"]) / 2.5, abs=1e-5)
        assert volts["c"] == pytest.approx(192 / 13, abs=1e-5)

    @settings(max_examples=60, deadline=None)
    @given(st.data())
    def test_currents_and_powers_balance(self, data: st.DataObject) -> None:
        """Kirchhoff's current law at each inner node, and Tellegen: what the supply gives is what is lost."""
        nodes = ["L+", "L-", *"abcdef"]
        pair = st.tuples(st.sampled_from(nodes), st.sampled_from(nodes)).filter(lambda p: p[0] != p[1])
        ohm = st.floats(0.5, 1e5)
        chain = [(a, b, data.draw(ohm)) for a, b in zip([*nodes[2:], "L-"], ["L+", *nodes[2:]], strict=False)]
        branches = chain + [(*p, data.draw(ohm)) for p in data.draw(st.lists(pair, max_size=8))]
        diodes = tuple(
            Diode(tag=f"V{k}", anode=a, cathode=b, forward_v=0.7, on_ohm=0.05)
            for k, (a, b) in enumerate(data.draw(st.lists(pair, max_size=6)))
        )
        solved = Network(of_resistors(*branches, diodes=diodes)).steady(())
        volts, flows = solved.voltages, list[tuple[str, str, float]]()
        for a, b, value in branches:
            flows.append((a, b, (volts[a] - volts[b]) / value))
        for part in diodes:
            above = volts[part.anode] - volts[part.cathode] - part.forward_v
            amperes = 1e-9 * (above + part.forward_v) + max(above, 0.0) / part.on_ohm
            flows.append((part.anode, part.cathode, amperes))
            assert (part.tag in solved.conducting) == (above > 0) or abs(above) < 1e-6
        flows += [(node, "L-", 1e-9 * volts[node]) for node in nodes[2:]]
        out = {node: sum(i for a, _, i in flows if a == node) - sum(i for _, b, i in flows if b == node)
               for node in nodes}  # fmt: skip
        largest = max(abs(i) for *_, i in flows)
        for node in nodes[2:]:
            assert out[node] == pytest.approx(0.0, abs=1e-9 + 1e-9 * largest)
        lost = sum((volts[a] - volts[b]) * i for a, b, i in flows)
        assert FULL * out["L+"] == pytest.approx(lost, rel=1e-6, abs=1e-9)

    @settings(max_examples=30, deadline=None)
    @given(st.floats(-50, 50), st.floats(-50, 50))
    def test_supplies_superpose(self, first: float, second: float) -> None:
        """Without diodes the answer to two supplies is the sum of the answers to each."""
        second_supply = Supply(tag="aux", positive="M+", negative="L-", nominal_v=10, range_v=Span(5, 15))
        made = replace(
            of_resistors(("L+", "a", 10.0), ("M+", "a", 30.0), ("a", "L-", 70.0)),
            supplies=(SUPPLY, second_supply),
        )
        network = Network(made)

        def at(main: float, aux: float) -> float:
            return network.steady((), volts={"main": main, "aux": aux}).voltages["a"]

        assert at(first, second) == pytest.approx(at(first, 0) + at(0, second), abs=1e-9)


class TestDiodes:
    @pytest.mark.parametrize(
        ("anode", "cathode", "volts"),
        [
            pytest.param("L+", "m", 24 - 0.7 - 0.05 * (23.3 / 1000.05), id="forward"),
            pytest.param("m", "L+", 0.0, id="reverse"),
        ],
    )
    def test_one_diode_feeds_a_resistor_or_does_not(self, anode: str, cathode: str, volts: float) -> None:
        made = of_resistors(("m", "L-", 1000.0), diodes=(Diode(tag="V1", anode=anode, cathode=cathode),))
        assert Network(made).steady(()).voltages["m"] == pytest.approx(volts, abs=1e-4)

    def test_the_higher_of_two_feeds_wins(self) -> None:
        """Two diodes into one node: the one from the lower divider blocks."""
        diodes = (Diode(tag="V1", anode="a", cathode="m"), Diode(tag="V2", anode="b", cathode="m"))
        made = of_resistors(
            ("L+", "a", 10.0), ("L+", "b", 1000.0), ("b", "L-", 100.0), ("m", "L-", 1000.0), diodes=diodes
        )
        assert Network(made).steady(()).conducting == {"V1"}

    @settings(max_examples=60, deadline=None)
    @given(st.data())
    def test_every_search_ends_in_the_one_consistent_set(self, data: st.DataObject) -> None:
        """Whatever set the search starts from: the characteristic is monotone, so the answer is unique."""
        nodes = ["L+", "L-", *"abcd"]
        pair = st.tuples(st.sampled_from(nodes), st.sampled_from(nodes)).filter(lambda p: p[0] != p[1])
        pairs = data.draw(st.lists(pair, min_size=3, max_size=10))
        diodes = tuple(Diode(tag=f"V{k}", anode=a, cathode=b) for k, (a, b) in enumerate(pairs))
        branches = [(f"{n}", "L-", 330.0 + 17 * k) for k, n in enumerate("abcd")]
        branches += [("L+", n, 470.0 + 90 * k) for k, n in enumerate("abcd")]
        network = Network(of_resistors(*branches, diodes=diodes))
        guess = data.draw(st.integers(0, 2 ** len(pairs) - 1))
        plain, _ = network.consistent(0, 0, lambda trial: trial.steady((FULL,)), turn_on_v=1e-7)
        other, _ = network.consistent(0, guess, lambda trial: trial.steady((FULL,)), turn_on_v=1e-7)
        for a, b in zip(plain.steady_voltages((FULL,)), other.steady_voltages((FULL,)), strict=True):
            assert a == pytest.approx(b, abs=1e-5)


class TestContacts:
    def test_contacts_are_named_by_owner_and_numbers(self) -> None:
        made = panel(
            [button("S1", {"13-14": "make"}), breaker("F1"), relay("K1", {"11-12-14": "change-over"})],
            "W1 L+ F1:1",
        )
        names = set(Network(made, outer=device_contacts(made)).bit_of)
        assert names == {"S1.13-14", "F1.1-2", "K1.11-12", "K1.11-14"}

    def test_a_change_over_connects_common_to_the_named_side(self) -> None:
        made = panel(
            [relay("K1", {"11-12-14": "change-over"}), resistor("R1", 100.0), resistor("R2", 100.0)],
            "W1 L+ K1:11\nW2 K1:12 R1:1\nW3 K1:14 R2:1\nW4 L- R1:2 R2:2",
        )
        network = Network(made)
        rest, operated = (network.steady({name}).voltages for name in ("K1.11-12", "K1.11-14"))
        assert rest["R1:1"] == pytest.approx(24 * 100 / 100.05)
        assert rest["R2:1"] == pytest.approx(0.0, abs=1e-6)
        assert operated["R2:1"] == pytest.approx(24 * 100 / 100.05)

    def test_stated_contact_resistance_drops_voltage(self) -> None:
        made = panel([load("Y1")], "W1 L- Y1:2")
        outer = OuterContact(name="DO0", terminals=("L+", "Y1:1"), resistance_ohm=50.0)
        volts = Network(made, outer=(outer,)).steady({"DO0"}).voltages["Y1:1"]
        assert volts == pytest.approx(24 * 150 / 200, abs=1e-4)

    def test_unknown_contact(self) -> None:
        with pytest.raises(KeyError, match=r"S9\.1-2"):
            Network(panel([], "W1 L+ X1:1")).steady({"S9.1-2"})


class TestSupplies:
    def test_two_supplies_share_a_pole(self) -> None:
        aux = Supply(tag="aux", positive="M+", negative="L-", nominal_v=110.0, range_v=Span(77, 137))
        made = panel([load("Y1"), load("Y2")], "W1 L+ Y1:1\nW2 M+ Y2:1\nW3 L- Y1:2 Y2:2",
                     supplies=(SUPPLY, aux))  # fmt: skip
        solved = Network(made).steady(())
        assert solved.voltages["Y2:1"] == 110.0
        assert solved.coil_currents_a["Y2", 0] == pytest.approx(110 / 150)
        assert solved.coil_currents_a["Y1", 0] == pytest.approx(24 / 150)

    def test_supplies_in_series(self) -> None:
        upper = Supply(tag="upper", positive="M+", negative="L+", nominal_v=12.0, range_v=Span(9, 15))
        made = panel([load("Y1")], "W1 M+ Y1:1\nW2 L- Y1:2", supplies=(SUPPLY, upper))
        assert Network(made).steady(()).voltages["Y1:1"] == 36.0

    def test_separate_supplies_do_not_feed_each_other(self) -> None:
        apart = Supply(tag="apart", positive="M+", negative="M-", nominal_v=110.0, range_v=Span(77, 137))
        made = panel([load("Y1"), load("Y2")], "W1 L+ Y1:1\nW2 M- Y1:2\nW3 M+ Y2:1\nW4 M- Y2:2",
                     supplies=(SUPPLY, apart))  # fmt: skip
        currents = Network(made).steady(()).coil_currents_a
        assert currents["Y1", 0] == pytest.approx(0.0, abs=1e-6)
        assert currents["Y2", 0] == pytest.approx(110 / 150)

    def test_a_supply_whose_poles_are_joined_gives_nothing(self) -> None:
        made = panel([load("Y1")], "W1 L+ Y1:1\nW2 L- Y1:2")
        shorted = replace(made, wires=(*made.wires, *wires("short Y1:1 Y1:2")))
        network = Network(shorted)
        assert network.shorted == ("main",)
        assert network.steady(()).coil_currents_a["Y1", 0] == 0.0

    def test_earth_is_a_net_like_any_other(self) -> None:
        made = panel([load("Y1")], "W1 L+ Y1:1\nW2 L- Y1:2\nW3 PE X1:9", earth="PE")
        assert Network(made).steady(()).floating == {"PE", "X1:9"}
        faulty = replace(made, wires=(*made.wires, *wires("earth PE L+")))
        assert Network(faulty).steady(()).voltages["PE"] == FULL


class TestCoils:
    @pytest.mark.parametrize(
        ("celsius", "ohm"),
        [pytest.param(25.0, 320.0, id="25 C"), pytest.param(125.0, 443.31, id="125 C")],
    )
    def test_copper(self, celsius: float, ohm: float) -> None:
        """320 ohm at 25 C becomes 443.3 ohm at 125 C (published example of a relay maker's note)."""
        cold = coil("K1", resistance_ohm=320.0 * 254.5 / 259.5)
        made = panel([relay("K1", {}, coils=(cold,))], "W1 L+ K1:A1\nW2 L- K1:A2")
        solved = Network(made, coil_temperature_c=celsius).steady(())
        assert FULL / solved.coil_currents_a["K1", 0] == pytest.approx(ohm, abs=0.005)

    def test_a_lamp_is_not_copper(self) -> None:
        made = panel([load("P1")], "W1 L+ P1:1\nW2 L- P1:2")
        lamp = replace(made, loads=(replace(made.loads[0], kind="lamp"),))
        hot = Network(lamp, coil_temperature_c=90.0).steady(()).coil_currents_a["P1", 0]
        assert hot == pytest.approx(FULL / 150)

    def test_coils_in_series_share_the_voltage(self) -> None:
        made = panel(
            [relay("K1", {}), relay("K2", {}, coils=(coil("K2", resistance_ohm=240.0),))],
            "W1 L+ K1:A1\nW2 K1:A2 K2:A1\nW3 L- K2:A2",
        )
        assert Network(made).steady(()).voltages["K1:A2"] == pytest.approx(8.0, abs=1e-3)

    def test_current_counts_from_the_first_terminal(self) -> None:
        made = panel([relay("K1", {})], "W1 L- K1:A1\nW2 L+ K1:A2")
        assert Network(made).steady(()).coil_currents_a["K1", 0] == pytest.approx(-FULL / 480)


class TestProbes:
    def test_a_probe_loads_the_circuit(self) -> None:
        probe = Probe(name="DI0", terminals=("m", "L-"), resistance_ohm=1000.0, on_v=15, off_v=5)
        made = of_resistors(("L+", "m", 1000.0))
        solved = Network(made, probes=(probe,)).steady(())
        assert solved.probe_volts["DI0"] == pytest.approx(12.0, abs=1e-4)
        assert not solved.floating

    @pytest.mark.parametrize(
        ("closed", "volts"), [pytest.param(True, 24.0, id="closed"), pytest.param(False, 0.0, id="open")]
    )
    def test_a_wetted_probe_senses_a_dry_contact(self, closed: bool, volts: float) -> None:
        made = panel([button("S1", {"13-14": "make"})], "W1 L+ X1:1")
        probe = Probe(name="DI0", terminals=("S1:13", "S1:14"), resistance_ohm=4700.0, on_v=15, off_v=5,
                      wetting_v=24.0)  # fmt: skip
        network = Network(made, outer=device_contacts(made), probes=(probe,))
        state = {"S1.13-14"} if closed else set()
        assert network.steady(state).probe_volts["DI0"] == pytest.approx(volts, abs=1e-3)


def test_reachable_floating_parts_are_regular_and_named() -> None:
    """A branch cut off on both sides has a solution, and is reported as floating."""
    made = panel(
        [button("S1", {"13-14": "make", "21-22": "break"}), relay("K1", {}), diode("V1")],
        "W1 L+ S1:13\nW2 S1:14 V1:A\nW3 V1:K K1:A1\nW4 K1:A2 S1:23\nW5 L- X1:9",
    )
    network = Network(made, outer=device_contacts(made))
    rest = {name for name, state in closed_contacts(made, {}).items() if state}
    solved = network.steady(rest)
    assert {"K1:A1", "K1:A2", "V1:K", "V1:A", "S1:14"} <= solved.floating
    assert all(math.isfinite(volts) for volts in solved.voltages.values())
