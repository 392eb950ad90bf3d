"""Why a coil or load is fed or not: the paths that feed it, or where each candidate path is interrupted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from harness.errors import UsageError
from harness.panel.current_paths import (
    Hop,
    Link,
    Passes,
    at_wires_of,
    coil_label,
    coils,
    labels,
    links,
    poles,
    possible,
    seals,
    search,
    wire_runs,
)
from harness.panel.parts import Coil, Panel, Terminal
from harness.panel.settling import at_positions

PATHS_SHOWN = 12
WAYS_TRIED = 4 * PATHS_SHOWN
LONG_RUN = 10
"""Terminals of one wire that are all written; of a longer run the ends, and the diagram has the rest."""
STATE_WORDS = {
    "relay": {True: "picked up", False: "dropped out", None: "undecided"},
    "load": {True: "energised", False: "de-energised", None: "undecided"},
}
FEEDS_V = 0.1
"""A coil with less across it counts as not fed: leakage, no current worth a path."""
FALLS_V = 1e-6
"""A contact carries current when at least this voltage falls across it: 20 microampere at 0.05 ohm."""


@dataclass(frozen=True, slots=True)
class PathPart:
    """One wire, contact or part on a path. `blocked` says why no current passes; empty when it does."""

    label: str
    blocked: str = ""

    def __str__(self) -> str:
        return f"{self.label} ({self.blocked})" if self.blocked else self.label


@dataclass(frozen=True, slots=True)
class Path:
    """A path from a positive pole through the target to a negative pole. `feeds`: current flows along it.

    `runs` holds its terminals in order, a run for each wire. `seals`: it leads through a make contact of
    the target itself, so it keeps the target up and never picks it up.
    """

    parts: tuple[PathPart, ...]
    feeds: bool
    runs: tuple[tuple[Terminal, ...], ...] = field(default=(), compare=False)
    seals: bool = field(default=False, compare=False)

    def __str__(self) -> str:
        return " > ".join(str(part) for part in self.parts)

    @property
    def interrupted(self) -> tuple[PathPart, ...]:
        return tuple(part for part in self.parts if part.blocked)

    @property
    def terminals(self) -> str:
        """Where to hold the meter, in order: commas along a wire, `>` through a contact or part."""
        return " > ".join(", ".join(_folded(run)) for run in self.runs)


def _folded(run: tuple[Terminal, ...]) -> tuple[Terminal, ...]:
    """A long run, as a supply's return past every coil is, with its middle counted and not written."""
    if len(run) <= LONG_RUN:
        return run
    return (*run[:3], f"[{len(run) - 5} more]", *run[-2:])


@dataclass(frozen=True, slots=True)
class CoilFeed:
    """One coil of the target: the voltage across it and the paths that feed it or could."""

    label: str
    volts: float
    pick_up_v: float
    paths: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why `target` is in `state` at `positions`; `state` is None while the panel does not settle."""

    target: str
    kind: Literal["relay", "load"]
    positions: dict[str, str]
    state: bool | None
    coils: tuple[CoilFeed, ...]
    notes: tuple[str, ...] = ()

    @property
    def paths(self) -> tuple[Path, ...]:
        return tuple(path for coil in self.coils for path in coil.paths)

    @property
    def lines(self) -> tuple[str, ...]:
        """Text for a fitter: a headline, then one path a line."""
        return tuple(_lines(self))

    def as_json(self) -> dict[str, Any]:
        """A JSON document of the explanation."""
        return {
            "format": 1,
            "target": self.target,
            "positions": self.positions,
            "state": self.state,
            "coils": [_coil_json(coil) for coil in self.coils],
            "notes": list(self.notes),
        }


def explain(
    panel: Panel,
    target: str,
    positions: Mapping[str, str],
    *,
    volts: Mapping[str, float] | None = None,
    coil_temperature_c: float = 20.0,
) -> Explanation:
    """What feeds relay or load `target` with the panel at rest taken to `positions` and settled.

    Raises UsageError when the panel has no such relay or load, device or position.
    """
    owned = coils(panel).get(target)
    if owned is None:
        known = ", ".join(panel.outputs)
        raise UsageError(f"explain '{target}': panel {panel.tag} has no such relay or load; it has {known}")
    motion, settled = at_positions(panel, positions, volts=volts, coil_temperature_c=coil_temperature_c)
    states, complete = motion.states(), panel.rest | dict(positions)
    scene = _Scene(panel, links(panel, complete, states), motion.voltages())
    feeds = tuple(scene.feed_of(coil_label(target, coil, len(owned)), coil) for coil in owned)
    state = None if target in settled.buzzing else states[target]
    kind: Literal["relay", "load"] = "load" if any(load.tag == target for load in panel.loads) else "relay"
    return Explanation(target, kind, complete, state, feeds, _notes(target, state, feeds, settled.buzzing))


@dataclass(frozen=True, slots=True)
class _Scene:
    """The panel as it stands: every link with its state, the voltage of every terminal."""

    panel: Panel
    graph: tuple[Link, ...]
    volts: Mapping[Terminal, float]

    def feed_of(self, label: str, coil: Coil) -> CoilFeed:
        """The paths that feed a coil; where there is none, the candidates and where each is interrupted."""
        first, second = coil.terminals
        falls = self.volts[first] - self.volts[second]
        paths = self._feeding(label, coil, falls) or self._candidates(label, coil)
        return CoilFeed(label, falls, coil.pick_up_v, tuple(paths))

    def _feeding(self, label: str, coil: Coil, falls: float) -> list[Path]:
        """Paths along which current flows into one end of the coil and out of the other."""
        if abs(falls) <= FEEDS_V:
            return []
        ends = coil.terminals if falls > 0 else coil.terminals[::-1]
        return self._joined(label, (ends[0], ends[1]), self._carries, self._carries, feeds=True)

    def _carries(self, link: Link, entered: Terminal, left: Terminal) -> bool:
        """Whether current flows through a link in this direction."""
        if link.blocked:
            return False
        return link.kind == "wire" or self.volts[entered] - self.volts[left] > FALLS_V

    def _candidates(self, label: str, coil: Coil) -> list[Path]:
        """Paths through contacts in any state, not through other coils, nor past a pole on the way."""
        positive, negative = (at_wires_of(self.panel, side) for side in poles(self.panel))
        first, second = coil.terminals
        for ends in ((first, second), (second, first)):
            into, out_of = _avoiding(negative - {ends[0]}), _avoiding(positive - {ends[1]})
            paths = self._joined(label, ends, into, out_of, feeds=False)
            if paths:
                return paths
        return []

    def _joined(
        self, label: str, ends: tuple[Terminal, Terminal], into: Passes, out_of: Passes, *, feeds: bool
    ) -> list[Path]:
        """Each way from a positive pole to one end with each way from the other end to a negative pole."""
        positive, negative = poles(self.panel)
        graph = [link for link in self.graph if not (link.kind == "coil" and link.label == label)]
        feed = [
            (pole, way)
            for pole in sorted(positive)
            for way in search(graph, pole, frozenset({ends[0]}), passes=into, limit=WAYS_TRIED)
        ]
        back = search(graph, ends[1], negative, passes=out_of, limit=WAYS_TRIED)
        both = [
            _path(pole, way, label, home, feeds=feeds)
            for pole, way in feed
            for home in back
            if _apart(way, home) and possible((*way, *home))
        ]
        both.sort(key=lambda path: (len(path.interrupted), path.seals, len(path.parts)))
        return list(dict.fromkeys(both))[:PATHS_SHOWN]


def _avoiding(barred: frozenset[Terminal]) -> Passes:
    def may_carry(link: Link, entered: Terminal, left: Terminal) -> bool:
        backwards = link.kind == "diode" and entered == link.ends[1]
        return link.kind != "coil" and not backwards and left not in barred

    return may_carry


def _apart(way: Sequence[Hop], home: Sequence[Hop]) -> bool:
    """Whether two halves of a path have no terminal in common."""
    there = {end for hop in way for end in hop[1:]}
    return there.isdisjoint(end for hop in home for end in hop[1:])


def _path(pole: Terminal, way: Sequence[Hop], label: str, home: Sequence[Hop], *, feeds: bool) -> Path:
    parts = [PathPart(*pair) for pair in labels(way)]
    start, end = pole.partition("~")[0], home[-1][2] if home else ""
    if not parts or parts[0].label != start:
        parts.insert(0, PathPart(start))
    parts.append(PathPart(label))
    parts.extend(PathPart(*pair) for pair in labels(home))
    if end and parts[-1].label != end:
        parts.append(PathPart(end))
    sealed = seals((*way, *home), label.partition(":")[0])
    return Path(tuple(parts), feeds, wire_runs(pole, way, home), sealed)


def _notes(
    target: str, state: bool | None, feeds: Sequence[CoilFeed], buzzing: Sequence[str]
) -> tuple[str, ...]:
    notes = [f"{tag} buzzes: it interrupts its own feed" for tag in buzzing]
    live = [coil for coil in feeds if any(path.feeds for path in coil.paths)]
    first = feeds[0]
    if state is False and first in live:
        if abs(first.volts) < first.pick_up_v:
            found = f"only partly fed: {first.volts:.1f} V, it picks up at {first.pick_up_v:g} V"
        else:
            found = f"fed {first.volts:.1f} V, at 20 C enough ({first.pick_up_v:g} V), and does not pick up"
        notes.append(f"{first.label} is {found}")
    if state and not live:
        notes.append(f"{target} stays picked up without a feed")
    if any(coil.volts < -FEEDS_V for coil in live):
        notes.append(f"{target} is fed with reversed polarity")
    return tuple(notes)


def _lines(explanation: Explanation) -> list[str]:
    words = STATE_WORDS[explanation.kind]
    lines = [f"{explanation.target}: {words[explanation.state]}"]
    for coil in explanation.coils:
        fed = any(path.feeds for path in coil.paths)
        head = (
            f"{coil.label}: {coil.volts:.1f} V, fed by"
            if fed
            else f"{coil.label}: not fed; each path is interrupted"
        )
        lines.append(head if coil.paths else f"{coil.label}: not fed; no path leads to it")
        lines.extend(f"  {path}" for path in coil.paths)
    lines.extend(f"note: {note}" for note in explanation.notes)
    return lines


def _coil_json(coil: CoilFeed) -> dict[str, Any]:
    return {
        "coil": coil.label,
        "volts": round(coil.volts, 3),
        "pick_up_volts": coil.pick_up_v,
        "paths": [
            {
                "feeds": path.feeds,
                "text": str(path),
                "parts": [{"part": part.label, "interrupted": part.blocked or None} for part in path.parts],
            }
            for path in coil.paths
        ],
    }
