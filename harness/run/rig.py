"""The bench as the steps see it: move devices to positions, poll inputs, make safe. Owns the open boards."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.bench.board import Board, Stamp
from harness.bench.parts import Bench, SpecialChannel
from harness.clock import NS, Clock
from harness.errors import BenchError
from harness.panel.parts import Panel
from harness.run.channels import Channels
from harness.run.events import Asked, MadeSafe, Moved, Sink, Written
from harness.run.hands import Ask, NotSet, SimulatedHands
from harness.run.moves import Mover, Write
from harness.run.origin import Origin
from harness.run.sampling import Sampler


@dataclass(frozen=True, slots=True)
class Fittings:
    """What a rig is made with: open boards by name, the clock, where events go, and hands."""

    boards: Mapping[str, Board]
    clock: Clock
    sink: Sink
    ask: Ask
    hands: SimulatedHands | None = None


@dataclass(slots=True)
class Rig:
    """One panel on one bench. Positions are what devices have been set to; rest until moved."""

    panel: Panel
    bench: Bench
    fittings: Fittings
    origin: Origin
    positions: dict[str, str] = field(init=False)
    channels: Channels = field(init=False)
    sampler: Sampler = field(init=False)
    mover: Mover = field(init=False)
    _names: dict[tuple[str, int], str] = field(init=False)

    def __post_init__(self) -> None:
        self.positions = dict(self.panel.rest)
        self.channels = Channels(self.bench)
        self.mover = Mover(self.panel, self.bench)
        self._names = {(o.board, o.channel): o.name for o in self.bench.outputs}
        if self.bench.contactor is not None:
            self._names[self.bench.contactor.board, self.bench.contactor.channel] = "supply contactor"
        self.sampler = Sampler(
            self.bench,
            self.fittings.boards,
            self.channels,
            self.fittings.clock,
            self.fittings.sink,
            self.origin,
        )

    @property
    def now_us(self) -> int:
        return self.origin.down_us(self.fittings.clock.now_ns())

    def rest(self) -> None:
        """Command every driven output to its rest position; the panel's supply is still off."""
        self._write_all(self.mover.rest(self.positions))

    def move(self, target: Mapping[str, str]) -> Stamp:
        """Set devices; hand-set things first. Returns the stamp from first sending to last acknowledgement.

        Raises NotSet when a person did not set something, BenchUnsafe for a forbidden combination.
        """
        wanted = {tag: place for tag, place in target.items() if self.positions[tag] != place}
        now_ns = self.fittings.clock.now_ns()
        if not wanted:
            return Stamp(now_ns, now_ns)
        self.fittings.sink(Moved(at_us=self.now_us, positions=wanted))
        stamp = self._by_hand({t: p for t, p in wanted.items() if t not in self.mover.driven})
        after = self.positions | {t: p for t, p in wanted.items() if t in self.mover.driven}
        stamps = self._write_all(self.mover.plan(self.positions, after))
        self.positions = after
        stamps = [stamp, *stamps] if stamp is not None else stamps
        return Stamp(stamps[0].sent_ns, stamps[-1].received_ns) if stamps else Stamp(now_ns, now_ns)

    def close_supply(self, closed: bool) -> None:
        """Close or open the panel's supply contactor, where the bench has one."""
        contactor = self.bench.contactor
        if contactor is not None:
            self._write(Write(contactor.board, {contactor.channel: closed}))
            self.sampler.restart_limits()

    def reads(self, channel: SpecialChannel) -> bool:
        """One of the bench's own inputs, as last polled."""
        return self.sampler.special(channel)

    def make_safe(self) -> str:
        """The panel's supply off first, then all outputs of every board, whatever one of them says.

        Returns what a person has to do when the bench could not be made safe, else nothing.
        """
        troubles = list(dict.fromkeys([*self._supply_off(), *self._outputs_off()]))
        unproved = [name for name, board in self.fittings.boards.items() if not _proved_off(board)]
        unsafe = ""
        if not unproved:
            text = "all outputs off, read back from every board"
        elif troubles:
            reasons = "; ".join(troubles)
            text = unsafe = f"NOT SAFE as far as is known: switch the panel's supply off by hand ({reasons})"
        else:
            text = f"all outputs commanded off, not proved on {', '.join(unproved)}"
        self.fittings.sink(MadeSafe(at_us=self.now_us, proved=not unproved, text=text))
        return unsafe

    def _supply_off(self) -> list[str]:
        try:
            self.close_supply(False)
        except BenchError as error:
            return [str(error)]
        return []

    def _outputs_off(self) -> list[str]:
        troubles = []
        for board in self.fittings.boards.values():
            try:
                board.make_safe()
            except BenchError as error:
                troubles.append(str(error))
        return troubles

    def _by_hand(self, wanted: Mapping[str, str]) -> Stamp | None:
        if not wanted:
            return None
        stamp = None
        if self.fittings.hands is not None:
            written, stamp = self.fittings.hands.set(wanted)
            self._written(self.fittings.hands.name, written, stamp)
        else:
            for tag, position in wanted.items():
                self._ask(tag, position)
        self.positions = self.positions | dict(wanted)
        return stamp

    def _ask(self, tag: str, position: str) -> None:
        request = f"Set {tag}{self._title(tag)} to {self._level(tag, position)} by hand"
        answer = self.fittings.ask(request)
        self.fittings.sink(Asked(at_us=self.now_us, request=request, answer=answer))
        if answer != "done":
            raise NotSet(f"{request}: {answer}")

    def _title(self, tag: str) -> str:
        titles = {device.tag: device.title for device in self.panel.devices}
        return f" ({titles[tag]})" if titles.get(tag) else ""

    def _level(self, tag: str, position: str) -> str:
        for supply in self.panel.supplies:
            if supply.tag == tag:
                return f"{supply.levels[position]:g} V ({position})"
        return position

    def _write_all(self, writes: list[Write]) -> list[Stamp]:
        stamps: list[Stamp] = []
        for write, before in zip(writes, [None, *writes], strict=False):
            if before is not None and write.phase != before.phase:
                self._let_contacts_move(stamps[-1])
            stamps.append(self._write(write))
        return stamps

    def _let_contacts_move(self, stamp: Stamp) -> None:
        """Wait as long as contacts of one phase may lag behind those of the next."""
        delays = [board.output_delay_s for board in self.bench.boards]
        lag_s = max(delay.high for delay in delays) - min(delay.low for delay in delays)
        self.fittings.clock.sleep_until(stamp.received_ns + round(lag_s * NS))

    def _write(self, write: Write) -> Stamp:
        stamp = self.fittings.boards[write.board].write(write.states)
        names = {
            number: self._names.get((write.board, number), f"output {number}") for number in write.states
        }
        self._written(write.board, {names[number]: on for number, on in write.states.items()}, stamp)
        return stamp

    def _written(self, board: str, states: Mapping[str, bool], stamp: Stamp) -> None:
        self.fittings.sink(
            Written(
                at_us=self.origin.down_us(stamp.received_ns),
                board=board,
                outputs={name: "on" if on else "off" for name, on in states.items()},
                sent_us=self.origin.down_us(stamp.sent_ns),
                acknowledged_us=self.origin.up_us(stamp.received_ns),
            )
        )


def _proved_off(board: Board) -> bool:
    try:
        return board.read_back() == 0
    except BenchError:
        return False
