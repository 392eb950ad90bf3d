"""A configuration: the linear circuit for one set of closed contacts and conducting diodes.

Modified nodal analysis. Node voltages v solve G v = J - E i, with winding currents i as sources, supplies
as ideal differences between nets, and diodes that conduct as forward_v behind on_ohm. With
L di/dt = E'v - R i the circuit moves as di/dt = M i + c, and sqrt(L) M / sqrt(L) is symmetric and
negative definite: real rates, so every current and voltage is a steady value plus decaying
exponentials. Everything here depends on the configuration alone and is computed once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from harness.panel.elements import Circuit
from harness.panel.transient import Decay

Array = NDArray[np.float64]
Levels = tuple[float, ...]
# In motion a blocking diode conducts from this far above its forward voltage on: more than rounding can make,
# in the leak, of a current of nil. It blocks this far (behind its on-resistance) below: more than rounding
# makes of 0 V. Apart, so that it cannot flap. A steady solution needs no such care.
TURN_ON_V = 2e-3
TURN_OFF_V = -5e-12
EXACT_V = 1e-7
ROUNDING = 1e-14  # of the highest voltage near: an interrupted coil makes millions of volts for nanoseconds
LEVELS_KEPT = 128


@dataclass(frozen=True)
class Wiring:
    """What all configurations of a circuit share.

    Voltages are `reduce @ y + offsets @ levels`. Rows of the observation: windings (A), probes (V),
    diodes (V above forward_v); `look` maps voltages to rows (windings: as resistances), `shift` is added.
    """

    circuit: Circuit
    reduce: Array
    offsets: Array
    base: Array
    look: Array
    shift: Array
    inductive: NDArray[np.intp]

    @cached_property
    def drive(self) -> Array:
        """Net currents per ampere in each inductive winding."""
        drive = np.zeros((self.circuit.count, len(self.inductive)))
        for column, index in enumerate(self.inductive):
            winding = self.circuit.windings[index]
            drive[winding.a, column] -= 1.0
            drive[winding.b, column] += 1.0
        return drive

    @cached_property
    def first_diode_row(self) -> int:
        return len(self.circuit.windings) + len(self.circuit.probes)


class Configuration:
    """One linear circuit, ready to run: `decay`, `weights`, and `steady(levels)`."""

    def __init__(self, wiring: Wiring, closed: int, conducting: int) -> None:
        self.wiring = wiring
        self.closed = closed
        self.conducting = conducting
        system = _assemble(wiring, closed, conducting)
        self._look, self._shift = _observation(wiring, system)
        self._dc = _solve_dc(wiring, system)
        self._steady: dict[Levels, Array] = {}
        self._set_modes(system)
        self.diode_low, self.diode_high = _diode_bounds(wiring, conducting)

    def steady(self, levels: Levels) -> Array:
        """The observed rows when all transients are gone, at these supply voltages."""
        known = self._steady.get(levels)
        if known is None:
            if len(self._steady) >= LEVELS_KEPT:
                self._steady.clear()
            known = self._look @ (self._dc @ np.array((*levels, 1.0))) + self._shift
            self._steady[levels] = known
        return known

    def steady_voltages(self, levels: Levels) -> Array:
        """Net voltages (V, reference: the first supply's negative) with windings as resistances."""
        voltages: Array = self._dc @ np.array((*levels, 1.0))
        return voltages[: self.wiring.circuit.count]

    def outside(self, above: Array, *, turn_on_v: float = TURN_ON_V) -> NDArray[np.bool_]:
        """Which diodes' volts above forward_v contradict their state here, beyond doubt of rounding."""
        slack = ROUNDING * np.abs(above).max(initial=0.0) + turn_on_v - TURN_ON_V
        wrong: NDArray[np.bool_] = (above < self.diode_low) | (above > self.diode_high + slack)
        return wrong

    def voltages(self, currents: Array, levels: Levels) -> Array:
        """Net voltages (V) while the inductive windings carry `currents` (A)."""
        voltages: Array = self._dynamic @ np.concatenate((currents, levels, (1.0,)))
        return voltages[: self.wiring.circuit.count]

    @cached_property
    def floating(self) -> frozenset[int]:
        """Nets that no conductance above the leak joins to any supply pole."""
        circuit = self.wiring.circuit
        joined = {net for source in circuit.sources for net in (source.positive, source.negative)}
        paths = [
            *((b.a, b.b) for b in (*circuit.branches, *circuit.probes)),
            *((w.a, w.b) for w in circuit.windings),
            *((c.a, c.b) for k, c in enumerate(circuit.contacts) if self.closed >> k & 1),
            *((d.anode, d.cathode) for k, d in enumerate(circuit.rectifiers) if self.conducting >> k & 1),
        ]
        grew = True
        while grew:
            reached = {net for path in paths if joined.intersection(path) for net in path}
            grew = not reached <= joined
            joined |= reached
        return frozenset(range(circuit.count)) - joined

    def _set_modes(self, system: _System) -> None:
        wiring = self.wiring
        coils = [wiring.circuit.windings[index] for index in wiring.inductive]
        solved = _solve(wiring, system, wiring.drive)
        count = len(coils)
        driven = np.concatenate((solved[:, -1 - count : -1], solved[:, : -1 - count], solved[:, -1:]), axis=1)
        self._dynamic = driven
        root = np.sqrt([coil.henry for coil in coils])
        impedance = wiring.drive.T @ driven[: wiring.circuit.count, :count]
        impedance = (impedance + impedance.T) / 2 + np.diag([coil.ohm for coil in coils])
        rates, modes = np.linalg.eigh(impedance / np.outer(root, root)) if count else (root, np.zeros((0, 0)))
        self.to_modes: Array = modes.T * root
        self.from_modes: Array = modes / root[:, None] if count else modes
        self.weights: Array = self._look @ driven[:, :count] @ self.from_modes
        self.weights[wiring.inductive] = self.from_modes
        self.decay = Decay(np.maximum(rates, 1e-9))


def stamp(conductance: Array, a: int, b: int, siemens: float) -> None:
    """Add a branch between two nets to a conductance matrix."""
    conductance[a, a] += siemens
    conductance[b, b] += siemens
    conductance[a, b] -= siemens
    conductance[b, a] -= siemens


@dataclass(frozen=True, slots=True)
class _System:
    """Equations of nets and, with its current as an unknown of its own, of each conducting diode.

    As a difference of voltages over its on-resistance the current would be lost where a part of the circuit
    hangs on the leak only.
    """

    conductance: Array
    injection: Array
    branches: Array
    forward: Array
    ohms: Array
    rows: list[int]


def _assemble(wiring: Wiring, closed: int, conducting: int) -> _System:
    circuit = wiring.circuit
    conductance = wiring.base.copy()
    injection = np.zeros(circuit.count)
    for probe in circuit.probes:
        injection[probe.a] += probe.volts * probe.siemens
        injection[probe.b] -= probe.volts * probe.siemens
    for bit, contact in enumerate(circuit.contacts):
        if closed >> bit & 1:
            stamp(conductance, contact.a, contact.b, contact.siemens)
    on = [(bit, diode) for bit, diode in enumerate(circuit.rectifiers) if conducting >> bit & 1]
    branches = np.zeros((circuit.count, len(on)))
    for column, (_, diode) in enumerate(on):
        branches[diode.anode, column] += 1.0
        branches[diode.cathode, column] -= 1.0
    return _System(
        conductance,
        injection,
        branches,
        forward=np.array([diode.forward_v for _, diode in on]),
        ohms=np.array([diode.on_ohm for _, diode in on]),
        rows=[wiring.first_diode_row + bit for bit, _ in on],
    )


def _observation(wiring: Wiring, system: _System) -> tuple[Array, Array]:
    """Rows from net voltages and diode currents; volts above forward_v are on_ohm times the current."""
    look = np.hstack((wiring.look, np.zeros((len(wiring.look), len(system.rows)))))
    shift = wiring.shift.copy()
    for column, row in enumerate(system.rows):
        look[row] = 0.0
        look[row, wiring.circuit.count + column] = system.ohms[column]
        shift[row] = 0.0
    return look, shift


def _solve(wiring: Wiring, system: _System, driven: Array) -> Array:
    """Net voltages, then diode currents: a column per supply (per volt), per column of `driven`, constant."""
    reduce, offsets, branches = wiring.reduce, wiring.offsets, system.branches
    coupling = reduce.T @ branches
    matrix = np.block(
        [[reduce.T @ system.conductance @ reduce, coupling], [coupling.T, -np.diag(system.ohms)]]
    )
    upper = np.column_stack((-system.conductance @ offsets, driven, system.injection))
    lower = np.column_stack(
        (-branches.T @ offsets, np.zeros((len(system.ohms), driven.shape[1])), system.forward)
    )
    free = np.linalg.solve(matrix, np.vstack((reduce.T @ upper, lower)))
    inner = reduce.shape[1]
    voltages = reduce @ free[:inner]
    voltages[:, : offsets.shape[1]] += offsets
    return np.vstack((voltages, free[inner:]))


def _solve_dc(wiring: Wiring, system: _System) -> Array:
    """The same per volt of each supply, then at no supply, with windings as resistances."""
    conductance = system.conductance.copy()
    for index in wiring.inductive:
        winding = wiring.circuit.windings[index]
        stamp(conductance, winding.a, winding.b, 1.0 / winding.ohm)
    still = replace(system, conductance=conductance)
    return _solve(wiring, still, np.zeros((wiring.circuit.count, 0)))


def _diode_bounds(wiring: Wiring, conducting: int) -> tuple[Array, Array]:
    count = len(wiring.circuit.rectifiers)
    on = np.array([conducting >> bit & 1 for bit in range(count)], dtype=bool)
    return np.where(on, TURN_OFF_V, -np.inf), np.where(on, np.inf, TURN_ON_V)
