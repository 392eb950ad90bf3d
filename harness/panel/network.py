"""The network of a panel: which diodes conduct, and the configurations met so far.

Each element's current never falls as its voltage rises, so for given contacts and winding currents there
is exactly one consistent set of conducting diodes. It is found by turning all wrong diodes at once
and, should that repeat itself, by turning only the wrong one of least index, which cannot cycle
(K. G. Murty, "Note on a Bard-type scheme for solving the complementarity problem", Opsearch 11, 1974;
cited from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.panel.configuration import EXACT_V, TURN_ON_V, Configuration, Levels, Wiring, stamp
from harness.panel.elements import LEAK_S, Circuit, circuit_of
from harness.panel.parts import OuterContact, Panel, Probe, Terminal

Array = NDArray[np.float64]
CONFIGURATIONS_KEPT = 2048  # some 30 kB each


@dataclass(frozen=True, slots=True)
class Steady:
    """A steady solution. Voltages are from the first supply's negative; coil currents by (tag, index)."""

    voltages: dict[Terminal, float]
    floating: frozenset[Terminal]
    coil_currents_a: dict[tuple[str, int], float]
    probe_volts: dict[str, float]
    conducting: frozenset[str]


class Network:
    """A panel's circuit with its outer contacts and probes. Several motions may share one."""

    def __init__(
        self,
        panel: Panel,
        *,
        outer: Sequence[OuterContact] = (),
        probes: Sequence[Probe] = (),
        coil_temperature_c: float = 20.0,
    ) -> None:
        self.panel = panel
        self.outer = tuple(outer)
        self.probes = tuple(probes)
        self.coil_temperature_c = coil_temperature_c
        self.circuit = circuit_of(panel, outer, probes, coil_temperature_c)
        self.nominal: Levels = tuple(supply.nominal_v for supply in panel.supplies)
        self.bit_of = {contact.name: bit for bit, contact in enumerate(self.circuit.contacts)}
        self.wiring, self.shorted = _wiring(self.circuit)
        self._known: dict[tuple[int, int], Configuration] = {}

    def configuration(self, closed: int, conducting: int) -> Configuration:
        """The linear circuit with these contacts closed and these diodes conducting (bit sets)."""
        key = (closed, conducting)
        known = self._known.get(key)
        if known is None:
            if len(self._known) >= CONFIGURATIONS_KEPT:
                self._known.clear()
            known = self._known[key] = Configuration(self.wiring, closed, conducting)
        return known

    def consistent(
        self,
        closed: int,
        guess: int,
        observed: Callable[[Configuration], Array],
        *,
        turn_on_v: float = TURN_ON_V,
    ) -> tuple[Configuration, Array]:
        """The configuration whose diodes agree with the rows that `observed` finds in it."""
        first = self.wiring.first_diode_row
        seen: set[int] = set()
        cautious = False
        while True:
            found = self.configuration(closed, guess)
            rows = observed(found)
            wrong = _bits(found.outside(rows[first:], turn_on_v=turn_on_v))
            if not wrong or (cautious and guess in seen):
                return found, rows
            if guess in seen:
                cautious = True
                seen.clear()
            seen.add(guess)
            guess ^= wrong & -wrong if cautious else wrong

    def mask(self, closed: Iterable[str]) -> int:
        """The bit set of these contacts. Raises KeyError for a contact that the panel does not have."""
        return sum(1 << self.bit_of[name] for name in set(closed))

    def steady(self, closed: Iterable[str], *, volts: dict[str, float] | None = None) -> Steady:
        """Solve with exactly these contacts closed; `volts` replaces nominal supply voltages by tag."""
        levels = tuple((volts or {}).get(s.tag, s.nominal_v) for s in self.panel.supplies)
        found, rows = self.consistent(
            self.mask(closed), 0, lambda trial: trial.steady(levels), turn_on_v=EXACT_V
        )
        voltages = found.steady_voltages(levels)
        circuit = self.circuit
        coils = len(circuit.windings)
        return Steady(
            voltages={terminal: float(voltages[net]) for terminal, net in circuit.nets.items()},
            floating=self.terminals_on(found.floating),
            coil_currents_a={(w.of, w.index): float(a) for w, a in zip(circuit.windings, rows, strict=False)},
            probe_volts={p.name: float(v) for p, v in zip(circuit.probes, rows[coils:], strict=False)},
            conducting=frozenset(
                d.name for bit, d in enumerate(circuit.rectifiers) if found.conducting >> bit & 1
            ),
        )

    def terminals_on(self, nets: frozenset[int]) -> frozenset[Terminal]:
        """All terminals of these nets."""
        return frozenset(terminal for terminal, net in self.circuit.nets.items() if net in nets)


def _bits(flags: NDArray[np.bool_]) -> int:
    return sum(1 << bit for bit in flags.nonzero()[0].tolist())


def _wiring(circuit: Circuit) -> tuple[Wiring, tuple[str, ...]]:
    """The shared matrices, and the supplies left out because ideal connections already fix their poles."""
    group, offsets, shorted = _source_groups(circuit)
    names = {name: column for column, name in enumerate(dict.fromkeys(g for g in group if g >= 0))}
    reduce = np.zeros((circuit.count, len(names)))
    for net, name in enumerate(group):
        if name >= 0:
            reduce[net, names[name]] = 1.0
    look, shift = _observation(circuit)
    inductive = np.array([k for k, w in enumerate(circuit.windings) if w.henry > 0], dtype=np.intp)
    wiring = Wiring(circuit, reduce, offsets, _fixed_conductance(circuit), look, shift, inductive)
    return wiring, shorted


def _source_groups(circuit: Circuit) -> tuple[list[int], Array, tuple[str, ...]]:
    """For each net its group of nets a supply ties together (-1: tied to the reference) and its offset."""
    group = list(range(circuit.count))
    offsets = np.zeros((circuit.count, len(circuit.sources)))
    if circuit.count:
        group[circuit.sources[0].negative if circuit.sources else 0] = -1
    shorted: list[str] = []
    for column, source in enumerate(circuit.sources):
        keep, join = group[source.negative], group[source.positive]
        if keep == join:
            shorted.append(source.tag)
            continue
        step = offsets[source.negative] - offsets[source.positive]
        step[column] += 1.0
        if join == -1:
            keep, join, step = join, keep, -step
        for net in [net for net, name in enumerate(group) if name == join]:
            group[net] = keep
            offsets[net] += step
    return group, offsets, tuple(shorted)


def _fixed_conductance(circuit: Circuit) -> Array:
    base = np.eye(circuit.count) * LEAK_S
    for branch in (*circuit.branches, *circuit.probes):
        stamp(base, branch.a, branch.b, branch.siemens)
    for winding in circuit.windings:
        if winding.henry <= 0:
            stamp(base, winding.a, winding.b, 1.0 / winding.ohm)
    for diode in circuit.rectifiers:
        stamp(base, diode.anode, diode.cathode, LEAK_S)
    return base


def _observation(circuit: Circuit) -> tuple[Array, Array]:
    """Rows from net voltages: winding currents, volts a probe senses, volts above each forward voltage.

    A wetted probe senses what is left of its source across its own resistance.
    """
    ends = [(w.a, w.b, 1.0 / w.ohm, 0.0) for w in circuit.windings]
    ends += [(p.a, p.b, -1.0 if p.volts else 1.0, p.volts) for p in circuit.probes]
    ends += [(d.anode, d.cathode, 1.0, -d.forward_v) for d in circuit.rectifiers]
    look = np.zeros((len(ends), circuit.count))
    for row, (a, b, scale, _) in enumerate(ends):
        look[row, a] += scale
        look[row, b] -= scale
    return look, np.array([shift for *_, shift in ends])
