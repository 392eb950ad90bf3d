"""The guardian's journal: where it lies, its one line in a verification, and that seals take no addition."""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from harness.cli.main import main
from harness.record.guardian_log import GUARDIAN, beside, guardian_line, place_for
from harness.record.journal import NAME, Journal
from harness.record.verify import verify_run

WALL = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
GONE = (
    "runner gone",
    {"how": "the run's process ended without saying so (killed or crashed)"},
    12_345_678_000,
)
FAILED = ("attempt failed", {"board": "IO1", "error": "board IO1: no answer", "attempts": 1}, 12_400_000_000)
SAFE = ("board safe", {"board": "IO1", "proved": True, "adopted": True}, 12_346_000_000)
MADE = (
    "made safe",
    {"proved": True, "after_us": 4322, "text": "all outputs safe, read back"},
    12_350_000_000,
)
GIVEN_UP = ("given up", {"proved": False, "after_us": 1, "text": "given up on IO1"}, 12_350_000_000)
Entry = tuple[str, dict[str, Any], int]


def journal(folder: Path, name: str = NAME) -> Journal:
    folder.mkdir(exist_ok=True)
    return Journal(folder, start_ns=0, wall=WALL, version="1", identity={}, name=name)


def run_of(folder: Path, *, sealed: bool) -> Path:
    with journal(folder) as lines:
        lines.append("step started", {"index": 0}, 1000)
        if sealed:
            lines.seal(verdict="pass", at_ns=2000)
    return folder


def guardian_of(folder: Path, *entries: Entry) -> None:
    where, name = place_for(folder)
    with journal(where, name) as lines:
        for entry in entries:
            lines.append(*entry)


@pytest.mark.parametrize(
    ("entries", "said"),
    [
        pytest.param(
            (GONE, SAFE, MADE),
            "noticed at 12.346 s: the run's process ended without saying so (killed or crashed); "
            "all outputs safe, read back, at 12.350 s",
            id="made safe",
        ),
        pytest.param((GONE, FAILED, GIVEN_UP), "given up on IO1, at 12.350 s", id="given up"),
        pytest.param(
            (GONE, FAILED),
            "NOT SAFE as far as its journal goes; last trouble: board IO1: no answer",
            id="still trying, or killed",
        ),
        pytest.param((), "its journal ends before it says anything", id="killed at once"),
    ],
)
def test_what_it_did_is_one_line_of_the_verification(
    entries: tuple[Entry, ...], said: str, tmp_path: Path
) -> None:
    run = run_of(tmp_path / "run", sealed=False)
    guardian_of(run, *entries)
    found = verify_run(run)
    assert found.state == "interrupted"
    assert found.lines == 2
    assert found.guardian.startswith("guardian: ")
    assert said in found.guardian


def test_a_run_that_needed_no_guardian_says_nothing(tmp_path: Path) -> None:
    assert verify_run(run_of(tmp_path / "run", sealed=True)).guardian == ""
    assert verify_run(run_of(tmp_path / "other", sealed=False)).guardian == ""


def test_for_a_sealed_run_it_lies_beside_the_folder(tmp_path: Path) -> None:
    """The runner sealed its record and was killed before it could dismiss the guardian, or handed over."""
    run = run_of(tmp_path / "run", sealed=True)
    assert place_for(run) == (tmp_path, beside(run))
    guardian_of(run, GONE, SAFE, MADE)
    found = verify_run(run)
    assert found.state == "sealed"
    assert "all outputs safe" in found.guardian


def test_in_a_sealed_run_it_is_an_alteration(tmp_path: Path) -> None:
    run = run_of(tmp_path / "run", sealed=True)
    with journal(run, GUARDIAN) as lines:
        lines.append(*GONE)
    found = verify_run(run)
    assert found.state == "altered"
    assert f"{GUARDIAN}: added; the seal does not list it" in found.problems


def test_a_journal_of_it_that_was_touched_is_said_to_be_not_whole(tmp_path: Path) -> None:
    run = run_of(tmp_path / "run", sealed=False)
    guardian_of(run, GONE, SAFE, MADE)
    path = run / GUARDIAN
    path.write_bytes(path.read_bytes().replace(b"all outputs safe", b"all outputs SAFE"))
    assert "guardian.jsonl is not whole: line 4: altered" in guardian_line(run)
    path.write_bytes(b"\x1b[2J\n")
    assert guardian_line(run).isprintable()


def test_a_last_line_that_was_torn_leaves_the_others(tmp_path: Path) -> None:
    run = run_of(tmp_path / "run", sealed=False)
    guardian_of(run, GONE, FAILED, MADE)
    path = run / GUARDIAN
    path.write_bytes(path.read_bytes()[:-30])
    assert "NOT SAFE as far as its journal goes; last trouble" in guardian_line(run)


def test_a_missing_journal_of_the_runner_counts_as_not_sealed(tmp_path: Path) -> None:
    """Killed before it had one: the guardian still has a place."""
    (tmp_path / "run").mkdir()
    assert place_for(tmp_path / "run") == (tmp_path / "run", GUARDIAN)


GUARDED = {"deadline_ms": 3000, "way": "shared"}
UNTOLD = "no guardian's record: nothing says that the outputs were made safe"


@pytest.mark.parametrize(
    ("guarded", "sealed", "told", "said"),
    [
        pytest.param(True, False, False, UNTOLD, id="runner and guardian killed"),
        pytest.param(True, False, True, "guardian: noticed at ", id="the guardian told"),
        pytest.param(True, True, False, "", id="a clean end"),
        pytest.param(False, False, False, "", id="killed before it was guarded"),
    ],
)
def test_a_guarded_run_without_seal_and_without_its_guardians_record_is_said(
    guarded: bool, sealed: bool, told: bool, said: str, tmp_path: Path
) -> None:
    with journal(tmp_path / "run") as lines:
        if guarded:
            lines.append("guarded", GUARDED, 1000)
        if sealed:
            lines.seal(verdict="pass", at_ns=2000)
    if told:
        guardian_of(tmp_path / "run", GONE, SAFE, MADE)
    out = io.StringIO()
    main(["verify", "--json", str(tmp_path / "run")], out=out, err=io.StringIO())
    (found,) = json.loads(out.getvalue())["runs"]
    assert found["guardian"].startswith(said)
    assert bool(found["guardian"]) == bool(said)
    out = io.StringIO()
    main(["verify", str(tmp_path / "run")], out=out, err=io.StringIO())
    assert (f"  {UNTOLD}\n" in out.getvalue()) == (said == UNTOLD)
