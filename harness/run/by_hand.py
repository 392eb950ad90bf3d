"""Switching one output of a bench at a time by hand: which there are, which may move, and moving them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from harness.bench.board import Stamp
from harness.bench.parts import Bench, OutputChannel, SpecialChannel
from harness.panel.parts import Device, Diagram, Panel
from harness.run.events import Written
from harness.run.moves import contact_closed
from harness.run.rig import CONTACTOR, Rig


@dataclass(frozen=True, slots=True)
class Held:
    """An output that can be held. `state` is what it is commanded then: the other way than when safe.

    `imitates`: the device contact that it stands in for; None for the supply contactor.
    """

    name: str
    board: str
    channel: int
    state: bool
    imitates: tuple[str, str] | None = None
    normally_closed: bool = False

    @property
    def what(self) -> str:
        """Its name and the contact that it stands in for: `DO3 S1.13-14`, `supply contactor`."""
        return f"{self.name} {'.'.join(self.imitates)}" if self.imitates else self.name

    def contact(self, commanded: bool) -> str:
        """How its contact stands when it is commanded so."""
        return "closed" if commanded != self.normally_closed else "open"


def outputs_of(bench: Bench) -> tuple[Held, ...]:
    """Every output that can be held, in the order of the bench file, the supply contactor last."""
    safe = {board.name: board.safe_image for board in bench.boards}
    mapped = [
        Held(o.name, o.board, o.channel, not safe[o.board] >> o.channel & 1, o.imitates, o.normally_closed)
        for o in bench.outputs
    ]
    contactor = bench.contactor
    if contactor is not None:
        mapped.append(Held(CONTACTOR, contactor.board, contactor.channel, True))
    return tuple(mapped)


def unknown_panel() -> Panel:
    """A panel of which nothing is known."""
    return Panel(tag="", title="", diagram=Diagram(number="", revision=""), supplies=())


def refusals(bench: Bench, panel: Panel | None) -> dict[int, str]:
    """Outputs that must not be held, by index, because a forbidden combination would or might stand then."""
    judge = _Forbidden(bench, panel)
    reasons = ((index, judge.reason(held)) for index, held in enumerate(outputs_of(bench)))
    return {index: reason for index, reason in reasons if reason}


class _Forbidden:
    """In doubt a combination stands: what nobody drives, or belongs to an unknown panel, may be anywhere."""

    def __init__(self, bench: Bench, panel: Panel | None) -> None:
        self._bench = bench
        self._devices = {device.tag: device for device in panel.devices} if panel else {}
        self._safe = {board.name: board.safe_image for board in bench.boards}

    def reason(self, held: Held) -> str:
        for combination in self._bench.forbidden:
            involved = held.imitates[0] in combination if held.imitates else bool(self._devices)
            if involved and all(self._may_be(tag, place, held) for tag, place in combination.items()):
                words = ", ".join(f"{tag} {place}" for tag, place in combination.items())
                hint = "" if self._devices else "; --panel PANEL may show that it does not come to that"
                return f"{words} is forbidden by the bench file{hint}"
        return ""

    def _may_be(self, tag: str, place: str, held: Held) -> bool:
        """Whether the device may be taken to be there. Of the device that is moved one contact decides."""
        device = self._devices.get(tag)
        if device is None:
            return True
        moved = held.imitates
        if moved is not None and moved[0] == tag:
            return contact_closed(device, moved[1], place) == (held.state != held.normally_closed)
        outputs = [output for output in self._bench.outputs if output.imitates[0] == tag]
        return all(self._stands(output, device, place) for output in outputs)

    def _stands(self, output: OutputChannel, device: Device, place: str) -> bool:
        on = bool(self._safe[output.board] >> output.channel & 1)
        return contact_closed(device, output.imitates[1], place) == (on != output.normally_closed)


class Hand:
    """Moves outputs of an open rig, one at a time: the one before is safe before the next one moves."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self.outputs = outputs_of(rig.bench)
        self.held: int | None = None

    def switch(self, index: int | None) -> None:
        """Hold that output, or none. Raises BenchError; what stands then is unknown: make all safe."""
        if index == self.held:
            return
        if self.held is not None:
            before = self.outputs[self.held]
            stamp = self._rig.fittings.boards[before.board].make_safe()
            self.held = None
            self._tell(before, not before.state, stamp)
        if index is not None:
            wanted = self.outputs[index]
            self.held = index
            stamp = self._rig.fittings.boards[wanted.board].write({wanted.channel: wanted.state})
            self._tell(wanted, wanted.state, stamp)

    def _tell(self, held: Held, on: bool, stamp: Stamp) -> None:
        origin = self._rig.origin
        self._rig.fittings.sink(
            Written(
                at_us=origin.down_us(stamp.received_ns),
                board=held.board,
                outputs={held.name: "on" if on else "off"},
                sent_us=origin.down_us(stamp.sent_ns),
                acknowledged_us=origin.up_us(stamp.received_ns),
            )
        )


def own_channels(bench: Bench) -> Iterator[tuple[str, SpecialChannel]]:
    """The bench's own inputs by name, those that it has."""
    named = (("emergency stop", bench.emergency_stop), ("supply present", bench.supply_present))
    for name, channel in named:
        if channel is not None:
            yield name, channel
