"""The decision rule at both edges of every limit, and that less knowledge never makes a pass."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.measure.decision import Decision, Rule, judge_time
from harness.measure.edges import Bounds
from harness.measure.reading import Verdict

PASS, INCONCLUSIVE, FAIL = Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL
LEAST_S, MOST_S = 0.020, 0.120


def judge(*repeats: tuple[int, int], rule: Rule = "guarded") -> Decision:
    return judge_time(
        [Bounds(*repeat) for repeat in repeats], at_least_s=LEAST_S, at_most_s=MOST_S, rule=rule
    )


@pytest.mark.parametrize(
    ("repeat", "guarded", "simple"),
    [
        pytest.param((20_000, 120_000), PASS, PASS, id="exactly the limits"),
        pytest.param((60_000, 62_000), PASS, PASS, id="well inside"),
        pytest.param((60_000, 120_001), INCONCLUSIVE, PASS, id="1 us over the upper limit"),
        pytest.param((19_999, 60_000), INCONCLUSIVE, PASS, id="1 us under the lower limit"),
        pytest.param((120_000, 130_000), INCONCLUSIVE, FAIL, id="touches the upper limit from above"),
        pytest.param((120_001, 130_000), FAIL, FAIL, id="1 us above the upper limit"),
        pytest.param((10_000, 20_000), INCONCLUSIVE, FAIL, id="touches the lower limit from below"),
        pytest.param((10_000, 19_999), FAIL, FAIL, id="1 us below the lower limit"),
        pytest.param((118_000, 122_000), INCONCLUSIVE, PASS, id="middle on the upper limit"),
        pytest.param((118_000, 122_001), INCONCLUSIVE, FAIL, id="middle half a us above it"),
        pytest.param((18_000, 22_000), INCONCLUSIVE, PASS, id="middle on the lower limit"),
        pytest.param((17_999, 22_000), INCONCLUSIVE, FAIL, id="middle half a us below it"),
        pytest.param((0, 500_000), INCONCLUSIVE, FAIL, id="wider than the limits"),
    ],
)
def test_one_repeat(repeat: tuple[int, int], guarded: Verdict, simple: Verdict) -> None:
    assert judge(repeat).verdict is guarded
    assert judge(repeat, rule="simple").verdict is simple


@pytest.mark.parametrize(
    ("repeats", "verdict", "reason"),
    [
        pytest.param(
            ((60_000, 62_000),),
            PASS,
            "60 ms to 62 ms is wholly inside at least 20 ms and at most 120 ms",
            id="pass",
        ),
        pytest.param(
            ((60_000, 62_000), (121_500, 124_250)),
            FAIL,
            "repeat 2 of 2: 121.5 ms to 124.25 ms is wholly outside at least 20 ms and at most 120 ms",
            id="one late repeat fails all",
        ),
        pytest.param(
            ((118_000, 123_900), (121_500, 124_250), (60_000, 62_000)),
            FAIL,
            "repeat 2 of 3: 121.5 ms to 124.25 ms is wholly outside at least 20 ms and at most 120 ms",
            id="the worst repeat speaks",
        ),
        pytest.param(
            ((60_000, 62_000), (118_000, 123_900)),
            INCONCLUSIVE,
            "repeat 2 of 2: 118 ms to 123.9 ms is partly outside at least 20 ms and at most 120 ms: bounds "
            "narrower by 3.9 ms would settle it; poll faster, or use a quicker board",
            id="one unsure repeat leaves all unsure",
        ),
        pytest.param(
            ((15_000, 123_900),),
            INCONCLUSIVE,
            "15 ms to 123.9 ms is partly outside at least 20 ms and at most 120 ms: bounds 108.9 ms "
            "wide cannot fit into limits 100 ms wide; poll faster, or use a quicker board",
            id="bounds that can never fit",
        ),
    ],
)
def test_several_repeats_and_the_reason(
    repeats: tuple[tuple[int, int], ...], verdict: Verdict, reason: str
) -> None:
    assert judge(*repeats) == Decision(verdict, reason)


@pytest.mark.parametrize("rule", ["guarded", "simple"])
def test_no_repeats_is_never_a_pass(rule: Rule) -> None:
    assert judge(rule=rule) == Decision(INCONCLUSIVE, "nothing was measured; run the step again")
    unlimited = judge_time([], at_least_s=None, at_most_s=None, rule=rule)
    assert unlimited.verdict is INCONCLUSIVE


def test_without_a_limit_it_is_measured_only() -> None:
    decision = judge_time([Bounds(1, 2)], at_least_s=None, at_most_s=None, rule="guarded")
    assert decision == Decision(PASS, "measured, no limit stated")


@pytest.mark.parametrize(
    ("at_least_s", "at_most_s", "verdict"),
    [
        pytest.param(None, 0.005, PASS, id="upper only, inside"),
        pytest.param(None, 0.0019, INCONCLUSIVE, id="upper only, cut"),
        pytest.param(None, 0.0009, FAIL, id="upper only, outside"),
        pytest.param(0.001, None, PASS, id="lower only, inside"),
        pytest.param(0.0011, None, INCONCLUSIVE, id="lower only, cut"),
        pytest.param(0.0021, None, FAIL, id="lower only, outside"),
        pytest.param(None, 0.0, FAIL, id="a limit of nothing is a limit"),
        pytest.param(0.0, None, PASS, id="at least nothing"),
    ],
)
def test_one_limit(at_least_s: float | None, at_most_s: float | None, verdict: Verdict) -> None:
    decision = judge_time([Bounds(1000, 2000)], at_least_s=at_least_s, at_most_s=at_most_s, rule="guarded")
    assert decision.verdict is verdict


def test_simple_says_where_the_middle_is() -> None:
    assert judge((118_000, 121_000), rule="simple") == Decision(
        PASS, "118 ms to 121 ms, middle 119.5 ms is inside at least 20 ms and at most 120 ms"
    )
    assert judge((119_500, 122_000), rule="simple") == Decision(
        FAIL, "119.5 ms to 122 ms, middle 120.75 ms is outside at least 20 ms and at most 120 ms"
    )


def test_limits_that_exclude_each_other_are_refused() -> None:
    with pytest.raises(ValueError, match="at least 30 ms and at most 20 ms: no time satisfies both"):
        judge_time([Bounds(1, 2)], at_least_s=0.030, at_most_s=0.020, rule="guarded")


def test_an_unknown_rule_is_refused() -> None:
    with pytest.raises(ValueError, match="decision rule 'lenient'; allowed: guarded, simple"):
        judge_time([Bounds(1, 2)], at_least_s=None, at_most_s=0.1, rule="lenient")  # type: ignore[arg-type]


BOUNDS = st.tuples(st.integers(0, 200_000), st.integers(0, 200_000)).map(
    lambda pair: Bounds(min(pair), max(pair))
)
LIMIT = st.none() | st.integers(0, 200).map(lambda limit_ms: limit_ms / 1000)


def ordered(first: float | None, second: float | None) -> tuple[float | None, float | None]:
    return (second, first) if first is not None and second is not None and first > second else (first, second)


@given(st.lists(BOUNDS, min_size=1, max_size=5), LIMIT, LIMIT, st.data())
def test_knowing_less_never_makes_a_pass(
    repeats: list[Bounds], first: float | None, second: float | None, data: st.DataObject
) -> None:
    """Wider bounds: a verdict that is not pass does not become pass, and neither fail nor pass swap."""
    least, most = ordered(first, second)
    which = data.draw(st.integers(0, len(repeats) - 1))
    old = repeats[which]
    wider = Bounds(
        max(0, old.low_us - data.draw(st.integers(0, 50_000))),
        old.high_us + data.draw(st.integers(0, 50_000)),
    )
    before = judge_time(repeats, at_least_s=least, at_most_s=most, rule="guarded").verdict
    after = judge_time(
        [*repeats[:which], wider, *repeats[which + 1 :]], at_least_s=least, at_most_s=most, rule="guarded"
    ).verdict
    assert after is not PASS or before is PASS
    assert after is not FAIL or before is FAIL


@given(BOUNDS, LIMIT, LIMIT, st.data())
def test_a_guarded_verdict_is_true_of_every_time_in_the_bounds(
    repeat: Bounds, first: float | None, second: float | None, data: st.DataObject
) -> None:
    least, most = ordered(first, second)
    true_us = data.draw(st.integers(repeat.low_us, repeat.high_us))
    satisfied = (least is None or true_us >= least * 1e6 - 1e-6) and (
        most is None or true_us <= most * 1e6 + 1e-6
    )
    verdict = judge_time([repeat], at_least_s=least, at_most_s=most, rule="guarded").verdict
    assert verdict is not PASS or satisfied
    assert verdict is not FAIL or not satisfied


@given(st.lists(BOUNDS, min_size=1, max_size=5), LIMIT, LIMIT)
def test_one_more_repeat_never_makes_it_better(
    repeats: list[Bounds], first: float | None, second: float | None
) -> None:
    least, most = ordered(first, second)
    verdicts = [
        judge_time(repeats[:count], at_least_s=least, at_most_s=most, rule="guarded").verdict
        for count in range(1, len(repeats) + 1)
    ]
    assert verdicts == sorted(verdicts)
