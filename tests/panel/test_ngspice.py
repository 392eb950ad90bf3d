"""Node voltages and transients against ngspice, an independent circuit simulator, with the same diode line.

The demo panels in every contact state that a search finds (see `reachable`), and panels of random parts.
Voltages at terminals that are not floating agree within 0.5 % of the supply; moments within 0.2 ms.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from itertools import product
from pathlib import Path

import pytest
from moving import SWITCH, bare, switched
from random_panels import random_panel
from small_panels import diode, load, panel, resistor
from spice import Deck, control, need_ngspice, run

from harness.demo_files import demo_folder
from harness.panel.files import load_panel
from harness.panel.motion import Motion, closed_contacts, device_contacts
from harness.panel.network import Network
from harness.panel.parts import OuterContact, Panel, Probe

DEMO = sorted(demo_folder().glob("*.panel.yaml"))
MS = 1_000_000


@pytest.fixture(autouse=True)
def _ngspice() -> None:
    need_ngspice()


def contact_states(motion: Motion) -> Iterator[frozenset[str]]:
    """Every set of closed contacts from now on until nothing happens (or has happened often)."""
    for _ in range(400):
        yield motion.closed()
        if motion.next_event_ns is None:
            return
        motion.advance_to(motion.next_event_ns)


def reachable(network: Network, most: int) -> set[frozenset[str]]:
    """Contact states met by a search with all supplies on, those in the middle of a movement included.

    With every breaker closed: any one device moved from any settled state so reached, from rest on. With one
    breaker open: from rest to every combination of positions at one moment. Two breakers open at once
    are left out. `most` cuts it short: so many settled states, and so many combinations a breaker, drawn.
    """
    draw = random.Random(2)
    panel = network.panel
    rest = Motion(panel, network=network)
    rest.set_outer(closed_contacts(panel, {}))
    found = set(contact_states(rest))
    outside = {d.tag: d.positions for d in panel.devices if not d.inside}
    waiting, known = [(rest, {t: p[0] for t, p in outside.items()})], set[object]()
    while waiting and len(known) < most:
        motion, at = waiting.pop(draw.randrange(len(waiting)))
        for tag, positions in outside.items():
            for position in set(positions) - {at[tag]}:
                after = at | {tag: position}
                moved = motion.copy()
                moved.set_outer(closed_contacts(panel, after))
                found.update(contact_states(moved))
                key = (*after.values(), *moved.states().values())
                if key not in known:
                    known.add(key)
                    moved.settle()
                    waiting.append((moved, after))
    for device in (device for device in panel.devices if device.inside):
        start = rest.copy()
        start.set_position(device.tag, device.positions[1])
        found.update(contact_states(start))
        every = list(product(*outside.values()))
        for positions in draw.sample(every, min(most, len(every))):
            moved = start.copy()
            moved.set_outer(closed_contacts(panel, dict(zip(outside, positions, strict=True))))
            found.update(contact_states(moved))
    return found


def disagreements(
    network: Network, states: set[frozenset[str]], probes: tuple[Probe, ...] = (), volts: float | None = None
) -> list[str]:
    """Terminals whose voltage differs by more than 0.5 % of the supply; empty is good."""
    panel = network.panel
    main = panel.supplies[0]
    levels = {main.tag: volts or main.nominal_v}
    ordered = sorted(states, key=sorted)
    points = Deck(panel, outer=network.outer, probes=probes).operating_points(ordered, levels)
    found = list[str]()
    for state, point in zip(ordered, points, strict=True):
        solved = network.steady(state, volts=levels)
        assert len(solved.floating) < len(point)
        found += [
            f"{terminal}: {solved.voltages[terminal]} against {value} with {sorted(state)} closed"
            for terminal, value in point.items()
            if terminal not in solved.floating
            and abs(solved.voltages[terminal] - value) > 0.005 * levels[main.tag]
        ]
    return found


LARGE = [path for path in DEMO if path.name.startswith("th-g2")]
WHOLE = 1_000_000
SLOW = [pytest.mark.slow, pytest.mark.timeout(1800)]


@pytest.mark.parametrize(
    ("path", "most"),
    [
        *(pytest.param(path, 80 if path in LARGE else WHOLE, id=path.name) for path in DEMO),
        *(pytest.param(path, WHOLE, id=f"{path.name} whole", marks=SLOW) for path in LARGE),
    ],
)
def test_demo_panels_in_every_reachable_contact_state(path: Path, most: int) -> None:
    """At nominal supply every state; at the lowest and the highest a sample."""
    made = load_panel(path).panel
    network = Network(made, outer=device_contacts(made))
    states = reachable(network, most)
    assert len(states) > 3
    assert disagreements(network, states) == []
    sample = random.Random(1).sample(sorted(states, key=sorted), min(100, len(states)))
    for level in ("lowest", "highest"):
        assert disagreements(network, set(sample), volts=made.supplies[0].levels[level]) == []


@pytest.mark.parametrize("seed", range(20))
def test_random_panels_in_random_contact_states(seed: int) -> None:
    made = random_panel(seed)
    probes = (
        Probe(name="DI0", terminals=("X1:0", "L-"), resistance_ohm=47e3, on_v=15, off_v=5),
        Probe(name="DI1", terminals=("X1:1", "X1:2"), resistance_ohm=4.7e3, on_v=15, off_v=5, wetting_v=24.0),
    )
    network = Network(made, outer=device_contacts(made), probes=probes)
    draw = random.Random(seed)
    names = sorted(network.bit_of)
    states = {frozenset(n for n in names if draw.random() < 0.5) for _ in range(25)}
    assert disagreements(network, states, probes) == []


class TestTransients:
    def both(
        self, made: Panel, contact: str, of: str, before: dict[str, bool], *, opens: bool
    ) -> tuple[float, float]:
        """Milliseconds from the turning of one outer contact until a load changes: ours, and ngspice's."""
        outer = tuple(device_contacts(made)) or (SWITCH,)
        motion = Motion(made, outer=outer)
        motion.set_outer(before | {contact: opens})
        motion.settle()
        closed, start, done = motion.closed(), motion.now_ns, len(motion.movements)
        motion.set_outer({contact: not opens})
        motion.settle()
        ours = next(m.at_ns for m in motion.movements[done:] if m.of == of) - start
        part = next(item for item in made.loads if item.tag == of).coil
        level = (part.drop_out_v if opens else part.pick_up_v) / part.resistance_ohm
        theirs = Deck(made, outer=outer).crossing_s(
            closed=closed, turned=contact, opens=opens, of=of, amperes=level
        )
        return ours / MS, theirs * 1e3

    @pytest.mark.parametrize("opens", [False, True], ids=["energise", "release"])
    @pytest.mark.parametrize("suppression", ["diode", "resistor"])
    def test_one_load(self, suppression: str, opens: bool) -> None:
        part = bare(
            150.0, 1.2, pick_up_a=0.1, drop_out_a=0.02, suppression=suppression, suppression_ohm=300.0
        )
        ours, theirs = self.both(switched(part), "S", "Y1", {}, opens=opens)
        assert ours == pytest.approx(theirs, abs=0.2)
        assert ours > 1.0

    @pytest.mark.parametrize("opens", [False, True], ids=["energise", "release"])
    def test_two_loads_that_share_a_path(self, opens: bool) -> None:
        """One through a diode and a resistor, the other straight: a decay with two rates."""
        made = panel(
            [
                load("Y1", inductance_h=2.0),
                load("Y2", suppression="diode"),
                resistor("R1", 33.0),
                diode("V1"),
            ],
            "W1 c R1:1\nW2 R1:2 V1:A Y2:1\nW3 V1:K Y1:1\nW4 L- Y1:2 Y2:2",
        )
        ours, theirs = self.both(made, "S", "Y1", {}, opens=opens)
        assert ours == pytest.approx(theirs, abs=0.2)

    @pytest.mark.parametrize("opens", [False, True], ids=["energise", "release"])
    def test_shutdown_solenoid_of_the_demo(self, opens: bool) -> None:
        """The stop button of TH-P1 at idle feeds Y4 through the run relay's break contact."""
        made = load_panel(next(path for path in DEMO if path.name == "th-p1.panel.yaml")).panel
        ours, theirs = self.both(made, "S1.13-14", "Y4", closed_contacts(made, {}), opens=opens)
        assert ours == pytest.approx(theirs, abs=0.2)


class TestTheSecondOpinionItself:
    def test_its_diode_is_the_stated_line(self) -> None:
        """10 V and 1 kohm through a 0.7 V, 0.05 ohm diode: 9.3 / 1000.05 A, worked by hand."""
        made = panel([diode("V1"), resistor("R1", 1000.0)], "W1 L+ V1:A\nW2 V1:K R1:1\nW3 L- R1:2")
        (point,) = Deck(made).operating_points([frozenset()], {"main": 10.0})
        assert point["V1:K"] == pytest.approx(9.3 * 1000 / 1000.05, abs=1e-4)
        (reverse,) = Deck(made).operating_points([frozenset()], {"main": -10.0})
        assert reverse["V1:K"] == pytest.approx(0.0, abs=1e-4)

    def test_a_wrong_circuit_is_noticed(self) -> None:
        """One contact of 5 ohm instead of 0.05 ohm in one of the two is enough to disagree."""
        made = panel([load("Y1")], "W1 c Y1:1\nW2 L- Y1:2")
        worn = OuterContact(name="S", terminals=("L+", "c"), resistance_ohm=5.0)
        theirs = Deck(made, outer=(worn,)).operating_points([frozenset({"S"})])[0]["c"]
        ours = Network(made, outer=(replace(worn, resistance_ohm=0.05),)).steady({"S"}).voltages["c"]
        assert abs(ours - theirs) > 0.005 * 24

    def test_a_failed_measurement_is_noticed_though_it_exits_0(self) -> None:
        lines = ["V1 a 0 1", "R1 a 0 1"]
        with pytest.raises(AssertionError, match="failed"):
            run([".tran 1u 10u", ".meas tran cross WHEN v(a)=5", ".end"], lines)

    def test_missing_voltages_are_noticed(self) -> None:
        deck = Deck(panel([load("Y1")], "W1 L+ Y1:1\nW2 L- Y1:2"))
        deck.node["ghost"] = "nowhere"
        with pytest.raises(AssertionError):
            deck.operating_points([frozenset()])

    def test_commands_run_in_batch(self) -> None:
        printed = run(control(["op", 'echo "R $&v(a)"']), ["V1 a 0 3", "R1 a 0 1"])
        assert "R 3" in printed


def test_missing_ngspice_skips_or_fails_as_required(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    monkeypatch.delenv("PANELPROOF_REQUIRE_NGSPICE", raising=False)
    with pytest.raises(pytest.skip.Exception, match="ngspice is not installed"):
        need_ngspice()
    monkeypatch.setenv("PANELPROOF_REQUIRE_NGSPICE", "1")
    with pytest.raises(pytest.fail.Exception, match="ngspice is not installed"):
        need_ngspice()
