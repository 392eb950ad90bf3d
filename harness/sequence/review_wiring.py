"""Review of a bench's terminal map against a panel: does each channel sit where the diagram has its thing.

Two terminals are the same point when one wire joins them. An output may stand with its two terminals either
way round; a voltage input may not, unless it reads both polarities.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from harness.bench.parts import InputChannel, OutputChannel
from harness.errors import Problem
from harness.panel.nets import terminals_of
from harness.panel.parts import Panel, Relay, RelayContact, Terminal
from harness.source import KeyPath, Source
from harness.wording import either, nearest, quoted

_SHOWN = 5


@dataclass(frozen=True)
class Points:
    """The points of a panel: terminals by wire. A terminal in no wire is a point of its own."""

    panel: Panel
    terminals: frozenset[Terminal] = field(init=False)
    _wires: dict[Terminal, str] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "terminals", frozenset(terminals_of(self.panel)))
        wires = {terminal: wire.tag for wire in self.panel.wires for terminal in wire.terminals}
        object.__setattr__(self, "_wires", wires)

    def of(self, terminal: Terminal) -> str:
        """The name of the point: its wire's tag, or the terminal itself."""
        return self._wires.get(terminal, terminal)

    def words(self, terminal: Terminal) -> str:
        """`wire W3 (X1:6, S1:13)`, where a clip may go instead of `terminal`."""
        tag = self._wires.get(terminal)
        if tag is None:
            return f"{terminal} itself (it is in no wire)"
        others = [other for other, wire in self._wires.items() if wire == tag]
        more = ", ..." if len(others) > _SHOWN else ""
        return f"wire {tag} ({', '.join(others[:_SHOWN])}{more})"

    def on(self, terminal: Terminal) -> str:
        """`X1:7 on wire W4`."""
        tag = self._wires.get(terminal)
        return f"{terminal} on wire {tag}" if tag else f"{terminal} in no wire"


class WiringReview:
    """Reviews outputs, inputs and what is set by hand."""

    def __init__(
        self,
        panel: Panel,
        source: Source,
        outputs: tuple[OutputChannel, ...],
        inputs: tuple[InputChannel, ...],
    ) -> None:
        self._panel = panel
        self._points = Points(panel)
        self._source = source
        self._outputs = outputs
        self._inputs = inputs
        self._relays = {relay.tag: relay for relay in panel.relays}
        self._loads = {load.tag: load for load in panel.loads}

    def problems(self) -> Iterator[Problem]:
        """Everything wrong with the terminal map."""
        for output in self._outputs:
            yield from self._output(output)
        for channel in self._inputs:
            yield from self._input(channel)

    def _at(self, path: KeyPath, message: str) -> Problem:
        return self._source.problem(path, message)

    def _unknown_terminals(self, path: KeyPath, ends: tuple[Terminal, Terminal]) -> list[Problem]:
        found = []
        for index, end in enumerate(ends):
            if end not in self._points.terminals:
                message = f"panel {self._panel.tag} has no terminal {quoted(end)}"
                found.append(self._at((*path, index), message + nearest(end, self._points.terminals)))
        return found

    def _output(self, output: OutputChannel) -> Iterator[Problem]:
        path: KeyPath = ("outputs", output.name)
        tag, name = output.imitates
        devices = {device.tag: device for device in self._panel.devices}
        if tag not in devices:
            message = f"panel {self._panel.tag} has no device {quoted(tag)}{nearest(tag, devices)}"
            yield self._at((*path, "imitates"), message)
            return
        contacts = {contact.name: contact for contact in devices[tag].contacts}
        if devices[tag].inside:
            message = f"{tag} is inside the panel, its contacts are real; list it under 'hand' instead"
            yield self._at((*path, "imitates"), message)
        elif name not in contacts:
            message = f"{tag} has no contact {quoted(name)}; it has {either(tuple(contacts))}"
            yield self._at((*path, "imitates"), message)
        elif unknown := self._unknown_terminals((*path, "terminals"), output.terminals):
            yield from unknown
        elif not self._same(output.terminals, contacts[name].terminals):
            yield self._at((*path, "terminals"), self._misplaced(output, contacts[name].terminals))

    def _same(self, ends: tuple[Terminal, Terminal], wanted: tuple[Terminal, Terminal]) -> bool:
        points = sorted(self._points.of(end) for end in ends)
        return points == sorted(self._points.of(end) for end in wanted)

    def _misplaced(self, output: OutputChannel, wanted: tuple[Terminal, Terminal]) -> str:
        """Which of the two ends is wrong, and where it should be."""
        contact = ".".join(output.imitates)
        reached = [self._points.of(end) for end in output.terminals]
        open_ends = list(wanted)
        wrong = []
        for end, point in zip(output.terminals, reached, strict=True):
            fits = [other for other in open_ends if self._points.of(other) == point]
            if fits:
                open_ends.remove(fits[0])
            else:
                wrong.append(end)
        found = " and ".join(self._points.on(end) for end in wrong)
        expected = " and ".join(self._points.words(end) for end in open_ends)
        return f"{output.name} imitates {contact}, but has {found}; expected {expected}"

    def _input(self, channel: InputChannel) -> Iterator[Problem]:
        path: KeyPath = ("inputs", channel.name)
        if channel.watches not in self._panel.outputs:
            message = f"panel {self._panel.tag} has no relay or load {quoted(channel.watches)}"
            yield self._at((*path, "watches"), message + nearest(channel.watches, self._panel.outputs))
            return
        if unknown := self._unknown_terminals((*path, "terminals"), channel.terminals):
            yield from unknown
            return
        is_load = channel.watches in self._loads
        if is_load != (channel.proves == "load"):
            expected = "'load'" if is_load else "'coil' or 'contact'"
            what = "load" if is_load else "relay"
            message = f"{channel.watches} is a {what}, so an input cannot prove its {channel.proves}"
            yield self._at((*path, "proves"), f"{message}; expected {expected}")
        elif channel.proves == "contact":
            yield from self._contact(channel, self._relays[channel.watches])
        else:
            yield from self._coil(channel)

    def _coil(self, channel: InputChannel) -> Iterator[Problem]:
        """Across the coil or load: at its two wires, positive first, and not inverted."""
        path: KeyPath = ("inputs", channel.name)
        tag = channel.watches
        coils = (self._loads[tag].coil,) if tag in self._loads else self._relays[tag].coils
        ends = [coil.terminals for coil in coils]
        if not any(self._same(channel.terminals, wanted) for wanted in ends):
            found = " and ".join(self._points.on(end) for end in channel.terminals)
            expected = " and ".join(self._points.words(end) for end in ends[0])
            yield self._at(
                (*path, "terminals"), f"{channel.name} watches {tag}, but has {found}; expected {expected}"
            )
            return
        points = tuple(self._points.of(end) for end in channel.terminals)
        forward = any(points == tuple(self._points.of(end) for end in wanted) for wanted in ends)
        if not forward and not channel.both_polarities:
            first, second = channel.terminals
            message = f"{channel.name} has its terminals the wrong way round and would never read on; "
            yield self._at((*path, "terminals"), message + f"write [{second}, {first}]")
        if channel.inverted:
            message = f"{channel.name} lies across {tag}: it reads on when {tag} is energised, not inverted"
            yield self._at((*path, "inverted"), message)

    def _contact(self, channel: InputChannel, relay: Relay) -> Iterator[Problem]:
        """A wetted input lies across one contact; a voltage input has at least one end on one."""
        path: KeyPath = ("inputs", channel.name)
        points = {self._points.of(end) for end in channel.terminals}
        pairs = [pair for contact in relay.contacts for pair in _pairs(contact)]
        if not channel.wetting_v:
            yield from self._unwetted(channel, relay, points, pairs)
            return
        yield from self._live(channel)
        kinds = {kind for kind, ends in pairs if {self._points.of(end) for end in ends} == points}
        if not kinds:
            found = " and ".join(self._points.on(end) for end in channel.terminals)
            message = f"{channel.name} proves a contact of {relay.tag}, but has {found}; "
            yield self._at(
                (*path, "terminals"), message + f"expected the two ends of {_contact_words(relay)}"
            )
        elif channel.inverted and "break" not in kinds:
            message = (
                f"{channel.name} lies across a make contact: it reads on when {relay.tag} is picked up; "
            )
            yield self._at((*path, "inverted"), message + "take 'inverted' out")
        elif not channel.inverted and "make" not in kinds:
            message = (
                f"{channel.name} lies across a break contact: it reads on when {relay.tag} is dropped out; "
            )
            yield self._at((*path, "terminals"), message + "add 'inverted: true'")

    def _unwetted(
        self,
        channel: InputChannel,
        relay: Relay,
        points: set[str],
        pairs: list[tuple[str, tuple[Terminal, Terminal]]],
    ) -> Iterator[Problem]:
        path: KeyPath = ("inputs", channel.name)
        if any({self._points.of(end) for end in ends} == points for _, ends in pairs):
            message = f"{channel.name} lies across a contact, which has no voltage of its own to read"
            yield self._at(path, f"{message}; add wetting, for example 'wetting: 24 V'")
        elif not points & {self._points.of(end) for _, ends in pairs for end in ends}:
            found = " and ".join(self._points.on(end) for end in channel.terminals)
            message = f"{channel.name} proves a contact of {relay.tag}, but has {found}; "
            yield self._at((*path, "terminals"), message + f"expected {_contact_words(relay)}")

    def _live(self, channel: InputChannel) -> Iterator[Problem]:
        """The bench's wetting voltage belongs on a spare contact, which no wire of the panel reaches."""
        wired = [end for end in channel.terminals if self._points.of(end) != end]
        if wired:
            found = " and ".join(self._points.on(end) for end in wired)
            message = (
                f"{channel.name} puts its wetting voltage on {found}; a wetted input needs a spare contact"
            )
            yield self._at(("inputs", channel.name, "terminals"), f"{message}, one in no wire")


def _pairs(contact: RelayContact) -> list[tuple[str, tuple[Terminal, Terminal]]]:
    """The pairs of terminals that a contact joins, and whether as a make or a break."""
    if contact.kind == "change-over":
        common, opens, closes = contact.terminals
        return [("break", (common, opens)), ("make", (common, closes))]
    first, second = contact.terminals
    return [("break" if contact.kind == "break" else "make", (first, second))]


def _contact_words(relay: Relay) -> str:
    names = [f"{relay.tag}.{contact.name}" for contact in relay.contacts]
    return either(names) if names else f"a contact of {relay.tag}, which has none in the panel file"
