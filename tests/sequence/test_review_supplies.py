"""Review of measured and set supplies against the panel: each check's two sides, and its place."""

from __future__ import annotations

from pathlib import Path

import pytest
from sequence_files import BENCH, changed, write_files

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
