"""The readings of recorded runs as a pandas frame: the Python interface to records.

    from harness.record.frames import readings
    frame = readings([Path("logs/20261125T092746Z-th-p1-1")])
    frame[frame.quantity == "time"].groupby("of")[["low_us", "high_us"]].agg(["min", "max"])

Journals are read as they are; `harness.record.verify` says whether they can be trusted.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pandas as pd

from harness.errors import RecordError
from harness.record.journal import NAME

COLUMNS = {
    "run": "str",
    "panel": "str",
    "simulated": "bool",
    "at_us": "int64",
    "step": "str",
    "step_verdict": "str",
    "of": "str",
    "quantity": "str",
    "expected": "str",
    "read": "str",
    "low_us": "Int64",
    "high_us": "Int64",
    "late_us": "Int64",
    "verdict": "str",
    "note": "str",
}
"""Columns and their types; times are whole microseconds, missing where a reading is no time."""


def readings(runs: Iterable[Path]) -> pd.DataFrame:
    """One row a reading, in the order of runs and journals. Raises RecordError for what is no run."""
    rows = [row for run in runs for row in _rows(run)]
    return pd.DataFrame(rows, columns=list(COLUMNS)).astype(COLUMNS)


def _rows(run: Path) -> Iterator[dict[str, Any]]:
    about: dict[str, Any] = {"run": run.name, "panel": "", "simulated": True}
    for line in _lines(run):
        data = line["data"]
        if line["kind"] == "run started":
            about |= {"panel": data["panel"], "simulated": data["simulated"]}
        elif line["kind"] == "step ended":
            step = {"at_us": line["at_us"], "step": data["title"], "step_verdict": data["verdict"]}
            for reading in data["readings"]:
                yield about | step | {name: reading[name] for name in COLUMNS if name in reading}


def _lines(run: Path) -> Iterator[dict[str, Any]]:
    try:
        with (run / NAME).open(encoding="utf-8") as journal:
            for text in journal:
                yield json.loads(text)
    except (OSError, ValueError) as error:
        raise RecordError(f"{run}: not a readable run ({error}); panelproof verify says more") from error
