"""The sampling loop: reads all inputs of every board, stamps, notes changes, watches what must not show.

One round reads each board once, in one transaction a board; its stamps run from the first sending to the
last receipt, so that bounds made from them hold for every board. Nothing here judges a step.

The emergency stop and the supply are looked at in every round, changed or not: one comparison of the bits
that must read so while all is well.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from harness.bench.board import Board
from harness.bench.parts import Bench, SpecialChannel
from harness.clock import NS, Clock
from harness.errors import BenchError
from harness.run.channels import Channels
from harness.run.clock_watch import ClockWatch
from harness.run.events import ClockStepped, InputsChanged, Sink
from harness.run.origin import Origin


class EmergencyStop(BenchError):
    """The emergency stop was pressed, or its loop is broken."""


class SupplyLost(BenchError):
    """The panel's supply, which can be read, went away."""


class KeptOnTooLong(Exception):
    """A load was on for longer than the bench file allows."""

    def __init__(self, tag: str, longest_s: float) -> None:
        self.tag = tag
        super().__init__(f"{tag} was on for longer than the {longest_s:g} s that the bench file allows")


@dataclass(frozen=True, slots=True)
class Shot:
    """One round over all boards: first sending, last receipt (ns), and the combined input word."""

    sent_ns: int
    received_ns: int
    word: int


class Sampler:
    """Polls the boards, in the order of the bench file."""

    def __init__(
        self,
        bench: Bench,
        boards: Mapping[str, Board],
        channels: Channels,
        clock: Clock,
        sink: Sink,
        origin: Origin,
        *,
        beat: Callable[[], None],
    ) -> None:
        self._ports = [
            (boards[spec.name], channels.offsets[spec.name], (1 << spec.input_count) - 1)
            for spec in bench.boards
            if spec.input_count
        ]
        self._channels = channels
        self._clock = clock
        self._sink = sink
        self._origin = origin
        self._beat = beat
        self._poll_ns = round(max((spec.poll_s for spec in bench.boards), default=0.0) * NS)
        self._stop = _special(bench.emergency_stop, channels)
        self._present = _special(bench.supply_present, channels)
        self._heeding = True
        self._supply_expected = False
        self._well_mask = self._well_bits = 0
        self._attend()
        round_ns = sum(round(spec.timeout_s * (spec.retries + 1) * NS) for spec in bench.boards)
        self.clocks = ClockWatch(clock, round_ns + self._poll_ns, self._clock_stepped)
        self._look_ns = 0
        self._on_limits = [
            (tag, channels.pattern({tag: True}), longest_s)
            for tag, longest_s in bench.longest_on_s.items()
            if tag in channels.judging
        ]
        self._on_since: dict[str, int] = {}
        self.last: Shot | None = None
        self.polls = 0
        self.longest_gap_ns = 0

    def forget(self) -> None:
        """Start a step: the longest gap counts from here."""
        self.longest_gap_ns = 0

    def poll(self) -> Shot:
        """One round at once. Raises EmergencyStop, SupplyLost, KeptOnTooLong, ComputerSlept, and what the
        boards raise."""
        self._beat()
        sent_ns = received_ns = word = 0
        for board, offset, mask in self._ports:
            sample = board.read()
            sent_ns = sent_ns or sample.sent_ns
            received_ns = sample.received_ns
            word |= (sample.bits & mask) << offset
        shot = Shot(sent_ns, received_ns, word)
        last, self.last = self.last, shot
        self.polls += 1
        if last is not None and received_ns - last.sent_ns > self.longest_gap_ns:
            self.longest_gap_ns = received_ns - last.sent_ns
        if last is None or word != last.word:
            self._changed(last, shot)
        if word & self._well_mask != self._well_bits:
            self._alarm(word)
        if self._heeding:
            if received_ns >= self._look_ns:
                self._look_ns = self.clocks.look()
            if self._on_limits:
                self._limit_on(shot)
        return shot

    def paced(self) -> Shot:
        """One round, not sooner than the poll period after the one before."""
        if self._poll_ns and self.last is not None:
            self._clock.sleep_until(self.last.sent_ns + self._poll_ns)
        return self.poll()

    @property
    def supply_present(self) -> bool:
        """Whether the input behind the supply reads it present in the last round."""
        return self.last is not None and _reads(self._present, self.last.word)

    def expect_supply(self) -> None:
        """From the next round on the input behind the supply, if there is one, must read it present."""
        self._supply_expected = True
        self._attend()

    def stop_heeding(self) -> None:
        """For making safe: what would end a run must not end its end."""
        self._heeding = False
        self._attend()

    def restart_limits(self) -> None:
        """Longest-on times count again from the next round (the supply has just come on)."""
        self._on_since.clear()

    def _changed(self, last: Shot | None, shot: Shot) -> None:
        changed = -1 if last is None else shot.word ^ last.word
        self._sink(
            InputsChanged(
                at_us=self._origin.down_us(shot.received_ns),
                board=_board_of(self._channels, changed),
                inputs=self._channels.named(shot.word, changed),
                before_us=self._origin.down_us(shot.sent_ns if last is None else last.sent_ns),
                sent_us=self._origin.down_us(shot.sent_ns),
                received_us=self._origin.up_us(shot.received_ns),
            )
        )

    def _attend(self) -> None:
        """Which bits must read how: emergency stop not pressed, supply present once it is expected."""
        stop, inverted = self._stop if self._heeding else (0, False)
        present = self._present if self._heeding and self._supply_expected else (0, False)
        self._well_mask = stop | present[0]
        self._well_bits = (stop if inverted else 0) | (0 if present[1] else present[0])

    def _alarm(self, word: int) -> None:
        if _reads(self._stop, word):
            raise EmergencyStop("emergency stop pressed or its loop broken; reset it and start the run again")
        raise SupplyLost(
            "the panel's supply went away during the run; check its fuse and the contactor, "
            "then start the run again"
        )

    def _clock_stepped(self, by_ns: int, text: str) -> None:
        at_us = self._origin.down_us(self._clock.now_ns())
        self._sink(ClockStepped(at_us=at_us, by_ms=by_ns // 1_000_000, text=text))

    def _limit_on(self, shot: Shot) -> None:
        for tag, pattern, longest_s in self._on_limits:
            if not pattern.shown_by(shot.word):
                self._on_since.pop(tag, None)
            elif shot.sent_ns - self._on_since.setdefault(tag, shot.received_ns) > longest_s * NS:
                raise KeptOnTooLong(tag, longest_s)


def _special(channel: SpecialChannel | None, channels: Channels) -> tuple[int, bool]:
    if channel is None:
        return 0, False
    return 1 << (channels.offsets[channel.board] + channel.channel), channel.inverted


def _reads(special: tuple[int, bool], word: int) -> bool:
    bit, inverted = special
    return bool(bit) and bool(word & bit) != inverted


def _board_of(channels: Channels, changed: int) -> str:
    if changed < 0:
        return "all"
    boards = {c.board for name, c in channels.inputs.items() if channels.bit(name) & changed}
    return " ".join(sorted(boards))
