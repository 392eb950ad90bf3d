"""How the guardian notices that the runner is gone: end of bytes, end of the process, silence, nonsense."""

from __future__ import annotations

import os
import queue
from collections.abc import Iterator
from typing import cast

import pytest

from harness.clock import NS, VirtualClock
from harness.run import guard_words as words
from harness.run.guard_watch import TICK_S, Ending, Heard, Watch

ARMED = words.armed(None)
BEAT_EVERY = 2  # looks
END = b""


class Script:
    """A queue in virtual time: one entry a look, `...` for nothing; the clock goes on by a look's time."""

    def __init__(self, clock: VirtualClock, entries: Iterator[object]) -> None:
        self._clock = clock
        self._entries = entries

    def get(self, timeout: float) -> Heard:
        entry = next(self._entries)
        if isinstance(entry, float):  # this process itself was kept from running for so long
            self._clock.advance(round(entry * NS))
            raise queue.Empty
        if entry is ...:
            self._clock.advance(round(timeout * NS))
            raise queue.Empty
        return entry if isinstance(entry, Heard) else Heard(cast(bytes, entry))


def watched(
    *entries: object, then: object = ..., alive: bool = True, deadline_s: float = 1.0
) -> tuple[Ending, Watch, list[int]]:
    """The ending, the watch, and when the runner was answered."""
    clock, answers = VirtualClock(), []

    def script() -> Iterator[object]:
        yield from entries
        for _ in range(10_000):
            yield then
        raise AssertionError("never noticed")

    watch = Watch(
        heard=cast("queue.Queue[Heard]", Script(clock, script())),
        clock=clock,
        deadline_s=deadline_s,
        patience_s=5.0,
        alive=lambda: alive,
        answer=lambda: answers.append(clock.now_ns()),
    )
    return watch.wait(), watch, answers


CRASHED = "the run's process ended without saying so (killed or crashed)"


@pytest.mark.parametrize(
    ("entries", "how"),
    [
        pytest.param((ARMED, b"..", b"q"), "", id="clean end"),
        pytest.param((b"q", END), "", id="clean end before it was armed"),
        pytest.param((ARMED, b".sq"), "", id="clean end in one piece"),
        pytest.param((END,), CRASHED, id="bytes end before it was armed"),
        pytest.param((ARMED, b".", END), CRASHED, id="bytes end"),
        pytest.param((ARMED, b".s", END), CRASHED, id="dies while sealing"),
        pytest.param((ARMED, b"u"), "handed over", id="hands over"),
        pytest.param((ARMED, b".\x00"), "no run says", id="nonsense"),
        pytest.param((ARMED, b'{"else": 1}\n'), "no run says", id="an unknown line"),
    ],
)
def test_how_a_watch_ends(entries: tuple[bytes, ...], how: str) -> None:
    ending, _, _ = watched(*entries, then=b".")
    assert how in ending.how
    assert bool(how) == bool(ending.how)
    assert ending.over == ("handed over" in how)


def test_a_process_that_is_gone_is_noticed_though_somebody_holds_the_channel() -> None:
    ending, _, _ = watched(ARMED, ..., alive=False)
    assert ending.how == "the run's process is gone without saying so (killed or crashed)"


@pytest.mark.parametrize("deadline_s", [0.3, 1.0, 4.0])
def test_silence_beyond_the_deadline_is_death_and_not_sooner(deadline_s: float) -> None:
    ending, _, _ = watched(ARMED, b".", deadline_s=deadline_s)
    assert "no sign of life" in ending.how
    assert deadline_s < ending.noticed_ns / NS <= deadline_s + 2 * TICK_S


def test_beats_keep_it_waiting_and_are_answered() -> None:
    beats = [b".", *[...] * 40] * 20  # 0.8 s between two, deadline 1 s
    ending, _, answers = watched(ARMED, *beats, b"q")
    assert ending.how == ""
    assert len(answers) == 1 + 20


def test_silence_before_it_is_armed_is_no_death() -> None:
    """A person may think for an hour about the cautions; nothing has moved yet."""
    ending, _, _ = watched(*[...] * 5000, b"q")
    assert ending.how == ""


def test_after_making_safe_more_silence_is_allowed_but_not_any() -> None:
    ending, _, _ = watched(ARMED, b".s", *[...] * 1000, b"q")  # 20 s of sealing
    assert ending.how == ""
    ending, _, _ = watched(ARMED, b".s")
    assert "no sign of life" in ending.how


def test_a_computer_that_stood_still_does_not_kill_the_runner() -> None:
    """Both processes stood still, then the runner's next beat comes: it was never silent by itself."""
    ending, _, _ = watched(ARMED, b".", 3600.0, b".", 3600.0, b"q")
    assert ending.how == ""


def test_it_still_notices_a_runner_that_did_not_come_back_with_the_computer() -> None:
    ending, _, _ = watched(ARMED, b".", 3600.0)
    assert "no sign of life" in ending.how


def test_the_armed_line_says_how_long_to_keep_trying() -> None:
    assert watched(END)[1].patience_s == 5.0
    assert watched(words.armed(None), END)[1].patience_s is None
    assert watched(words.armed(0.25), END)[1].patience_s == 0.25


def descriptor() -> int:
    return os.open(os.devnull, os.O_RDONLY)


def is_open(number: int) -> bool:
    try:
        os.fstat(number)
    except OSError:
        return False
    return True


def test_descriptors_belong_to_the_boards_of_their_line_and_the_newest_count() -> None:
    old, new, other = descriptor(), descriptor(), descriptor()
    first = Heard(words.descriptors([["A", "B"]]), (old,))
    second = Heard(words.descriptors([["A", "B"], ["C"]]), (new, other))
    _, watch, _ = watched(first, ARMED, b".", second, END)
    assert watch.descriptors == {new: ["A", "B"], other: ["C"]}
    assert not is_open(old)
    for number in watch.descriptors:
        os.close(number)


def test_a_runner_that_hands_over_has_closed_its_ports_itself() -> None:
    number = descriptor()
    _, watch, _ = watched(Heard(words.descriptors([["A"]]), (number,)), ARMED, b"u")
    assert watch.descriptors == {}
    assert not is_open(number)
