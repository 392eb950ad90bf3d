"""The bench as the steps see it: move devices to positions, poll inputs, make safe. Owns the open boards."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field

from harness.bench.board import Board, Stamp
from harness.bench.parts import Bench
from harness.bench.watchdog_proofs import Proofs
from harness.clock import NS, Clock
from harness.errors import BenchError
from harness.panel.parts import Panel
from harness.run.channels import Channels
from harness.run.events import Asked, MadeSafe, Moved, Sink, Written
from harness.run.hands import Ask, NotSet, SimulatedHands
from harness.run.measures import Meters
from harness.run.moves import Mover, Write
from harness.run.origin import Origin
from harness.run.sampling import Sampler
from harness.run.watchdogs import Feeder, refuse_changed

CONTACTOR = "supply contactor"
SUPPLY_GOES_NS = NS // 2
LOOK_AGAIN_NS = NS // 100


def no_beat() -> None:
    """For runs that nobody guards."""


@dataclass(frozen=True, slots=True)
class Fittings:
    """What a rig is made with: open boards by name, the clock, where events go, and hands.

    `beat` tells the guardian that the runner is alive; it is called at every poll and write, so is cheap.
    `proofs`: where proofs of watchdogs are kept; None where they are not, so that each run proves anew.
    """

    boards: Mapping[str, Board]
    clock: Clock
    sink: Sink
    ask: Ask
    hands: SimulatedHands | None = None
    beat: Callable[[], None] = no_beat
    proofs: Proofs | None = None


@dataclass(slots=True)
class Rig:
    """One panel on one bench. Positions are what devices have been set to; rest until moved.

    `found_on` is said with the result: outputs that were not safe before the run.
    """

    panel: Panel
    bench: Bench
    fittings: Fittings
    origin: Origin
    positions: dict[str, str] = field(init=False)
    channels: Channels = field(init=False)
    sampler: Sampler = field(init=False)
    mover: Mover = field(init=False)
    watcher: Callable[[], object] = field(init=False)
    feeder: Feeder = field(init=False)
    meters: Meters = field(init=False)
    found_on: list[str] = field(init=False, default_factory=list)
    _supplied: bool = field(init=False, default=False)
    _names: dict[tuple[str, int], str] = field(init=False)

    def __post_init__(self) -> None:
        self.positions = dict(self.panel.rest)
        self.channels = Channels(self.bench)
        self.mover = Mover(self.panel, self.bench)
        self._names = {(o.board, o.channel): o.name for o in self.bench.outputs}
        if self.bench.contactor is not None:
            self._names[self.bench.contactor.board, self.bench.contactor.channel] = CONTACTOR
        self.feeder = Feeder(self.fittings.boards, self.fittings.clock, self.fittings.beat)
        self.meters = Meters(self)
        self.sampler = Sampler(
            self.bench,
            self.fittings.boards,
            self.channels,
            self.fittings.clock,
            self.fittings.sink,
            self.origin,
            beat=self.feeder.beat,
        )
        self.watcher = self.sampler.paced

    @property
    def now_us(self) -> int:
        return self.origin.down_us(self.fittings.clock.now_ns())

    @property
    def lag_ns(self) -> int:
        """How long after a write's acknowledgement its effect may show for the first time, relays aside."""
        delay_s = max((board.output_delay_s.high for board in self.bench.boards), default=0.0)
        return round(delay_s * NS) + self.channels.slack_ns

    @property
    def quiet_ns(self) -> int:
        """How long a panel without time-delay relays may stay quiet after a stimulus before it answers.

        The lag of the bench and the panel's two slowest relays, one after the other.
        """
        slow = sorted(max(r.operate_s.high, r.release_s.high) + r.bounce_s for r in self.panel.relays)
        return self.lag_ns + round(sum(slow[-2:]) * NS)

    def rest(self) -> None:
        """Everything to rest while the panel's supply is off; a person is asked for what is set by hand.

        Raises NotSet when a person did not set something.
        """
        by_hand = {tag: self.positions[tag] for tag in self.bench.hand_set}
        self._by_hand(by_hand)
        self._write_all(self.mover.rest(self.positions))

    def move(self, target: Mapping[str, str]) -> Stamp:
        """Set devices. The stamp runs from first sending, or a person's answer, to last acknowledgement.

        Raises NotSet when a person did not set something, BenchUnsafe for a forbidden combination.
        """
        wanted = {tag: place for tag, place in target.items() if self.positions[tag] != place}
        now_ns = self.fittings.clock.now_ns()
        if not wanted:
            return Stamp(now_ns, now_ns)
        self.mover.refuse_forbidden(self.positions | wanted)
        by_hand = {t: p for t, p in wanted.items() if t not in self.mover.driven}
        driven = {t: p for t, p in wanted.items() if t in self.mover.driven}
        hands_first = self.mover.allowed(self.positions | by_hand)
        between = self.positions | (by_hand if hands_first else driven)
        self.mover.refuse_forbidden(between)
        self.refuse_changed()
        plan = self.mover.plan(between if hands_first else self.positions, between | driven)
        stamps = self._by_hand(by_hand) if hands_first else []
        self.fittings.sink(Moved(at_us=self.now_us, positions=wanted if hands_first else driven))
        stamps += self._write_all(plan)
        self.positions = self.positions | driven
        if not hands_first:
            stamps += self._by_hand(by_hand)
            self.fittings.sink(Moved(at_us=self.now_us, positions=by_hand))
        return Stamp(stamps[0].sent_ns, stamps[-1].received_ns) if stamps else Stamp(now_ns, now_ns)

    def close_supply(self) -> None:
        """Close the panel's supply contactor, where the bench has one; `make_safe` opens it."""
        contactor = self.bench.contactor
        if contactor is not None:
            self._write(Write(contactor.board, {contactor.channel: True}))
            self._supplied = True
            self.sampler.restart_limits()

    def refuse_changed(self) -> None:
        """Raises BenchUnsafe when a board that can say so has not its outputs as they were commanded.

        Asked before each move, because the move itself would put them right again and hide it.
        """
        for spec in self.bench.boards:
            refuse_changed(self.fittings.boards[spec.name])

    @property
    def retried(self) -> int:
        """How often a question or command to any board had to be sent again so far."""
        return sum(board.retried for board in self.fittings.boards.values())

    def make_safe(self, report: Callable[[], None] = no_beat) -> str:
        """The panel's supply off first, then all outputs of every board, whatever one of them says.

        A board whose last call failed comes after the others. Nothing is reported before all was written:
        a slow disk or screen would keep outputs on for so long. `report` is called first of all reports.
        Returns what a person has to do when the bench could not be made safe, else nothing.
        """
        self.sampler.stop_heeding()
        self.feeder.stop()
        written, troubles = self._all_off()
        report()
        for name, outputs, stamp in written:
            self._written(name, outputs, stamp)
        found = {name: self._read_back(board) for name, board in self.fittings.boards.items()}
        unproved = [name for name, image in found.items() if image is None]
        present = self._supply_still_present()
        stuck = self._stuck(found)
        troubles += stuck
        if present:
            troubles.append("the supply still reads present: a welded contactor?")
        if present is None:
            unproved.append("the supply")
        unsafe = ""
        if troubles and (unproved or present or stuck):
            reasons = "; ".join(troubles)
            text = unsafe = f"NOT SAFE as far as is known: switch the panel's supply off by hand ({reasons})"
        elif unproved:
            text = f"all outputs commanded {self._safe}, not proved on {', '.join(unproved)}"
        else:
            text = f"all outputs {self._safe}, read back from every board"
        self.fittings.sink(MadeSafe(at_us=self.now_us, proved=not unproved and not unsafe, text=text))
        return unsafe

    @property
    def _safe(self) -> str:
        """What safe outputs are on this bench."""
        kept_on = any(board.safe_on for board in self.bench.boards)
        return "off but for those that are safe on" if kept_on else "off"

    def _all_off(self) -> tuple[list[tuple[str, dict[str, bool], Stamp]], list[str]]:
        """Write everything off; what was written, and what went wrong."""
        contactor = self.bench.contactor
        boards = sorted(self.fittings.boards.values(), key=lambda board: board.failing)
        written: list[tuple[str, dict[str, bool], Stamp]] = []
        troubles: list[str] = []
        if contactor is not None and not self.fittings.boards[contactor.board].failing:
            board = self.fittings.boards[contactor.board]
            try:
                written.append((board.name, {CONTACTOR: False}, board.write({contactor.channel: False})))
            except BenchError as error:
                troubles.append(str(error))
        for board in boards:
            self._alive()
            try:
                written.append((board.name, {"all outputs": False}, board.make_safe()))
            except BenchError as error:
                troubles.append(str(error))
        return written, list(dict.fromkeys(troubles))

    def _supply_still_present(self) -> bool | None:
        """Whether an input or a measure behind the contactor goes on showing the supply; None where one of
        them cannot be read."""
        clock = self.fittings.clock
        give_up_ns = clock.now_ns() + 2 * self.lag_ns + SUPPLY_GOES_NS
        try:
            while (present := self._supply_shows()) and clock.now_ns() < give_up_ns:
                clock.sleep_until(clock.now_ns() + LOOK_AGAIN_NS)
        except BenchError:
            return None
        return present

    def _supply_shows(self) -> bool | None:
        live = self.meters.still_live()
        if self.bench.supply_present is None or live:
            return live
        self.sampler.poll()
        return self.sampler.supply_present or live

    def _by_hand(self, wanted: Mapping[str, str]) -> list[Stamp]:
        """Set by hand, one after the other; the stamp is of when the last one stood."""
        asked = {tag: place for tag, place in wanted.items() if tag not in self.meters.settable}
        stamps = [self._by_register(tag, wanted[tag]) for tag in wanted if tag not in asked]
        if self.fittings.hands is not None and asked:
            written, stamp = self.fittings.hands.set(asked)
            self._written(self.fittings.hands.name, written, stamp)
            self.positions = self.positions | asked
            self._measure(asked)
            return [*stamps, stamp]
        for tag, position in asked.items():
            self._ask(tag, position)
            self.positions = self.positions | {tag: position}
            self._measure([tag])
        now_ns = self.fittings.clock.now_ns()
        return [*stamps, Stamp(now_ns, now_ns)]

    def _by_register(self, tag: str, position: str) -> Stamp:
        """Set a programmable supply; the stamp ends when it is measured at its level."""
        sent_ns = self.fittings.clock.now_ns()
        self.meters.set_level(tag, position)
        self.positions = self.positions | {tag: position}
        self._measure([tag])
        return Stamp(sent_ns, self.fittings.clock.now_ns())

    def _measure(self, tags: Iterable[str]) -> None:
        """Whatever was set, the measures of those supplies among `tags` that are on must agree."""
        self.meters.come_up(tags, contactor_closed=self._supplied or self.bench.contactor is None)

    def _ask(self, tag: str, position: str) -> None:
        request = f"Set {tag}{self._title(tag)} to {self._level(tag, position)} by hand"
        answer = self.fittings.ask(request, self._while_asking)
        self.fittings.sink(Asked(at_us=self.now_us, request=request, answer=answer))
        if answer != "done":
            raise NotSet(f"{request}: {answer}")

    def _while_asking(self) -> None:
        """Inputs are watched while a person is busy: the step's watches, emergency stop, supply, on-times."""
        self.feeder.beat()
        if self.sampler.last is not None:
            self.watcher()

    def by_hand(self, target: Mapping[str, str]) -> bool:
        """Whether a person, and not the bench, sets some of what changes on the way to `target`."""
        changing = {tag for tag, place in target.items() if self.positions[tag] != place}
        return self.fittings.hands is None and bool(changing - self.mover.driven - self.meters.settable)

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
        self.feeder.beat()
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

    def _read_back(self, board: Board) -> int | None:
        """The outputs after they were made safe; None where the board cannot say."""
        self._alive()
        try:
            return board.read_back()
        except BenchError:
            return None

    def _stuck(self, found: Mapping[str, int | None]) -> list[str]:
        """Boards whose outputs, by their own word, are not what they were told to be."""
        return [
            f"board {name} reads its outputs as {image:#x} after it was made safe: do not use it until it is "
            "repaired"
            for name, image in found.items()
            if image not in (None, self.fittings.boards[name].spec.safe_image)
        ]

    def _alive(self) -> None:
        """A beat while making safe, which nothing may end, not even a guardian that is lost."""
        with suppress(BenchError):
            self.fittings.beat()
