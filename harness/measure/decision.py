"""The decision rule: what bounds of measured times say about limits. Pure; bounds, no estimate of spread.

A limit applies to every repeat. With the rule `guarded` a time passes only when the whole interval in which
the truth lies is inside the limits, fails only when the whole interval is outside, and is otherwise
inconclusive: guarded acceptance and guarded rejection of JCGM 106:2012, clause 8.3 (clause from memory), with
the half width of the interval as guard band on either side. With `simple` the middle of the interval decides:
simple acceptance of JCGM 106:2012, clause 8.2 (clause from memory); near a limit up to half of such
decisions are wrong (ILAC-G8:09/2019, 4.2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from harness.measure.edges import Bounds
from harness.measure.reading import Verdict, worst

Rule = Literal["guarded", "simple"]


@dataclass(frozen=True, slots=True)
class Decision:
    """The verdict on all repeats together, and in one line why; what would settle it when inconclusive."""

    verdict: Verdict
    reason: str


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits in ns, ends allowed; None where none is stated."""

    at_least_ns: int | None
    at_most_ns: int | None

    def __post_init__(self) -> None:
        low, high = self.at_least_ns, self.at_most_ns
        if low is not None and high is not None and low > high:
            raise ValueError(f"limits at least {_ms(low)} and at most {_ms(high)}: no time satisfies both")

    def __str__(self) -> str:
        parts = []
        if self.at_least_ns is not None:
            parts.append(f"at least {_ms(self.at_least_ns)}")
        if self.at_most_ns is not None:
            parts.append(f"at most {_ms(self.at_most_ns)}")
        return " and ".join(parts)


def judge_time(
    bounds: Sequence[Bounds], *, at_least_s: float | None, at_most_s: float | None, rule: Rule
) -> Decision:
    """Judge every repeat and take the worst. No repeats at all is inconclusive: nothing was measured.

    Without any limit the times are measured and pass, and the reason says so. Raises ValueError for limits
    that exclude each other and for an unknown rule.
    """
    if rule not in {"guarded", "simple"}:
        raise ValueError(f"decision rule {rule!r}; allowed: guarded, simple")
    limits = Limits(_ns(at_least_s), _ns(at_most_s))
    if not bounds:
        return Decision(Verdict.INCONCLUSIVE, "nothing was measured; run the step again")
    if not str(limits):
        return Decision(Verdict.PASS, "measured, no limit stated")
    judge = _guarded if rule == "guarded" else _simple
    verdicts = [judge(repeat, limits) for repeat in bounds]
    verdict = worst(verdicts)
    number = verdicts.index(verdict)
    which = f"repeat {number + 1} of {len(bounds)}: " if len(bounds) > 1 else ""
    return Decision(verdict, which + _why(verdict, bounds[number], limits, rule))


def _guarded(repeat: Bounds, limits: Limits) -> Verdict:
    low_ns, high_ns = repeat.low_us * 1000, repeat.high_us * 1000
    least, most = limits.at_least_ns, limits.at_most_ns
    if (least is not None and high_ns < least) or (most is not None and low_ns > most):
        return Verdict.FAIL
    if (least is not None and low_ns < least) or (most is not None and high_ns > most):
        return Verdict.INCONCLUSIVE
    return Verdict.PASS


def _simple(repeat: Bounds, limits: Limits) -> Verdict:
    middle_ns = (repeat.low_us + repeat.high_us) * 500
    least, most = limits.at_least_ns, limits.at_most_ns
    outside = (least is not None and middle_ns < least) or (most is not None and middle_ns > most)
    return Verdict.FAIL if outside else Verdict.PASS


def _why(verdict: Verdict, repeat: Bounds, limits: Limits, rule: Rule) -> str:
    read = f"{_ms(repeat.low_us * 1000)} to {_ms(repeat.high_us * 1000)}"
    if rule == "simple":
        middle = _ms((repeat.low_us + repeat.high_us) * 500)
        side = "outside" if verdict is Verdict.FAIL else "inside"
        return f"{read}, middle {middle} is {side} {limits}"
    if verdict is Verdict.PASS:
        return f"{read} is wholly inside {limits}"
    if verdict is Verdict.FAIL:
        return f"{read} is wholly outside {limits}"
    return f"{read} is partly outside {limits}: {_remedy(repeat, limits)}"


def _remedy(repeat: Bounds, limits: Limits) -> str:
    """What would settle an inconclusive interval: narrower bounds, by how much they miss the limit now."""
    least, most = limits.at_least_ns, limits.at_most_ns
    if least is not None and most is not None and repeat.width_us * 1000 > most - least:
        return (
            f"bounds {_ms(repeat.width_us * 1000)} wide cannot fit into limits {_ms(most - least)} wide; "
            "poll faster, or use a quicker board"
        )
    over = [] if most is None else [repeat.high_us * 1000 - most]
    over += [] if least is None else [least - repeat.low_us * 1000]
    return f"bounds narrower by {_ms(max(over))} would settle it; poll faster, or use a quicker board"


def _ns(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds * 1e9)


def _ms(time_ns: int) -> str:
    """A time in ms, exact to the microsecond below, without needless zeros: `118.2 ms`."""
    return f"{time_ns // 1000 / 1000:.3f}".rstrip("0").rstrip(".") + " ms"
