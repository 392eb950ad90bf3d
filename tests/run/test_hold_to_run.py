"""The hold-to-run key in virtual time: when an output is on, worked out by hand, and what never happens."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.run.hold_to_run import HoldToRun, Limits

MS = 1_000_000
TICK = 10
LIMITS = Limits(first_gap_ns=800 * MS, gap_ns=250 * MS, longest_ns=3000 * MS)
Script = list[tuple[int, str]]


def repeating(start: int, end: int, *, first: int = 500, every: int = 30) -> Script:
    """The space bar held from `start`: a press, the first repeat after `first` ms, then more up to `end`."""
    return [(start, "hold"), *((at, "hold") for at in range(start + first, end + 1, every))]


def on_times(script: Script, until: int, *, refused: dict[int, str] | None = None) -> list[tuple[int, int]]:
    """The spells in ms during which something is on; time is looked at every 10 ms, keys come in between."""
    keys = HoldToRun(5, LIMITS, refused)
    left, spells, since = sorted(script, key=lambda entry: entry[0]), [], None
    for now in range(0, until + TICK, TICK):
        while left and left[0][0] <= now:
            _, word = left.pop(0)
            if word.startswith("block"):
                keys.block(word.removeprefix("block").strip())
            else:
                keys.key(word, now * MS)
        keys.tick(now * MS)
        if keys.held is not None and since is None:
            since = now
        elif keys.held is None and since is not None:
            spells.append((since, now))
            since = None
    return spells if since is None else [*spells, (since, until)]


@pytest.mark.parametrize(
    ("script", "expected"),
    [
        pytest.param([], [], id="no key"),
        pytest.param([(100, "hold")], [(100, 910)], id="a single press: until the first repeat is overdue"),
        pytest.param(repeating(100, 2000), [(100, 2240)], id="held: until repeats cease"),
        pytest.param(repeating(0, 5000), [(0, 3000)], id="held too long: the time-out, and not again"),
        pytest.param(
            [*repeating(0, 5000), *repeating(5300, 6000)],
            [(0, 3000), (5300, 6240)],
            id="after the time-out a new press counts",
        ),
        pytest.param(
            [*repeating(0, 3500), *repeating(3600, 4000, first=30)],
            [(0, 3000)],
            id="after the time-out the gap must be long enough to be a letting go",
        ),
        pytest.param(
            [*repeating(0, 2000), (300, "other")], [(0, 300)], id="another key before the first repeat"
        ),
        pytest.param([*repeating(0, 2000), (1000, "other")], [(0, 1000)], id="another key between repeats"),
        pytest.param([*repeating(0, 2000), (1000, "down")], [(0, 1000)], id="an arrow"),
        pytest.param([*repeating(0, 2000), (1000, "3")], [(0, 1000)], id="a number"),
        pytest.param(
            [*repeating(0, 2000), (1000, "focus lost")], [(0, 1000)], id="the window loses the keys"
        ),
        pytest.param([*repeating(0, 2000), (1000, "focus")], [(0, 2260)], id="focus coming is no key"),
        pytest.param([*repeating(0, 2000), (1000, "quit")], [(0, 1000)], id="the end"),
        pytest.param(
            [*repeating(0, 2000), (300, "block stop"), (310, "block")],
            [(0, 300)],
            id="emergency stop, reset while the key is held: nothing is re-energised",
        ),
        pytest.param(
            [*repeating(0, 2000), (1000, "block stop"), (1200, "block"), (2500, "hold")],
            [(0, 1000), (2500, 3310)],
            id="emergency stop, reset, let go, pressed anew",
        ),
        pytest.param(
            [(0, "block stop"), *repeating(100, 2000), (1000, "block")],
            [],
            id="pressed during the emergency stop: not on when that is reset",
        ),
        pytest.param([(0, "hold"), (700, "hold")], [(0, 960)], id="a late first repeat still counts"),
        pytest.param(
            [(0, "hold"), (900, "hold")], [(0, 810), (900, 1710)], id="one later than that is a new press"
        ),
        pytest.param(
            [(0, "hold"), (400, "hold"), (600, "hold")], [(0, 860)], id="quick taps count as one held key"
        ),
    ],
)
def test_when_it_is_on(script: Script, expected: list[tuple[int, int]]) -> None:
    assert on_times(script, 8000) == expected


def test_a_refused_output_is_never_on_and_says_why() -> None:
    assert on_times(repeating(0, 2000), 3000, refused={0: "forbidden"}) == []
    keys = HoldToRun(2, LIMITS, {0: "forbidden"})
    keys.key("hold", 0)
    assert keys.note == "not switched on: forbidden"
    keys.key("down", 2000 * MS)
    keys.tick(2000 * MS)
    keys.key("hold", 4000 * MS)
    assert (keys.held, keys.note) == (1, "")


def test_moving_on_to_another_output_takes_a_new_press() -> None:
    """The space bar held all the while: what was chosen with it down must not come on."""
    assert on_times([*repeating(0, 2900), (600, "down"), (1200, "4")], 4000) == [(0, 600)]


def test_a_number_that_there_is_not_is_said() -> None:
    keys = HoldToRun(13, LIMITS)
    keys.key("9", 0)
    keys.key("9", 100 * MS)
    assert (keys.chosen, keys.held) == (0, None)
    assert keys.note == "there is no number 99: 1 to 13"
    keys.key("hold", 2000 * MS)
    assert keys.note == ""


@pytest.mark.parametrize(
    ("script", "chosen"),
    [
        pytest.param([], 0, id="the first one"),
        pytest.param([(0, "down"), (10, "down")], 2, id="down"),
        pytest.param([(0, "up")], 22, id="up from the first"),
        pytest.param([(0, "2"), (500, "1")], 20, id="two digits soon after each other"),
        pytest.param([(0, "2"), (1500, "1")], 0, id="two digits long after each other"),
        pytest.param([(0, "down"), (10, "3"), (500, "1")], 1, id="31 is none, so as before"),
        pytest.param([(0, "9"), (10, "9"), (20, "3")], 0, id="nor is 993"),
        pytest.param([(0, "9"), (10, "9"), (1500, "3")], 2, id="a number after one that is none"),
        pytest.param([(0, "2"), (10, "0")], 19, id="a 0 behind"),
        pytest.param([(0, "0")], 0, id="a 0 alone"),
        pytest.param([(0, "other")], 0, id="any key"),
    ],
)
def test_choosing(script: Script, chosen: int) -> None:
    keys = HoldToRun(23, LIMITS)
    for at, word in script:
        keys.key(word, at * MS)
    assert (keys.chosen, keys.held) == (chosen, None)


def test_a_program_that_was_held_up_does_not_take_a_held_key_for_a_new_press() -> None:
    """Keys of the time between wait for it; none of them shows that the key was let go."""
    keys = HoldToRun(2, LIMITS)
    for at in (0, 500, 530, 560):
        keys.key("hold", at * MS)
        keys.tick(at * MS)
    assert keys.held == 0
    for _ in range(50):  # held up until 2 s, then all at once
        keys.key("hold", 2000 * MS)
    keys.tick(2000 * MS)
    assert (keys.held, keys.note) == (None, "off: let go")
    keys.key("hold", 2030 * MS)
    assert keys.held is None
    keys.tick(2290 * MS)
    keys.key("hold", 2300 * MS)
    assert keys.held == 0


def test_what_is_shown() -> None:
    keys = HoldToRun(2, LIMITS)
    keys.key("hold", 0)
    assert (keys.held, keys.left_ns(1000 * MS), keys.note) == (0, 2000 * MS, "")
    keys.block("the emergency stop is pressed")
    assert (keys.held, keys.left_ns(0), keys.note) == (None, 0, "off: the emergency stop is pressed")
    keys.key("quit", 1)
    assert keys.ended


def test_no_outputs_at_all() -> None:
    keys = HoldToRun(0, LIMITS)
    for word in ("hold", "up", "down", "5", "hold"):
        keys.key(word, 0)
    assert keys.held is None


WORDS = [
    "hold",
    "hold",
    "hold",
    "other",
    "down",
    "up",
    "1",
    "2",
    "focus lost",
    "focus",
    "block stop",
    "block",
]


@given(st.lists(st.tuples(st.integers(0, 400), st.sampled_from(WORDS)), max_size=120))
def test_never_longer_than_allowed_and_never_without_a_press(moves: list[tuple[int, str]]) -> None:
    keys = HoldToRun(4, LIMITS)
    now = last_hold = -10_000
    on_since: int | None = None
    chosen_at_start = 0
    for wait, word in moves:
        for _ in range(0, wait, TICK):
            now += TICK
            keys.tick(now * MS)
            assert keys.held is None or on_since is not None  # time alone switches nothing on
            on_since = None if keys.held is None else on_since
            if on_since is not None:
                assert now - on_since < 3000
                assert now - last_hold <= 800
                assert keys.held == chosen_at_start
        was_on = keys.held is not None
        if word.startswith("block"):
            keys.block(word.removeprefix("block").strip())
        else:
            keys.key(word, now * MS)
        last_hold = now if word == "hold" else last_hold
        if keys.held is not None and not was_on:
            assert word == "hold"
            assert not keys.blocked
            on_since, chosen_at_start = now, keys.chosen
        if word not in {"hold", "focus", "block"}:
            assert keys.held is None
