"""Proving states on a rig: that they settle in time and then stay. One prover serves one step.

A state is settled when three samples in a row agree with it (the bus has no checksum of its own over TCP).
After the limit the prover goes on looking for a while, so that the reading says how late, not only that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from harness.bench.board import Stamp
from harness.clock import NS
from harness.measure.reading import Reading, Verdict
from harness.run.channels import Pattern
from harness.run.rig import Rig
from harness.run.sampling import Shot
from harness.run.spells import Open, Spells
from harness.run.watching import Vigil, key_of
from harness.sequence.steps import States, Watch

AGREEING = 3
LONGEST_LOOK_AFTER_S = 1.0

Tell = Callable[[Shot, str], None]
Carried = dict[tuple[object, ...], Open]


def on_off(state: bool | None) -> str:
    """`on`, `off`, or that the inputs of one tag disagree."""
    return "unclear: its inputs disagree" if state is None else "on" if state else "off"


@dataclass(frozen=True, slots=True)
class Settling:
    """How states settled: the sample before they all agreed and the first that did (None: they did not)."""

    before: Shot | None
    first: Shot | None
    readings: tuple[Reading, ...]

    @property
    def reached(self) -> bool:
        return self.first is not None


class Prover:
    """Polls, watches and judges. `tell` is told of each sample for the screen; `carried` holds what the step
    before left showing under its watches."""

    def __init__(self, rig: Rig, tell: Tell, carried: Carried | None = None) -> None:
        self._rig = rig
        self._tell = tell
        self._carried = carried or {}
        self._vigils: list[Vigil] = []
        rig.watcher = lambda: self.sample("waiting for a person")
        rig.sampler.forget()

    def watch(self, watches: Iterable[Watch]) -> None:
        """Watch from the last sample on."""
        last = self._rig.sampler.last
        for watch in watches:
            before = self._carried.get(key_of(watch))
            vigil = Vigil(watch, self._rig.channels, self._rig.origin.down_us, last, before)
            self._vigils.append(vigil)

    def watched(self) -> tuple[Reading, ...]:
        """Readings of all watches."""
        return tuple(vigil.reading() for vigil in self._vigils)

    def showing(self) -> Carried:
        """What still shows under the watches of this step."""
        return {key_of(v.watch): v.open_spell for v in self._vigils if v.open_spell is not None}

    def sample(self, doing: str, *, flat_out: bool = False) -> Shot:
        """The next round, seen by every watch."""
        shot = self._rig.sampler.poll() if flat_out else self._rig.sampler.paced()
        for vigil in self._vigils:
            vigil.see(shot)
        self._tell(shot, doing)
        return shot

    def settle(self, states: States, since: Stamp, limit_s: float, note: str = "") -> Settling:
        """All of `states` must show within `limit_s` of the stimulus, the sample's receipt included."""
        limit_ns = round(limit_s * NS)
        give_up_ns = since.received_ns + limit_ns + round(min(max(limit_s, 0.1), LONGEST_LOOK_AFTER_S) * NS)
        # Before the write can have had any effect an agreeing sample says nothing.
        effect_ns = since.received_ns + self._rig.lag_ns
        arrivals = _Arrivals(states, self._rig, effect_ns)
        while not arrivals.settled:
            shot = self.sample(note or "settling")
            arrivals.see(shot)
            if shot.sent_ns > give_up_ns and not arrivals.agreeing:
                break
        readings = tuple(
            _state_reading(tag, on, arrivals, since, limit_ns, note) for tag, on in states.items()
        )
        in_time = all(reading.verdict is Verdict.PASS for reading in readings)
        return Settling(arrivals.before, arrivals.first if in_time else None, readings)

    def hold(
        self, states: States, hold_s: float, note: str = "", *, since: Stamp | None = None
    ) -> tuple[Reading, ...]:
        """`states` must stay for `hold_s`, and until the slowest answer to stimulus `since` would be there.

        A reading for each that left, none for those that stayed.
        """
        clock, channels = self._rig.fittings.clock, self._rig.channels
        start = self._rig.sampler.last
        end_ns = clock.now_ns() + round(hold_s * NS)
        if since is not None:
            end_ns = max(end_ns, since.received_ns + self._rig.quiet_ns)
        stays = {
            tag: (channels.pattern({tag: on}), Spells(channels.slack_ns, start)) for tag, on in states.items()
        }
        whole = channels.pattern(states)
        before, left = start, False
        while clock.now_ns() < end_ns:
            shot = self.sample(note or "holding")
            if not left and not whole.shown_by(shot.word):
                left = True
                _skip_all(stays, before)
            if left:
                _see_all(stays, shot)
            before = shot
        origin_ns = 0 if start is None else start.received_ns
        return tuple(
            _flicker_reading(tag, states[tag], spells, origin_ns, note)
            for tag, (_, spells) in stays.items()
            if spells.count or spells.open_spell is not None
        )

    def wait(self, duration_s: float, doing: str) -> None:
        """Keep sampling and watching for a while, judging nothing."""
        end_ns = self._rig.fittings.clock.now_ns() + round(duration_s * NS)
        while self._rig.fittings.clock.now_ns() < end_ns:
            self.sample(doing)


def _skip_all(stays: dict[str, tuple[Pattern, Spells]], shot: Shot | None) -> None:
    if shot is not None:
        for _, spells in stays.values():
            spells.skip_to(shot)


def _see_all(stays: dict[str, tuple[Pattern, Spells]], shot: Shot) -> None:
    for pattern, spells in stays.values():
        spells.see(shot, not pattern.shown_by(shot.word))


class _Arrivals:
    """When each tag came to show what is expected of it, and when all did."""

    def __init__(self, states: States, rig: Rig, effect_ns: int) -> None:
        self._states = states
        self._effect_ns = effect_ns
        self._lag_ns = rig.lag_ns
        self._channels = rig.channels
        self._pattern = rig.channels.pattern(states)
        self._word = -1
        self._previous: Shot | None = rig.sampler.last
        self.since: dict[str, tuple[Shot | None, Shot]] = {}
        self.read: dict[str, bool | None] = {}
        self.agreeing = 0
        self.before: Shot | None = None
        self.first: Shot | None = None

    @property
    def settled(self) -> bool:
        return self.agreeing >= AGREEING

    def see(self, shot: Shot) -> None:
        if shot.word != self._word:
            self._word = shot.word
            self._note(shot)
        if not self._pattern.shown_by(shot.word):
            self.agreeing, self.first = 0, None
        else:
            if self.first is None:
                self.first, self.before = shot, self._previous
            self.agreeing += shot.sent_ns >= self._effect_ns
        self._previous = shot

    def surely_over_ns(self, before: Shot | None, first: Shot, since: Stamp, limit_ns: int) -> int:
        """How far over the limit a change surely was, less than 0 if it need not have been: seen not before
        the last other sample less what the bench may hold back, from a write acknowledged at the latest."""
        seen_ns = since.received_ns if before is None else before.sent_ns - self._lag_ns
        return min(seen_ns, first.received_ns) - since.received_ns - limit_ns

    def by_coil(self, tag: str) -> str:
        """A remark where a relay is judged by the voltage at its coil."""
        proofs = {channel.proves for channel in self._channels.judging[tag]}
        return "coil voltage only" if proofs == {"coil"} else ""

    def _note(self, shot: Shot) -> None:
        for tag, expected in self._states.items():
            read = self.read[tag] = self._channels.state(tag, shot.word)
            if read != expected:
                self.since.pop(tag, None)
            else:
                self.since.setdefault(tag, (self._previous, shot))


def _state_reading(
    tag: str, on: bool, arrivals: _Arrivals, since: Stamp, limit_ns: int, note: str
) -> Reading:
    arrival = arrivals.since.get(tag)
    over_ns = None if arrival is None else arrivals.surely_over_ns(*arrival, since, limit_ns)
    verdict = Verdict.FAIL
    if arrival is not None and over_ns is not None and over_ns <= 0:
        in_time = arrival[1].received_ns - since.sent_ns <= limit_ns
        verdict = Verdict.PASS if in_time else Verdict.INCONCLUSIVE
    late_us = over_ns // 1000 if over_ns is not None and verdict is Verdict.FAIL else None
    remark = {
        Verdict.PASS: "",
        Verdict.INCONCLUSIVE: "the bench cannot tell whether it came in time",
        Verdict.FAIL: "too late" if arrival else f"not within {limit_ns / 1e6:g} ms, nor later",
    }
    return Reading(
        of=tag,
        quantity="state",
        unit="",
        expected=on_off(on),
        read=on_off(arrivals.read.get(tag)),
        verdict=verdict,
        late_us=late_us,
        note=", ".join(filter(None, (note, arrivals.by_coil(tag), remark[verdict]))),
    )


def _flicker_reading(tag: str, on: bool, spells: Spells, start_ns: int, note: str) -> Reading:
    spells.finish()
    spell = spells.perhaps
    assert spell is not None
    after_ms = (spell.seen_ns - start_ns) / 1e6
    times = f", {spells.count} times" if spells.count > 1 else ""
    return Reading(
        of=tag,
        quantity="state",
        unit="",
        expected=f"{on_off(on)} throughout",
        read=f"left it after {after_ms:.0f} ms for {spell.shortest_ns / 1e6:.1f} to "
        f"{spell.longest_ns / 1e6:.1f} ms{times}",
        verdict=Verdict.FAIL,
        low_us=spell.shortest_ns // 1000,
        high_us=-(-spell.longest_ns // 1000),
        note=note,
    )
