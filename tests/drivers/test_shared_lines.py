"""Boards on one port share one exchange: opened once, closed by the last, refused with other settings."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from drivers.shared_lines import release, take
from harness.errors import BenchError


class Thing:
    closed = 0

    def close(self) -> None:
        self.closed += 1


def made(things: list[Thing]) -> Callable[[], Thing]:
    def make() -> Thing:
        things.append(Thing())
        return things[-1]

    return make


def test_made_once_and_closed_by_the_last() -> None:
    things: list[Thing] = []
    first, second = (take("p", {"baud": 9600}, made(things)) for _ in range(2))
    assert first is second
    release("p")
    assert first.closed == 0
    release("p")
    assert first.closed == 1
    release("p")
    assert first.closed == 1


def test_made_anew_after_the_last() -> None:
    things: list[Thing] = []
    for baud in (9600, 19200):
        take("p", {"baud": baud}, made(things))
        release("p")
    assert len(things) == 2


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"baud": 19200, "parity": "even"}, "with baud 9600, asked 19200"),
        ({"baud": 9600}, "with parity even, asked not given"),
        ({"baud": 9600, "parity": "even", "quiet": 0.05}, "with quiet not given, asked 0.05"),
    ],
)
def test_other_settings_are_refused(asked: dict[str, object], words: str) -> None:
    things: list[Thing] = []
    take("p", {"baud": 9600, "parity": "even"}, made(things))
    try:
        with pytest.raises(BenchError) as caught:
            take("p", asked, made(things))
    finally:
        release("p")
    assert str(caught.value) == (
        f"port p: is open already {words}; boards on one port need the same settings in the bench file"
    )
    assert [thing.closed for thing in things] == [1]


def test_worlds_are_kept_apart() -> None:
    things: list[Thing] = []
    take("p", {"baud": 1}, made(things), world="a")
    take("p", {"baud": 2}, made(things), world="b")
    release("p", world="a")
    assert [thing.closed for thing in things] == [1, 0]
    release("p", world="b")


def test_nothing_is_kept_of_what_could_not_be_made() -> None:
    def fails() -> Thing:
        raise BenchError("no such port")

    things: list[Thing] = []
    with pytest.raises(BenchError, match="no such port"):
        take("p", {}, fails)
    take("p", {}, made(things))
    release("p")
    assert things[0].closed == 1
