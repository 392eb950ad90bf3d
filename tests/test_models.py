"""From plain data to a model: each thing wrong with the shape of a file, as a person reads it."""

from __future__ import annotations

from typing import Annotated, Literal

import pytest
from pydantic import Discriminator, Field, Tag

from harness.errors import FileError
from harness.fields import Count, Flag, FormatOne, Henries, Name, Names, Ohms, Positions, SomeOhms, TimeRange
from harness.fields import Tag as PartTag
from harness.models import MAX_PROBLEMS, Model, Problems, validate
from harness.source import load_text


class Part(Model):
    resistance: SomeOhms
    pick_up: Ohms = Field(default=1.0, alias="pick-up")
    reset_by: Name = ""
    kind: Literal["plain", "latching"] = "plain"


class Hold(Model):
    hold: Count


class Rows(Model):
    rows: Names


def branch(data: object) -> str:
    return "hold" if isinstance(data, dict) and "hold" in data else "rows"


Entry = Annotated[Annotated[Hold, Tag("hold")] | Annotated[Rows, Tag("rows")], Discriminator(branch)]


class Whole(Model):
    format: FormatOne
    parts: dict[PartTag, Part] = Field(default_factory=dict)
    operate: TimeRange | None = None
    choke: Henries = 0.0
    positions: Positions = ("a",)
    names: Names = ()
    many: tuple[Name, ...] = Field(default=("a",), min_length=1)
    flag: Flag = False
    count: Count = 0
    steps: tuple[Entry, ...] = ()


def problems(text: str) -> list[str]:
    with pytest.raises(FileError) as caught:
        validate(load_text(text.encode(), "f"), Whole)
    return [str(problem) for problem in caught.value.problems]


def test_a_good_file() -> None:
    text = "format: 1\nparts: {K1: {resistance: 2 kohm, pick-up: 0 ohm, reset by: S1}}\n"
    text += (
        "operate: [1 ms, 1 ms]\nflag: true\ncount: 7\nsteps: [{hold: 3}, {rows: [a]}]\npositions: ['1', on]"
    )
    found = validate(load_text(text.encode(), "f"), Whole)
    assert found.parts["K1"] == Part(resistance="2 kohm", **{"pick-up": "0 ohm", "reset by": "S1"})  # type: ignore[arg-type]
    assert (found.parts["K1"].resistance, found.parts["K1"].reset_by) == (2000.0, "S1")
    assert (found.operate, found.flag, found.count, found.positions) == ((0.001, 0.001), True, 7, ("1", "on"))
    assert found.steps == (Hold(hold="3"), Rows(rows=["a"]))  # type: ignore[arg-type]


NEWER = "a newer version of the program wrote this file"
FORMATS = [
    ("missing", "parts: {}", "1:1: 'format' is missing; this version reads 'format: 1'"),
    ("misspelt", "formt: 1", "1:1: 'format' is missing (found 'formt'); this version reads 'format: 1'"),
    ("newer", "# x\nformat: 2",
     f"2:9: format is '2'; this version reads 'format: 1'; {NEWER}"),
    ("older", "format: 0", "1:9: format is '0'; this version reads 'format: 1'"),
    ("nothing", "format:", "1:8: format is nothing; this version reads 'format: 1'"),
    ("a list", "format: [1]", "1:9: format is a list; this version reads 'format: 1'"),
    ("not a mapping", "- a", "1:1: found a list; expected keys and values, first of all 'format: 1'"),
    ("only text", "hello", "1:1: found 'hello'; expected keys and values, first of all 'format: 1'"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "message"), [row[1:] for row in FORMATS], ids=[row[0] for row in FORMATS])
def test_the_format_is_asked_for_first_and_alone(text: str, message: str) -> None:
    assert problems(f"{text}\n") == [f"f:{message}"]


RANGE = "expected a range, lowest and highest, such as [15 ms, 35 ms]"
SHAPES = [
    ("unknown key", "prats: {}", "2:1: unknown key 'prats'; did you mean parts?"),
    ("unknown key, nothing like it", "parts: {K1: {resistance: 1 ohm, zz: 1}}",
     "2:33: unknown key 'zz'; known here: resistance, pick-up, reset by, kind"),
    ("attribute name instead of key", "parts: {K1: {resistance: 1 ohm, reset_by: S1}}",
     "2:33: unknown key 'reset_by'; did you mean reset by?"),
    ("misspelt key is not missing as well", "parts: {K1: {resistence: 1 ohm}}",
     "2:14: unknown key 'resistence'; did you mean resistance?"),
    ("missing key", "parts:\n  K1: {kind: plain}", "3:3: 'resistance' is missing in K1"),
    ("word of a list", "parts: {K1: {resistance: 1 ohm, kind: Latchin}}",
     "2:39: kind: found 'Latchin'; expected plain or latching; did you mean latching?"),
    ("list instead of word", "parts: {K1: {resistance: 1 ohm, kind: [plain]}}",
     "2:39: kind: found a list; expected plain or latching"),
    ("nothing instead of keys", "parts: {K1: }", "2:13: K1: found nothing; expected keys and values"),
    ("text instead of keys", "parts: K1", "2:8: parts: found 'K1'; expected keys and values"),
    ("text instead of a list", "many: a", "2:7: many: found 'a'; expected a list such as [a, b]"),
    ("empty list", "many: []", "2:7: many: found 0 entries; expected at least 1"),
    ("empty positions", "positions: []", "2:12: positions: an empty list; expected at least one entry"),
    ("name twice", "names: [a, b, a, b]", "2:8: names: 'a', 'b' stand in the list twice"),
    ("bad key", "parts: {K-1: {resistance: 1 ohm}}",
     "2:9: 'K-1' is no tag; expected letters and digits such as K1 or S12"),
    ("no unit", "parts: {K1: {resistance: 60}}",
     "2:26: resistance: '60' has no unit; expected a resistance such as '900 ohm'"),
    ("zero", "parts: {K1: {resistance: 0 ohm}}",
     "2:26: resistance: '0 ohm' is zero; expected a resistance such as '900 ohm'"),
    ("list instead of quantity", "choke: [1 H]",
     "2:8: choke: found a list; expected an inductance such as '4 H'"),
    ("range of one", "operate: [5 ms]", f"2:10: operate: found a list of 1; {RANGE}"),
    ("range with a decimal comma", "operate: [15,5 ms, 20 ms]",
     f"2:10: operate: found a list of 3; {RANGE}; write a decimal point, not a comma"),
    ("range of text", "operate: 5 ms", f"2:10: operate: found '5 ms'; {RANGE}"),
    ("range backwards", "operate: [5 ms, 3 ms]",
     "2:10: operate: a range that runs backwards; write the lower value first"),
    ("end of a range", "operate: [5 ms, 3 V]",
     "2:17: operate: '3 V' is a voltage; expected a time in us, ms, s or min"),
    ("flag", "flag: yes", "2:7: flag: found 'yes'; expected true or false"),
    ("count", "count: 010",
     "2:8: count: '010' is not a count; expected a whole number such as 5, without a unit"),
    ("count of nothing", "count:", "2:7: count: found nothing; expected a whole number such as 5"),
    ("name too long", f"names: [{'x' * 81}]",
     f"2:9: names: '{'x' * 54}...' is no name; expected one line of at most 80 characters"),
    ("position with =", "positions: [a=b]",
     "2:13: positions: 'a=b' is no position; expected a word without = and ,"),
    ("inside an entry of a list", "steps: [{hold: 1}, {hold: x}]",
     "2:27: hold: 'x' is not a count; expected a whole number such as 5, without a unit"),
    ("misspelt inside an entry", "steps: [{rows: [a], rwos: 1}]",
     "2:21: unknown key 'rwos'; did you mean rows?"),
    ("key of another kind of entry", "steps: [{hold: 1, rows: [a]}]",
     "2:19: unknown key 'rows'; known here: hold"),
    ("entry that is nothing", "steps: [~]", "2:9: steps: found nothing; expected keys and values"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "message"), [row[1:] for row in SHAPES], ids=[row[0] for row in SHAPES])
def test_what_is_wrong_with_the_shape(text: str, message: str) -> None:
    assert problems(f"format: 1\n{text}\n") == [f"f:{message}"]


def test_all_problems_at_once_sorted_by_place() -> None:
    found = problems("format: 1\nzzz: 1\nflag: no\nparts: {K2: {}, K1: {resistance: 1 V}}\n")
    assert [problem.split(" ")[0] for problem in found] == ["f:2:1:", "f:3:7:", "f:4:9:", "f:4:34:"]


def test_more_problems_than_anyone_reads_are_cut_short() -> None:
    source = load_text(b"format: 1\na: [1]", "f")
    collected = Problems(source)
    for number in range(MAX_PROBLEMS + 7):
        collected.add(("a", 0), f"wrong {number:05}")
    with pytest.raises(FileError) as caught:
        collected.raise_any()
    assert len(caught.value.problems) == MAX_PROBLEMS + 1
    assert "f:2:5: and more problems" in [str(problem) for problem in caught.value.problems]


def test_sixty_thousand_unknown_keys_are_told_in_good_time() -> None:
    found = problems("format: 1\n" + "".join(f"part{number}: 1\n" for number in range(60_000)))
    assert len(found) == MAX_PROBLEMS + 1
    assert found[0] == "f:2:1: unknown key 'part0'; did you mean parts?"
    assert found[-1].endswith(": and more problems")


def test_nothing_wrong_raises_nothing() -> None:
    Problems(load_text(b"a: 1", "f")).raise_any()
