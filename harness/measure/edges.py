"""Bounds of elapsed time between a write and a change seen in polled inputs. Pure; not an estimate.

A polled input cannot know when something happened, only between which two transactions. Every result here is
an interval that holds the truth for sure, provided that what the bench file states of its boards is true
(output delay, input age, filter): nothing is assumed about where inside the interval the truth lies.

    stimulus   the bench's contact moved between the sending of the write plus the shortest output delay and
               its acknowledgement plus the longest
    event      it happened between the sending of the last sample that showed the old state and the receipt
               of the first that showed the new one. What a sample shows may be older than its sending, by
               up to the input age, and the input's filter holds a change back, so the event may lie earlier
               than that by up to age + filter. The filter counts as anything from 0 to the stated time:
               a filter that is quicker than stated must not turn into a time that is too short.
               Contact bounce holds a change back in the same way, where the caller states it.

All moments are ns of one monotonic clock. Moments are rounded outward to whole microseconds before they are
subtracted, so a record in microseconds from a whole microsecond gives the same bounds again.

Not modelled: a clock that is itself wrong; a garbled reading that is the very last old or first new one,
which on a bus without checksums moves an end of the interval by one sample.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar


class Timed(Protocol):
    """A sample: when its question was sent and its answer received, ns."""

    @property
    def sent_ns(self) -> int: ...

    @property
    def received_ns(self) -> int: ...


class Range(Protocol):
    """A closed range of seconds."""

    @property
    def low(self) -> float: ...

    @property
    def high(self) -> float: ...


S = TypeVar("S", bound=Timed)


@dataclass(frozen=True, slots=True)
class Interval:
    """A moment lies in it, ends included. ns of the monotonic clock, low <= high."""

    low_ns: int
    high_ns: int

    def __post_init__(self) -> None:
        if self.low_ns > self.high_ns:
            raise ValueError(f"interval from {self.low_ns} ns to {self.high_ns} ns: its ends are exchanged")


@dataclass(frozen=True, slots=True)
class Bounds:
    """The true elapsed time lies in it, ends included. Whole microseconds, 0 <= low <= high."""

    low_us: int
    high_us: int

    def __post_init__(self) -> None:
        if not 0 <= self.low_us <= self.high_us:
            raise ValueError(f"bounds {self.low_us} us to {self.high_us} us: allowed 0 <= low <= high")

    @property
    def width_us(self) -> int:
        return self.high_us - self.low_us


@dataclass(frozen=True, slots=True)
class Edge(Generic[S]):
    """A change between two samples: the last that surely showed the old state, the first with the new one."""

    last_old: S
    first_new: S


def stimulus(sent_ns: int, acknowledged_ns: int, output_delay_s: Range) -> Interval:
    """When the bench's contact moved, outward to whole us.

    `output_delay_s` is as stated by the board, from its taking the write (which lies between sending and
    acknowledgement) to the contact having moved; a statement that counts from the acknowledgement holds too.
    """
    low_us = _us_below(sent_ns) + _us_below(_ns(output_delay_s.low))
    high_us = _us_above(acknowledged_ns) + _us_above(_ns(output_delay_s.high))
    return Interval(low_us * 1000, high_us * 1000)


def event(
    last_old_sent_ns: int,
    first_new_received_ns: int,
    *,
    input_age_s: float,
    filter_s: float,
    bounce_s: float = 0.0,
) -> Interval:
    """When the watched thing changed, outward to whole us. The three delays count as 0 to the stated time."""
    held_back_us = sum(_us_above(_ns(part_s)) for part_s in (input_age_s, filter_s, bounce_s))
    low_us = _us_below(last_old_sent_ns) - held_back_us
    return Interval(low_us * 1000, _us_above(first_new_received_ns) * 1000)


def elapsed(
    written_ns: tuple[int, int],
    *,
    last_old_sent_ns: int,
    first_new_received_ns: int,
    output_delay_s: Range,
    input_age_s: float,
    filter_s: float,
    bounce_s: float = 0.0,
) -> Bounds:
    """Bounds of the time from stimulus to event. `written_ns` is (sent, acknowledged) of the write.

    What a stimulus causes cannot come before it, so the low bound is never below 0. Raises ValueError when
    the new state was read before the write was sent: then it is no answer to this stimulus.
    """
    cause = stimulus(*written_ns, output_delay_s)
    effect = event(
        last_old_sent_ns,
        first_new_received_ns,
        input_age_s=input_age_s,
        filter_s=filter_s,
        bounce_s=bounce_s,
    )
    high_ns = effect.high_ns - cause.low_ns
    if high_ns < 0:
        raise ValueError(f"the new state was read {-high_ns} ns before the stimulus: not an answer to it")
    return Bounds(max(0, effect.low_ns - cause.high_ns) // 1000, high_ns // 1000)


def find_edge(samples: Sequence[S], shows: Callable[[S], bool], agreeing: int = 2) -> Edge[S] | None:
    """The first change to a state that `shows` recognises, or None where no sample can prove one.

    `agreeing` samples in a row must show the new state: two on a bus whose frames have no checksum of their
    own, so that one garbled reading makes no edge. For the same reason an old reading counts as the last old
    one only with as many in a row behind it (or from the first sample on): an old reading between two new
    ones may itself be the garbled one, and an edge dated by it would come out too late.
    """
    last_old: S | None = None
    old_run = new_run = 0
    for index, sample in enumerate(samples):
        if shows(sample):
            new_run, old_run = new_run + 1, 0
            if new_run == agreeing and last_old is not None:
                return Edge(last_old, samples[index - agreeing + 1])
        else:
            new_run, old_run = 0, old_run + 1
            if old_run >= agreeing or old_run == index + 1:
                last_old = sample
    return None


def _ns(seconds: float) -> int:
    """A stated time, exact to the nanosecond; binary fractions of a second must not add a microsecond."""
    return round(seconds * 1e9)


def _us_below(moment_ns: int) -> int:
    return moment_ns // 1000


def _us_above(moment_ns: int) -> int:
    return -(-moment_ns // 1000)
