"""The simulated bench: one panel, every channel of its bench wired to it, moved on lazily in exact time.

A request first moves the panel on to its own moment, event by event, and is then carried out; so times are
exact however rarely anyone asks. An output's contact moves after a delay drawn from its board's stated
output delay; a later command to the same output cancels moves not yet made. A reported input is the one of
the board's stated input age ago. A mapped supply contactor keeps every supply at 0 V until its contact has
closed; without one the supply is on from the start. The emergency-stop loop is healthy. Boards start in
their safe state. A board whose watchdog trips goes there by itself, at that moment.

Not modelled: bounce of the bench's own output contacts, gap or overlap of devices set by hand (they go from
one position to the other at one moment), sag and ripple of the supply, its rise and fall (they are steps),
input scan phase (age is constant), outputs that a board pulses or restores at power-up.
"""

from __future__ import annotations

import heapq
import random
from collections import deque
from collections.abc import Iterator, Sequence

from drivers.rig_registers import RigRegisters, Table
from drivers.rig_watchdog import watchdog_of
from harness.bench.hands import HAND, hand_board_spec, hand_channels, hand_positions
from harness.bench.parts import Bench, BoardSpec, SpecialChannel
from harness.clock import NS, Clock
from harness.errors import BenchError
from harness.panel.armature import Drawn
from harness.panel.faults import apply_all
from harness.panel.motion import Motion
from harness.panel.parts import OuterContact, Panel, Probe

_CONTACTOR = ""  # the name of the supply contactor among the moving contacts; no channel is called that


class SimulatedRig:
    """One circuit with all channels of a bench. Several boards share it; one thread owns it.

    `faults` are names as `panelproof faults` lists them, applied in order. The same seed gives the same
    relay times and output delays. Raises BenchError when the bench needs something the panel lacks.
    """

    def __init__(
        self, panel: Panel, bench: Bench, clock: Clock, *, seed: int = 0, faults: Sequence[str] = ()
    ) -> None:
        panel = apply_all(panel, faults)
        self.panel, self.bench, self.clock = panel, bench, clock
        self.specs = _specs(panel, bench)
        self._delays = random.Random(f"{seed} output delays")  # noqa: S311 - repeatable, not secret
        self._hands = hand_channels(bench.hand_set, panel.positions)
        self._places = {tag: panel.rest[tag] for tag, _ in self._hands}
        self._images = {name: spec.safe_image for name, spec in self.specs.items()}
        made = {name: watchdog_of(spec) for name, spec in self.specs.items()}
        self.watchdogs = {name: watchdog for name, watchdog in made.items() if watchdog is not None}
        self._trip_ns: int | None = None
        self._levels = {setting.of: 0.0 for setting in bench.supply_settings}
        self.registers = {name: RigRegisters(bench, name, self, made[name]) for name in self.specs}
        self._moves: list[tuple[int, int, str, bool]] = []
        self._serial = 0
        self._now_ns = clock.now_ns()
        self._age_ns = {name: round(spec.input_age_s * NS) for name, spec in self.specs.items()}
        self._keep_ns = max(self._age_ns.values(), default=0)
        self._reported: dict[tuple[str, int, bool], int] = {}
        times = Drawn(random.Random(f"{seed} relay times"))  # noqa: S311 - repeatable, not secret
        self.motion = Motion(
            panel, outer=_contacts(panel, bench), probes=_probes(bench), times=times, start_ns=self._now_ns
        )
        self.motion.set_outer(_closed_at_rest(panel, bench))
        self._supply_on = False
        self._switch_supply(bench.contactor is None or bench.contactor.inverted)
        self._history = deque([(self._now_ns, self.motion.probe_word(), self._supply_on)])

    def write(self, board: str, image: int) -> None:
        """Command all outputs of a board now. Raises ValueError for hands in two positions at once."""
        now_ns = self._hear(board)
        watchdog = self.watchdogs.get(board)
        if watchdog is not None:
            if watchdog.holds:
                return
            watchdog.commanded(now_ns)
            self._look_for_trips()
        if board == HAND:
            self._by_hand(image, now_ns)
        self._set_outputs(board, image, now_ns)
        self.advance()

    def read(self, board: str) -> int:
        """What a board reports now: bit k is input k."""
        now_ns = self._hear(board)
        seen_ns = now_ns - self._age_ns[board]
        _, word, supply_on = next(
            (entry for entry in reversed(self._history) if entry[0] <= seen_ns), self._history[0]
        )
        key = (board, word, supply_on)
        if key not in self._reported:
            self._reported[key] = self._inputs(board, word, supply_on)
        return self._reported[key]

    def outputs(self, board: str) -> int:
        """The outputs as last commanded, or as its watchdog set them: bit k for output k."""
        if board in self.watchdogs:
            self._hear(board)
        return self._images[board]

    def read_registers(self, board: str, table: Table, address: int, count: int) -> tuple[int, ...]:
        """Registers of a board now. Raises LookupError where it has none."""
        self._hear(board)
        return self.registers[board].read(table, address, count)

    def write_registers(self, board: str, address: int, values: Sequence[int]) -> None:
        """Write holding registers of a board now. Raises LookupError where it has none."""
        now_ns = self._hear(board)
        self.registers[board].write(address, values, now_ns)
        self._look_for_trips()
        self._note(now_ns)

    def level(self, tag: str, *, before_contactor: bool = False) -> float:
        """What a supply gives now, V; behind the contactor nothing while that is open."""
        supply = next(supply for supply in self.panel.supplies if supply.tag == tag)
        if not self._supply_on and not before_contactor:
            return 0.0
        return self._levels.get(tag, supply.levels[self._places.get(tag, "nominal")])

    def set_level(self, tag: str, volts: float) -> None:
        """A programmable supply is set to `volts` now."""
        self._levels[tag] = volts
        self.motion.advance_to(self._now_ns)
        self._switch_supply(self._supply_on)

    def advance(self) -> int:
        """Move the panel on to now, and return that moment in ns."""
        now_ns = self._now_ns = self.clock.now_ns()
        while True:
            event_ns = self.motion.next_event_ns
            move_ns = self._moves[0][0] if self._moves else None
            due = [ns for ns in (event_ns, move_ns, self._trip_ns) if ns is not None and ns <= now_ns]
            if not due:
                return now_ns
            at_ns = min(due)
            self.motion.advance_to(at_ns)
            if self._trip_ns is not None and self._trip_ns <= at_ns:
                self._trip(at_ns)
            if move_ns is not None and move_ns <= at_ns:
                self._carry_out(at_ns)
            self._note(at_ns)

    def _note(self, at_ns: int) -> None:
        entry = (at_ns, self.motion.probe_word(), self._supply_on)
        if entry[1:] == self._history[-1][1:]:
            return
        self._history.append(entry)
        while len(self._history) > 1 and self._history[1][0] <= at_ns - self._keep_ns:
            self._history.popleft()

    def _hear(self, board: str) -> int:
        """A request to a board came now; that moment in ns."""
        now_ns = self.advance()
        watchdog = self.watchdogs.get(board)
        if watchdog is not None:
            watchdog.heard(now_ns)
            self._look_for_trips()
        return now_ns

    def _look_for_trips(self) -> None:
        """Find out anew when the next watchdog will trip."""
        deadlines = [watchdog.deadline_ns for watchdog in self.watchdogs.values()]
        self._trip_ns = min((ns for ns in deadlines if ns is not None), default=None)

    def _trip(self, at_ns: int) -> None:
        for board, watchdog in self.watchdogs.items():
            deadline_ns = watchdog.deadline_ns
            if deadline_ns is not None and deadline_ns <= at_ns:
                watchdog.tripped = True
                self._set_outputs(board, self.specs[board].safe_image, at_ns)
        self._look_for_trips()

    def _set_outputs(self, board: str, image: int, now_ns: int) -> None:
        changed = image ^ self._images[board]
        self._images[board] = image
        for channel in range(self.specs[board].output_count):
            if changed >> channel & 1 and board != HAND:
                self._command(board, channel, bool(image >> channel & 1), now_ns)

    def _command(self, board: str, channel: int, on: bool, now_ns: int) -> None:
        span = self.specs[board].output_delay_s
        at_ns = now_ns + round(self._delays.uniform(span.low, span.high) * NS)
        for name, closed in self._driven(board, channel, on):
            self._moves = [move for move in self._moves if move[2] != name or move[0] < at_ns]
            self._moves.append((at_ns, self._serial, name, closed))
            self._serial += 1
        heapq.heapify(self._moves)

    def _driven(self, board: str, channel: int, on: bool) -> Iterator[tuple[str, bool]]:
        for output in self.bench.outputs:
            if (output.board, output.channel) == (board, channel):
                yield output.name, on != output.normally_closed
        contactor = self.bench.contactor
        if contactor is not None and (contactor.board, contactor.channel) == (board, channel):
            yield _CONTACTOR, on != contactor.inverted

    def _carry_out(self, at_ns: int) -> None:
        """Make all moves of one moment at once, so that no order among them is invented."""
        contacts = {}
        while self._moves and self._moves[0][0] <= at_ns:
            _, _, name, closed = heapq.heappop(self._moves)
            if name == _CONTACTOR:
                self._switch_supply(closed)
            else:
                contacts[name] = closed
        if contacts:
            self.motion.set_outer(contacts)

    def _switch_supply(self, on: bool) -> None:
        self._supply_on = on
        for supply in self.panel.supplies:
            self.motion.set_supply(supply.tag, self.level(supply.tag))

    def _by_hand(self, image: int, now_ns: int) -> None:
        places = hand_positions(self._hands, image)
        self.motion.advance_to(now_ns)
        for tag, place in places.items():
            position = place or self.panel.rest[tag]
            if position != self._places[tag]:
                self._places[tag] = position
                self._set_by_hand(tag, position)
        self._note(now_ns)

    def _set_by_hand(self, tag: str, position: str) -> None:
        if tag in {supply.tag for supply in self.panel.supplies}:
            self._switch_supply(self._supply_on)
            return
        device = self.panel.device(tag)
        self.motion.set_position(tag, position)
        if not device.inside:
            own = {f"{tag}.{contact.name}": position in contact.closed_in for contact in device.contacts}
            self.motion.set_outer(own)

    def _inputs(self, board: str, word: int, supply_on: bool) -> int:
        bits = 0
        for index, channel in enumerate(self.bench.inputs):
            if channel.board == board:
                bits |= (word >> index & 1) << channel.channel
        bits |= _special(self.bench.supply_present, board, supply_on)
        return bits | _special(self.bench.emergency_stop, board, False)


def _special(channel: SpecialChannel | None, board: str, state: bool) -> int:
    if channel is None or channel.board != board:
        return 0
    return int(state != channel.inverted) << channel.channel


def _specs(panel: Panel, bench: Bench) -> dict[str, BoardSpec]:
    specs = {spec.name: spec for spec in bench.boards if spec.name != HAND}
    if bench.hand_set:
        if not bench.boards:
            raise BenchError(f"bench {bench.tag}: no board; a simulated bench needs at least one")
        specs[HAND] = hand_board_spec(bench, panel, bench.boards[0])
    return specs


def _contacts(panel: Panel, bench: Bench) -> list[OuterContact]:
    """Every bench output, and the own contacts of devices that a person sets outside the panel."""
    contacts = [OuterContact(name=output.name, terminals=output.terminals) for output in bench.outputs]
    for tag in _own(panel, bench):
        for contact in panel.device(tag).contacts:
            contacts.append(OuterContact(name=f"{tag}.{contact.name}", terminals=contact.terminals))
    return contacts


def _closed_at_rest(panel: Panel, bench: Bench) -> dict[str, bool]:
    on = {(spec.name, channel) for spec in bench.boards for channel in spec.safe_on}
    closed = {o.name: ((o.board, o.channel) in on) != o.normally_closed for o in bench.outputs}
    for tag in _own(panel, bench):
        device = panel.device(tag)
        closed |= {f"{tag}.{contact.name}": device.rest in contact.closed_in for contact in device.contacts}
    return closed


def _own(panel: Panel, bench: Bench) -> list[str]:
    return [device.tag for device in panel.devices if device.tag in bench.hand_set and not device.inside]


def _probes(bench: Bench) -> list[Probe]:
    return [
        Probe(
            name=channel.name,
            terminals=channel.terminals,
            resistance_ohm=channel.resistance_ohm,
            on_v=channel.on_v,
            off_v=channel.off_v,
            filter_s=channel.filter_s,
            wetting_v=channel.wetting_v,
            both_polarities=channel.both_polarities,
        )
        for channel in bench.inputs
    ]
