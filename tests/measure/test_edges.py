"""Bounds hold the truth: a simulated event polled at random phase, with every delay anywhere in its range."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.measure.edges import (
    Bounds,
    Edge,
    Interval,
    elapsed,
    event,
    find_edge,
    stimulus,
)

MS = 1_000_000


@dataclass(frozen=True)
class Poll:
    sent_ns: int
    received_ns: int
    bits: int


@dataclass(frozen=True)
class Seconds:
    low: float
    high: float


def new(sample: Poll) -> bool:
    return bool(sample.bits & 1)


def polls(text: str, period_ns: int = 10 * MS, takes_ns: int = 2 * MS) -> list[Poll]:
    """Poll k is sent at k periods and received 2 ms later; `N` shows the new state, `o` the old one."""
    return [
        Poll(k * period_ns, k * period_ns + takes_ns, int(letter == "N")) for k, letter in enumerate(text)
    ]


@dataclass(frozen=True)
class Truth:
    """A bench as it really is: every range in ns, each delay drawn from it anew, and a poll period."""

    elapsed_ns: int
    delay_ns: tuple[int, int] = (0, 0)
    age_ns: int = 0
    filter_ns: int = 0
    bounce_ns: int = 0
    period_ns: int = 10 * MS
    takes_ns: int = 1 * MS
    write_takes_ns: int = 1 * MS


@dataclass(frozen=True)
class Observed:
    written_ns: tuple[int, int]
    samples: list[Poll]


def observe(truth: Truth, chance: random.Random) -> Observed:
    """One repeat, by the definition of each delay and not by the formula under test.

    The board takes the write somewhere between its sending and its acknowledgement and moves the contact
    after its output delay. The event comes `elapsed_ns` later, chatters for up to the bounce time, and is let
    through by a filter of somewhere between nothing and the stated time. A poll shows the input at a moment
    that is at most the age before its sending, and at the latest its receipt.
    """
    sent = chance.randrange(10**9)
    acknowledged = sent + chance.randint(0, truth.write_takes_ns)
    moved = chance.randint(sent, acknowledged) + chance.randint(*truth.delay_ns)
    happens = moved + truth.elapsed_ns
    steady = happens + chance.randint(0, truth.bounce_ns)
    held_back = chance.randint(0, truth.filter_ns)

    def shows(moment: int) -> bool:
        if moment < happens + held_back:
            return False
        return moment >= steady + held_back or chance.random() < 0.5

    samples = []
    at = sent - truth.takes_ns - chance.randint(1, 3 * truth.period_ns)  # the first shows the old state
    long_after = steady + truth.filter_ns + truth.age_ns + 4 * (truth.period_ns + truth.takes_ns)
    while at < long_after:
        received = at + chance.randint(0, truth.takes_ns)
        samples.append(Poll(at, received, int(shows(chance.randint(at - truth.age_ns, received)))))
        at = max(received, at + chance.randint(truth.period_ns // 2, truth.period_ns))
    return Observed((sent, acknowledged), samples)


def measured(seen: Observed, stated: Truth, agreeing: int = 2) -> Bounds:
    edge = find_edge(seen.samples, new, agreeing)
    assert edge is not None
    return elapsed(
        seen.written_ns,
        last_old_sent_ns=edge.last_old.sent_ns,
        first_new_received_ns=edge.first_new.received_ns,
        output_delay_s=Seconds(stated.delay_ns[0] / 1e9, stated.delay_ns[1] / 1e9),
        input_age_s=stated.age_ns / 1e9,
        filter_s=stated.filter_ns / 1e9,
        bounce_s=stated.bounce_ns / 1e9,
    )


def holds(bounds: Bounds, truth: Truth) -> bool:
    return bounds.low_us * 1000 <= truth.elapsed_ns <= bounds.high_us * 1000


DELAYS = st.tuples(st.integers(0, 20 * MS), st.integers(0, 20 * MS)).map(lambda pair: (min(pair), max(pair)))
TRUTHS = st.builds(
    Truth,
    elapsed_ns=st.integers(0, 200 * MS),
    delay_ns=DELAYS,
    age_ns=st.integers(0, 10 * MS),
    filter_ns=st.integers(0, 10 * MS),
    bounce_ns=st.integers(0, 5 * MS),
    period_ns=st.integers(MS // 2, 20 * MS),
    takes_ns=st.integers(0, 3 * MS),
    write_takes_ns=st.integers(0, 3 * MS),
)


@given(TRUTHS, st.integers(0, 2**32))
@settings(max_examples=300, deadline=None)
def test_bounds_hold_the_truth_and_are_no_wider_than_their_parts(truth: Truth, seed: int) -> None:
    chance = random.Random(seed)
    for _ in range(10):
        seen = observe(truth, chance)
        bounds = measured(seen, truth)
        assert holds(bounds, truth)
        edge = find_edge(seen.samples, new)
        assert edge is not None
        parts_ns = (
            (edge.first_new.received_ns - edge.last_old.sent_ns)
            + (seen.written_ns[1] - seen.written_ns[0])
            + (truth.delay_ns[1] - truth.delay_ns[0])
            + truth.age_ns
            + truth.filter_ns
            + truth.bounce_ns
        )
        assert bounds.width_us * 1000 <= parts_ns + 9 * 1000, "nine moments and times, each rounded by < 1 us"


@pytest.mark.parametrize(
    ("truth", "stated"),
    [
        pytest.param({"delay_ns": (10 * MS, 12 * MS)}, {"delay_ns": (0, 2 * MS)}, id="longer output delay"),
        pytest.param({"delay_ns": (0, 0)}, {"delay_ns": (10 * MS, 12 * MS)}, id="shorter output delay"),
        pytest.param({"age_ns": 10 * MS}, {"age_ns": 0}, id="older inputs"),
        pytest.param({"filter_ns": 10 * MS}, {"filter_ns": 0}, id="longer filter"),
        pytest.param({"bounce_ns": 10 * MS}, {"bounce_ns": 0}, id="longer bounce"),
    ],
)
def test_a_wrong_statement_breaks_the_bounds(
    truth: dict[str, int | tuple[int, int]], stated: dict[str, int | tuple[int, int]]
) -> None:
    """The other side: no statement is there for show. Each, when untrue of the board, lets the truth out."""
    plain = Truth(elapsed_ns=50 * MS, period_ns=2 * MS)
    real, claimed = replace(plain, **truth), replace(plain, **stated)  # type: ignore[arg-type]
    chance = random.Random(1)
    seen = [observe(real, chance) for _ in range(300)]
    assert not all(holds(measured(repeat, claimed), real) for repeat in seen)
    assert all(holds(measured(repeat, real), real) for repeat in seen)


def garbled_anywhere_but_at_the_edge(seen: Observed) -> list[Observed]:
    """The same repeat with one reading turned over: every one but the last old and the first new."""
    first = next(k for k, sample in enumerate(seen.samples) if new(sample))
    turned = []
    for k, sample in enumerate(seen.samples):
        if k not in {0, first - 1, first}:  # before reading 0 there is none that could show it to be garbled
            samples = [*seen.samples[:k], replace(sample, bits=1 - sample.bits), *seen.samples[k + 1 :]]
            turned.append(replace(seen, samples=samples))
    return turned


@given(st.integers(0, 2**32))
@settings(max_examples=60, deadline=None)
def test_one_garbled_reading_does_not_break_the_bounds(seed: int) -> None:
    truth = Truth(elapsed_ns=50 * MS, period_ns=8 * MS)
    for repeat in garbled_anywhere_but_at_the_edge(observe(truth, random.Random(seed))):
        assert holds(measured(repeat, truth), truth)


def test_without_agreement_one_garbled_reading_breaks_them() -> None:
    truth = Truth(elapsed_ns=50 * MS, period_ns=8 * MS)
    clean = observe(truth, random.Random(1))
    after_write = [
        repeat
        for repeat in garbled_anywhere_but_at_the_edge(clean)
        if all(
            seen == shown or seen.sent_ns > clean.written_ns[1]
            for seen, shown in zip(repeat.samples, clean.samples, strict=True)
        )
    ]
    assert len(after_write) > 3
    assert not all(holds(measured(repeat, truth, agreeing=1), truth) for repeat in after_write)
    assert all(holds(measured(repeat, truth), truth) for repeat in after_write)


def test_worked_example() -> None:
    """By hand: contact between 1002 and 1011 ms (sent + 2, acknowledged + 8), event between 1036 and 1050 ms
    (old sent 1040, less 1 age and 3 filter): 25 to 48 ms."""
    bounds = elapsed(
        (1000 * MS, 1003 * MS),
        last_old_sent_ns=1040 * MS,
        first_new_received_ns=1050 * MS,
        output_delay_s=Seconds(0.002, 0.008),
        input_age_s=0.001,
        filter_s=0.003,
    )
    assert bounds == Bounds(25_000, 48_000)


def test_moments_are_rounded_outward() -> None:
    assert stimulus(1_999, 2_001, Seconds(0.0, 0.0)) == Interval(1_000, 3_000)
    assert event(5_999, 6_001, input_age_s=0.0, filter_s=0.0) == Interval(5_000, 7_000)
    assert event(5_000, 6_000, input_age_s=0.0011, filter_s=0.0) == Interval(5_000 - 1_100_000, 6_000)


def test_bounds_are_the_same_from_a_record_in_microseconds() -> None:
    """Sent down, received up, and counted from a whole microsecond, as a journal keeps them."""
    origin = 123_456_789_000

    def bounds(sent: int, acknowledged: int, old: int, first_new: int) -> Bounds:
        return elapsed(
            (sent, acknowledged),
            last_old_sent_ns=old,
            first_new_received_ns=first_new,
            output_delay_s=Seconds(0.0, 0.0),
            input_age_s=0.0,
            filter_s=0.0,
        )

    exact = (origin + 1_234, origin + 5_678, origin + 40_999_999, origin + 45_000_001)
    kept = (1_000, 6_000, 40_999_000, 45_001_000)
    assert bounds(*exact) == bounds(*kept) == Bounds(40_993, 45_000)


def test_what_is_caused_cannot_come_first() -> None:
    """The last old sample was sent before the write: the low bound stays 0."""
    bounds = elapsed(
        (20 * MS, 21 * MS),
        last_old_sent_ns=10 * MS,
        first_new_received_ns=30 * MS,
        output_delay_s=Seconds(0.0, 0.0),
        input_age_s=0.0,
        filter_s=0.0,
    )
    assert bounds == Bounds(0, 10_000)


def test_an_answer_before_the_question_is_refused() -> None:
    with pytest.raises(ValueError, match="read 5000000 ns before the stimulus"):
        elapsed(
            (20 * MS, 21 * MS),
            last_old_sent_ns=10 * MS,
            first_new_received_ns=15 * MS,
            output_delay_s=Seconds(0.0, 0.0),
            input_age_s=0.0,
            filter_s=0.0,
        )


@pytest.mark.parametrize(
    "make",
    [
        pytest.param(lambda: Bounds(2, 1), id="bounds exchanged"),
        pytest.param(lambda: Bounds(-1, 1), id="bounds below 0"),
        pytest.param(lambda: Interval(2, 1), id="interval exchanged"),
        pytest.param(lambda: stimulus(0, 0, Seconds(0.008, 0.002)), id="delay exchanged"),
        pytest.param(lambda: stimulus(2000, 1000, Seconds(0.0, 0.0)), id="stamps exchanged"),
    ],
)
def test_exchanged_ends_are_refused(make: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"exchanged|allowed 0 <= low <= high"):
        make()


@pytest.mark.parametrize(
    ("text", "agreeing", "edge"),
    [
        pytest.param("ooNN", 2, (1, 2), id="plain"),
        pytest.param("oooo", 2, None, id="none"),
        pytest.param("oooN", 2, None, id="not yet confirmed"),
        pytest.param("ooNoo", 2, None, id="one garbled new reading"),
        pytest.param("oNN", 2, (0, 1), id="the first reading counts as old"),
        pytest.param("NNNN", 2, None, id="new from the start: nothing changed"),
        pytest.param("ooNoNN", 2, (1, 4), id="the old reading between may be the garbled one"),
        pytest.param("ooNooNN", 2, (4, 5), id="two old readings are old again"),
        pytest.param("NNoNN", 2, None, id="one old reading among new ones makes no edge"),
        pytest.param("NNooNN", 2, (3, 4), id="left and came back"),
        pytest.param("ooNNoNN", 2, (1, 2), id="the first of several"),
        pytest.param("ooNoN", 1, (1, 2), id="a bus with a checksum needs one"),
        pytest.param("oooNNoNNN", 3, (2, 6), id="three"),
        pytest.param("ooNNN", 3, (1, 2), id="three, from two old readings at the start"),
        pytest.param("", 2, None, id="no readings"),
    ],
)
def test_find_edge(text: str, agreeing: int, edge: tuple[int, int] | None) -> None:
    samples = polls(text)
    expected = None if edge is None else Edge(samples[edge[0]], samples[edge[1]])
    assert find_edge(samples, new, agreeing) == expected
