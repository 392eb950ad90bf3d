"""Words of messages: quoting, choices, the nearest name."""

from __future__ import annotations

import pytest

from harness.wording import MANY, either, listed, nearest, quoted, with_article

TAGS = ["K1", "K2", "K12", "S1", "th-p1.panel.yaml"]
NEAREST = [
    ("K21", "; did you mean K2?"),
    ("K112", "; did you mean K12?"),
    ("k12", "; did you mean K12?"),
    ("S12", "; did you mean S1?"),
    ("TH-P1.pannel.yaml", "; did you mean th-p1.panel.yaml?"),
    ("zzz", ""),
    ("", ""),
    ("K" * 101, ""),
]


@pytest.mark.parametrize(("word", "hint"), NEAREST, ids=[row[0][:20] or "empty" for row in NEAREST])
def test_nearest(word: str, hint: str) -> None:
    assert nearest(word, TAGS) == hint


def test_nothing_to_choose_from() -> None:
    assert nearest("K1", []) == ""


CHOICES = [([], "nothing"), (["a"], "a"), (["a", "b"], "a or b"), (["a", "b", "c"], "a, b or c")]


@pytest.mark.parametrize(("words", "text"), CHOICES, ids=[row[1] for row in CHOICES])
def test_either(words: list[str], text: str) -> None:
    assert either(words) == text


LISTED = [([], "none"), (["a"], "a"), (["a", "b"], "a, b"), (["a", "b", "c", "d"], "a, b and 2 more")]


@pytest.mark.parametrize(("words", "text"), LISTED, ids=[row[1] for row in LISTED])
def test_listed(words: list[str], text: str) -> None:
    assert listed(words, most=2) == text


def test_of_very_many_names_those_that_begin_alike_are_compared() -> None:
    names = [f"R{number}" for number in range(MANY)] + ["K12"]
    assert nearest("K13", names) == "; did you mean K12?"
    assert nearest("Z12", names) == ""


QUOTED = [
    (None, "nothing"),
    ({}, "keys and values"),
    (["a"], "a list"),
    ("a\nb", "'a\\nb'"),
    ("it's", '"it\'s"'),
    ("x" * 58, f"'{'x' * 58}'"),
    ("x" * 59, f"'{'x' * 54}...'"),
]


@pytest.mark.parametrize(("value", "text"), QUOTED, ids=[row[1][:20] for row in QUOTED])
def test_quoted(value: object, text: str) -> None:
    assert quoted(value) == text


def test_articles() -> None:
    assert [with_article(word) for word in ("voltage", "inductance")] == ["a voltage", "an inductance"]
