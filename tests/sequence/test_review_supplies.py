"""Review of measured and set supplies against the panel: each check's two sides, and its place."""

from __future__ import annotations

from pathlib import Path

import pytest
from sequence_files import BENCH, changed, write_files

from harness.errors import FileError
from harness.sequence.files import load_sequence
from harness.sequence.review import review

MEASURED = (
    BENCH.replace("hand: [F1, main]", "hand: [F1]")
    + """\
supply:
  contactor: {board: IO1, channel: 7}
  set: {main: {board: IO1, register: 20, scale: 10 mV}}
measures:
  U1: {board: IO1, input register: 3, scale: 0.1 V, uncertainty: 0.3 V, of: main}
"""
)
SECOND = "\n  U2: {board: IO1, input register: 4, scale: 0.1 V, uncertainty: 1 V, of: main}"


def problems(folder: Path, bench: str) -> list[str]:
    return [
        str(problem).rpartition("/")[2] for problem in review(load_sequence(write_files(folder, bench=bench)))
    ]


def test_a_supply_that_the_run_sets_and_measures_fits(tmp_path: Path) -> None:
    assert problems(tmp_path, MEASURED) == []


@pytest.mark.parametrize(
    ("old", "new", "needle", "message"),
    [
        ("of: main}", "of: mian}" + SECOND,
         "mian", "panel XS-1 has no supply 'mian'; did you mean main?"),
        ("of: main}", "of: lamps}" + SECOND,
         "lamps", "panel XS-1 has no supply 'lamps'; supplies are main"),
        ("scale: 10 mV", "scale: 1 mV", "1 mV",
         "72 V is 7.2e+04 counts of 0.001 V; 1 to 65535 fit the register"),
    ],
    ids=["misspelt", "unknown", "beyond the register"],
)  # fmt: skip
def test_what_does_not_fit_the_panel(tmp_path: Path, old: str, new: str, needle: str, message: str) -> None:
    text = changed(MEASURED, (old, new))
    before = text[: text.index(needle)]
    place = f"{before.count(chr(10)) + 1}:{len(before) - before.rfind(chr(10))}"
    assert any(line.endswith(f"bench.yaml:{place}: {message}") for line in problems(tmp_path, text))


def test_a_level_set_for_a_supply_that_is_not_there(tmp_path: Path) -> None:
    text = changed(MEASURED, ("set: {main:", "set: {aux:"), ("of: main", "of: aux"))
    found = problems(tmp_path, text)
    assert sum("panel XS-1 has no supply 'aux'; supplies are main" in line for line in found) == 2
    assert not any("device, breaker or supply 'aux'" in line for line in found)


@pytest.mark.parametrize(
    ("amounts", "told_from"),
    [
        ("uncertainty: 40 V", "cannot be told from absent, 0 V within 40 V"),
        ("uncertainty: 0.3 V, tolerance: 30 %", "cannot be told from lowest"),
    ],
    ids=["lowest from absent", "levels from each other"],
)
def test_a_measure_too_coarse_to_tell_levels_apart(tmp_path: Path, amounts: str, told_from: str) -> None:
    found = problems(tmp_path, changed(MEASURED, ("uncertainty: 0.3 V", amounts)))
    assert len(found) == 1
    assert told_from in found[0]
    assert "lower 'tolerance' or 'uncertainty' of U1" in found[0]


@pytest.mark.parametrize(
    ("register", "refused"),
    [
        ("holding register: 20", True),
        ("holding register: 19, words: 2", True),
        ("holding register: 19", False),
        ("holding register: 21", False),
        ("input register: 20", False),
    ],
)
def test_a_measure_of_the_register_that_sets_the_supply(
    tmp_path: Path, register: str, *, refused: bool
) -> None:
    text = changed(MEASURED, ("input register: 3", register))
    if not refused:
        assert problems(tmp_path, text) == []
        return
    with pytest.raises(FileError, match="register 20 of board IO1 is what sets main"):
        problems(tmp_path, text)
