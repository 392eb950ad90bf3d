"""What may still be answered: by hand, and against devices that answer late, in order, or not at all."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.outstanding import LATEST_NS, Outstanding


def owing(*functions: int, unknown: int = 0) -> Outstanding:
    owed = Outstanding(unknown, 0)
    for function in functions:
        owed.asked(function, 0)
    return owed


@pytest.mark.parametrize(
    ("asked", "answers", "left"),
    [
        ((2,), [2], False),
        ((2, 1), [1], False),  # the older one cannot be answered any more
        ((2, 2), [2], True),  # it may be the older one's answer
        ((2, 2), [2, 2], False),
        ((2, 1, 1, 1), [1], True),
        ((2, 1, 2), [2], True),
        ((2, 1, 2), [2, 2], False),
        ((2, 1), [3], True),  # an answer to nothing that was asked proves nothing
    ],
)
def test_answer_belongs_to_the_oldest_question_that_it_can(
    asked: tuple[int, ...], answers: list[int], left: bool
) -> None:
    owed = owing(*asked)
    for function in answers:
        owed.answered(function)
    assert bool(owed) == left


@pytest.mark.parametrize(
    ("asked", "best"), [((), 1), ((2,), 1), ((1,), 2), ((1, 1, 2, 2), 2), ((2, 1, 1, 1), 1), ((2, 1, 3), 4)]
)
def test_best_question_disposes_of_most(asked: tuple[int, ...], best: int) -> None:
    functions = (1, 2) if best < 3 else (1, 2, 3, 4)
    assert owing(*asked).best(functions) == best


def test_unknown_questions_may_have_any_function() -> None:
    owed = owing(unknown=2)
    assert all(owed.hides(function) for function in (1, 2, 15, 43))
    for function in (1, 2, 1):
        owed.asked(function, 0)
        owed.answered(function)
    assert owed.hides(2)
    assert not owed.hides(15)


def test_what_was_asked_long_ago_is_forgotten() -> None:
    owed = owing(2)
    owed.forget(LATEST_NS - 1)
    assert owed
    owed.forget(LATEST_NS)
    assert not owed


@given(
    before=st.integers(0, 2),
    lags=st.lists(st.tuples(st.booleans(), st.integers(0, 3)), max_size=30),
    functions=st.sampled_from([(1, 2), (1, 2, 3)]),
)
def test_never_at_rest_while_the_device_owes_an_answer(
    before: int, lags: list[tuple[bool, int]], functions: tuple[int, ...]
) -> None:
    """A device answers in order; each time it may drop the question, and hand over some answers only.

    Whatever it does, nothing is outstanding for us only when the device has nothing left to say.
    """
    owed = Outstanding(before, 0)
    device = [functions[k % len(functions)] for k in range(before)]  # asked by somebody before us
    for drops, comes in lags:
        function = owed.best(functions)
        owed.asked(function, 0)
        if not drops:
            device.append(function)
        for _ in range(comes):
            if device:
                owed.answered(device.pop(0))
        assert owed or not device


@given(outage=st.integers(0, 50), first=st.sampled_from([1, 2, 15]))
def test_two_answers_are_enough_after_any_outage(outage: int, first: int) -> None:
    """Two functions that a board answers make sure again in two questions, however many went unanswered."""
    owed = owing(first)
    for _ in range(outage):
        owed.asked(owed.best((1, 2)), 0)
    answers = 0
    while owed:
        function = owed.best((1, 2))
        owed.asked(function, 0)
        owed.answered(function)
        answers += 1
    assert answers <= 2
