"""A panel as an ngspice deck: a second opinion on node voltages and transients.

Written from the parts alone, not from the program's own nets and elements: each terminal is a node, each
unbroken wire hop a resistor of 10 microohm, an open contact 1 teraohm. The diode is the same piecewise
line, as a current source: leak * v + max(v - forward, 0) / on. Each wire, and each terminal in none, leaks to
the reference. A failed `.meas` and a failed command leave
ngspice with exit status 0, so every expected name must be found in what it prints.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterable, Mapping, Sequence

import pytest

from harness.panel.parts import Coil, OuterContact, Panel, Probe, Terminal

HOP_OHM, OPEN_OHM, LEAK_S = 1e-5, 1e12, 1e-9
TURN_S = 2e-5  # a contact turns within this: its conductance follows a straight line
STATES_A_RUN = 250  # longer command lists take longer a state


def need_ngspice() -> None:
    """Skip, with the reason, where ngspice is missing; fail instead where the environment requires it."""
    if shutil.which("ngspice"):
        return
    reason = "ngspice is not installed (Debian package ngspice), so the circuit has no second opinion here"
    if os.environ.get("PANELPROOF_REQUIRE_NGSPICE") == "1":
        pytest.fail(reason)
    pytest.skip(reason)


class Deck:
    """One panel with outer contacts and probes connected. Contacts are named `K1.13-14`, `S1.13-14`."""

    def __init__(
        self, panel: Panel, *, outer: Sequence[OuterContact] = (), probes: Sequence[Probe] = ()
    ) -> None:
        self.panel = panel
        self.node: dict[Terminal, str] = {panel.supplies[0].negative: "0"}
        self.contacts: dict[str, tuple[str, float]] = {}
        self.lines: list[str] = []
        self._leads: dict[str, str] = {}
        self._wire()
        self._fit_contacts(outer)
        self._fit_parts()
        for probe in probes:
            source = self._fresh("w") if probe.wetting_v else self._at(probe.terminals[1])
            self._resistor(self._at(probe.terminals[0]), source, probe.resistance_ohm)
            if probe.wetting_v:
                self.lines.append(
                    f"{self._fresh('Vw')} {source} {self._at(probe.terminals[1])} {probe.wetting_v}"
                )
        looped = {terminal for wire in panel.wires for terminal, _ in map(reversed, wire.hops)}
        for terminal, node in self.node.items():
            if terminal not in looped and node != "0":
                self.lines.append(f"{self._fresh('Rl')} {node} 0 {1 / LEAK_S}")

    def operating_points(
        self, states: Iterable[frozenset[str]], volts: Mapping[str, float] | None = None
    ) -> list[dict[Terminal, float]]:
        """Voltage of every terminal in each state, given as the names of all closed contacts."""
        states, found = list(states), list[dict[Terminal, float]]()
        for start in range(0, len(states), STATES_A_RUN):
            found += self._operating_points(states[start : start + STATES_A_RUN], volts)
        return found

    def _operating_points(
        self, states: list[frozenset[str]], volts: Mapping[str, float] | None
    ) -> list[dict[Terminal, float]]:
        terminals = sorted(self.node)
        commands, closed = list[str](), frozenset[str]()
        for number, state in enumerate(states):
            for name in sorted(state ^ closed):
                part, ohm = self.contacts[name]
                commands.append(f"alter {part} = {ohm if name in state else OPEN_OHM}")
            closed = state
            commands.append("op")
            values = [f"$&v({self.node[t]})" if self.node[t] != "0" else "0" for t in terminals]
            for start in range(0, len(values), 20):
                commands.append(f'echo "R {number} {start} ' + " ".join(values[start : start + 20]) + '"')
            commands.append("destroy all")
        printed = run([*self._supplies(volts), *self._inductors(None), *control(commands)], self.lines)
        found: list[dict[Terminal, float]] = [{} for _ in states]
        for line in printed:
            if line.startswith("R "):
                _, number, start, *numbers = line.split()
                names = terminals[int(start) : int(start) + 20]
                found[int(number)] |= dict(zip(names, map(float, numbers), strict=False))
        assert all(len(point) == len(terminals) for point in found), "\n".join(printed[-20:])
        return found

    def crossing_s(
        self, *, closed: frozenset[str], turned: str, opens: bool, of: str, amperes: float
    ) -> float:
        """Seconds from the turning of contact `turned` until the winding of load `of` carries `amperes`.

        Before, the contacts `closed` are closed; it starts from steady state (all off where it closes).
        """
        part, ohm = self.contacts[turned]
        keep = [line for line in self.lines if not line.startswith(part + " ")]
        old = next(line for line in self.lines if line.startswith(part + " "))
        _, a, b, _ = old.split()
        for name in closed - {turned}:
            other, other_ohm = self.contacts[name]
            keep = [
                f"{' '.join(line.split()[:3])} {other_ohm}" if line.startswith(other + " ") else line
                for line in keep
            ]
        begin, end, at = (1, 0, 0.01) if opens else (0, 1, 0.01)
        deck = [
            f"Vgate gate 0 PWL(0 {begin} {at} {begin} {at + TURN_S} {end})",
            f"Bturned {a} {b} I=V({a},{b})*V(gate)/{ohm}",
            ".options method=gear reltol=1e-5",
            ".tran 10u 0.25 0 10u",
            f".meas tran cross WHEN i({self._leads[of]})={amperes} {'FALL' if opens else 'RISE'}=1 TD={at}",
            ".end",
        ]
        printed = run([*self._supplies(None), *self._inductors(1.0), *deck], keep)
        lines = [line for line in printed if line.startswith("cross")]
        assert lines, "\n".join(printed[-20:])
        return float(lines[0].split("=")[1].split()[0]) - at

    def _fresh(self, prefix: str) -> str:
        self._count = getattr(self, "_count", 0) + 1
        return f"{prefix}{self._count}"

    def _at(self, terminal: Terminal) -> str:
        return self.node.setdefault(terminal, f"n{len(self.node)}")

    def _resistor(self, a: str, b: str, ohm: float) -> str:
        name = self._fresh("R")
        self.lines.append(f"{name} {a} {b} {ohm}")
        return name

    def _wire(self) -> None:
        for wire in self.panel.wires:
            for index, (first, second) in enumerate(wire.hops):
                if index not in wire.open_hops:
                    self._resistor(self._at(first), self._at(second), HOP_OHM)

    def _fit_contacts(self, outer: Sequence[OuterContact]) -> None:
        for relay in self.panel.relays:
            for contact in relay.contacts:
                pairs = [(contact.name, *contact.terminals)]
                if len(contact.terminals) == 3:
                    common, *others = contact.terminals
                    pairs = [
                        (f"{common.split(':')[1]}-{other.split(':')[1]}", common, other) for other in others
                    ]
                for name, a, b in pairs:
                    self._contact(f"{relay.tag}.{name}", a, b, contact.resistance_ohm)
        for device in self.panel.devices:
            for own in device.contacts if device.inside else ():
                self._contact(f"{device.tag}.{own.name}", *own.terminals, 0.05)
        for imitated in outer:
            self._contact(imitated.name, *imitated.terminals, imitated.resistance_ohm)

    def _contact(self, name: str, a: Terminal, b: Terminal, ohm: float) -> None:
        self.contacts[name] = (self._resistor(self._at(a), self._at(b), OPEN_OHM), ohm)

    def _fit_parts(self) -> None:
        self._coils: list[tuple[str, str, str, Coil]] = []
        for relay in self.panel.relays:
            for index, coil in enumerate(relay.coils):
                self._coil(f"{relay.tag}/{index}", coil)
        for load in self.panel.loads:
            self._coil(load.tag, load.coil)
        for part in self.panel.resistors:
            self._resistor(self._at(part.terminals[0]), self._at(part.terminals[1]), part.resistance_ohm)
        for diode in self.panel.diodes:
            self._diode(diode.anode, diode.cathode, diode.forward_v, diode.on_ohm)

    def _coil(self, name: str, coil: Coil) -> None:
        first, second = (self._at(terminal) for terminal in coil.terminals)
        middle, lead = self._fresh("m"), self._fresh("L")
        self._resistor(first, middle, coil.resistance_ohm)
        self._leads[name] = lead
        self._coils.append((lead, middle, second, coil))
        if coil.suppression == "diode":
            self._diode(coil.terminals[1], coil.terminals[0], 0.7, 0.05)
        elif coil.suppression == "resistor":
            self._resistor(first, second, coil.suppression_ohm)

    def _diode(self, anode: Terminal, cathode: Terminal, forward_v: float, on_ohm: float) -> None:
        a, k = self._at(anode), self._at(cathode)
        self.lines.append(
            f"{self._fresh('B')} {a} {k} I={LEAK_S}*V({a},{k})+uramp(V({a},{k})-{forward_v})/{on_ohm}"
        )

    def _inductors(self, scale: float | None) -> list[str]:
        """In an operating point an inductance is a short; without any it stays one in a transient."""
        return [
            f"{lead} {a} {b} {coil.inductance_h or 1e-9}" if scale else f"V{lead} {a} {b} 0"
            for lead, a, b, coil in self._coils
        ]

    def _supplies(self, volts: Mapping[str, float] | None) -> list[str]:
        return [
            f"Vs{index} {self._at(s.positive)} {self._at(s.negative)} {(volts or {}).get(s.tag, s.nominal_v)}"
            for index, s in enumerate(self.panel.supplies)
        ]


def control(commands: Sequence[str]) -> list[str]:
    """Commands to be carried out in batch mode."""
    return [".control", "set noaskquit", "set width=4000", *commands, "quit", ".endc", ".end"]


def run(tail: Sequence[str], lines: Sequence[str]) -> list[str]:
    """What ngspice prints for a deck. Fails on a bad exit status or a failed measurement."""
    text = "\n".join(["* panel", ".options gmin=1e-15 abstol=1e-13 reltol=1e-4 itl1=500", *lines, *tail, ""])
    done = subprocess.run(
        ["ngspice", "-b", "/dev/stdin"], input=text, capture_output=True, text=True, timeout=100, check=False
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    printed = done.stdout + done.stderr
    assert not any(sign in printed for sign in ("failed!", "aborted", "no such vector")), printed[-2000:]
    return done.stdout.splitlines()
