"""Planning a change of positions: which outputs move in which order. Pure; nothing is written here.

All devices change at the same moment as far as the bench can: contacts that open are opened in a first
write and contacts that close are closed in a second one, for a device whose contacts leave a gap; the other
way round for one whose contacts overlap. Where boards differ, a phase is one write per board; the rig
waits between phases until the slowest contact of the one before has moved. No forbidden combination of
positions may be passed, neither between two writes nor while the contacts of one write move in any order;
where the common order would, the devices are moved one after the other, in an order that does not.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import islice, permutations

from harness.bench.parts import Bench, OutputChannel
from harness.errors import BenchUnsafe
from harness.panel.parts import Device, Panel

Positions = Mapping[str, str]
_Commands = Mapping[tuple[str, int], set[bool]]
ORDERS_TRIED = 720


@dataclass(frozen=True, slots=True)
class Write:
    """One transaction: outputs of one board, by channel number. Phases of a plan count from 0."""

    board: str
    states: dict[int, bool]
    phase: int = 0


def contact_closed(device: Device, contact: str, position: str) -> bool:
    """Whether `contact` of `device` is closed in `position`."""
    return any(c.name == contact and position in c.closed_in for c in device.contacts)


class Mover:
    """Plans writes for one panel on one bench."""

    def __init__(self, panel: Panel, bench: Bench) -> None:
        self._devices = {device.tag: device for device in panel.devices}
        self._bench = bench
        self._driven: dict[str, list[OutputChannel]] = {}
        for output in bench.outputs:
            self._driven.setdefault(output.imitates[0], []).append(output)

    @property
    def driven(self) -> frozenset[str]:
        """Tags of the devices that outputs imitate."""
        return frozenset(self._driven)

    def command(self, output: OutputChannel, position: str) -> bool:
        """What to command the output for its contact to stand as in `position`."""
        device = self._devices[output.imitates[0]]
        return contact_closed(device, output.imitates[1], position) != output.normally_closed

    def rest(self, positions: Positions) -> list[Write]:
        """All driven outputs as `positions` say, in one write a board (the panel's supply is off)."""
        states: dict[str, dict[int, bool]] = {}
        for tag, outputs in self._driven.items():
            for output in outputs:
                states.setdefault(output.board, {})[output.channel] = self.command(output, positions[tag])
        return [Write(board, channels) for board, channels in states.items()]

    def plan(self, before: Positions, after: Positions) -> list[Write]:
        """The writes that lead from `before` to `after`, in order. Raises BenchUnsafe where none may."""
        self.refuse_forbidden(after)
        changing = [tag for tag in self._driven if before[tag] != after[tag]]
        together = self._phases(changing, before, after)
        if self._allowed(together, before):
            return together
        for order in islice(permutations(changing), ORDERS_TRIED):
            one_by_one = self._one_by_one(order, before, after)
            if self._allowed(one_by_one, before):
                return one_by_one
        raise BenchUnsafe(
            f"bench {self._bench.tag}: no order of switching leads from {_show(before, changing)} to "
            f"{_show(after, changing)} without passing a forbidden combination; put a step between"
        )

    def allowed(self, positions: Positions) -> bool:
        """Whether no forbidden combination stands at `positions`."""
        return next(self._standing(positions), None) is None

    def refuse_forbidden(self, after: Positions) -> None:
        """Raises BenchUnsafe where a forbidden combination stands at these positions."""
        for combination in self._standing(after):
            raise BenchUnsafe(
                f"bench {self._bench.tag}: {_show(combination, combination)} is forbidden; "
                "the bench file says these positions may never meet"
            )

    def _standing(self, positions: Positions) -> Iterator[Positions]:
        """The forbidden combinations that stand at these positions."""
        for combination in self._bench.forbidden:
            if all(positions.get(tag) == place for tag, place in combination.items()):
                yield combination

    def _phases(self, tags: Iterable[str], before: Positions, after: Positions) -> list[Write]:
        first: dict[str, dict[int, bool]] = {}
        second: dict[str, dict[int, bool]] = {}
        for tag in tags:
            device = self._devices[tag]
            for output in self._driven[tag]:
                closes = contact_closed(device, output.imitates[1], after[tag])
                if closes == contact_closed(device, output.imitates[1], before[tag]):
                    continue
                phase = second if closes == (device.change == "gap") else first
                phase.setdefault(output.board, {})[output.channel] = self.command(output, after[tag])
        phases = [phase for phase in (first, second) if phase]
        return [Write(b, s, number) for number, phase in enumerate(phases) for b, s in phase.items()]

    def _one_by_one(self, order: Iterable[str], before: Positions, after: Positions) -> list[Write]:
        writes: list[Write] = []
        for tag in order:
            start = writes[-1].phase + 1 if writes else 0
            writes += [replace(w, phase=start + w.phase) for w in self._phases([tag], before, after)]
        return writes

    def _allowed(self, writes: list[Write], before: Positions) -> bool:
        if not self._bench.forbidden:
            return True
        old = {_key(o): self.command(o, before[o.imitates[0]]) for o in self._bench.outputs}
        new = {(w.board, channel): on for w in writes for channel, on in w.states.items()}
        during = [self._turns(tag, writes) for tag in self._driven]
        for index in range(len(writes)):
            may: dict[tuple[str, int], set[bool]] = {key: {on} for key, on in old.items()}
            for keys, turns in during:
                for key in keys & new.keys():
                    may[key] = {old[key]} if index < turns.start else {new[key]}
                    may[key] |= {old[key], new[key]} if index in turns else set()
            if any(self._may_show(combination, may, before) for combination in self._bench.forbidden):
                return False
        return True

    def _turns(self, tag: str, writes: list[Write]) -> tuple[set[tuple[str, int]], range]:
        """The outputs of a device and the writes during which any of its contacts may stand either way."""
        keys = {_key(output) for output in self._driven[tag]}
        own = [i for i, write in enumerate(writes) if keys & {(write.board, c) for c in write.states}]
        return keys, range(own[0], own[-1] + 1) if own else range(len(writes), len(writes))

    def _may_show(self, combination: Positions, during: _Commands, before: Positions) -> bool:
        return all(
            self._may_stand(tag, position, during) if tag in self._driven else before.get(tag) == position
            for tag, position in combination.items()
        )

    def _may_stand(self, tag: str, position: str, during: _Commands) -> bool:
        return all(self.command(o, position) in during[_key(o)] for o in self._driven[tag])


def _key(output: OutputChannel) -> tuple[str, int]:
    return output.board, output.channel


def _show(positions: Positions, tags: Iterable[str]) -> str:
    return ", ".join(f"{tag} {positions[tag]}" for tag in tags)
