"""Run a shipped sequence in virtual time through the command, for tests of the demo."""

from __future__ import annotations

import io
import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.cli.main import main
from harness.demo_files import demo_folder

SEQUENCES = demo_folder()


@dataclass(frozen=True)
class Run:
    status: int
    answer: dict[str, Any]

    def wrong(self) -> list[str]:
        """Titles of the steps that did not pass, in order."""
        return [step["title"] for step in self.answer["steps"] if step["verdict"] != "pass"]

    def readings(self, title: str) -> list[dict[str, Any]]:
        """The failed readings of the steps whose title ends so."""
        steps = [step for step in self.answer["steps"] if step["title"].endswith(title)]
        assert steps, title
        return [reading for step in steps for reading in step["readings"] if reading["verdict"] != "pass"]


def run(name: str, folder: Path, fault: str = "", *, at_first_failure: bool = False) -> Run:
    """Run `name`, whole, or a copy of it that ends with its first failed step, which takes less time."""
    path = SEQUENCES / f"{name}.sequence.yaml"
    if at_first_failure:
        path = _stopping(path, folder)
    out, err = io.StringIO(), io.StringIO()
    words = ["run", str(path), "--virtual-time", "--json", "--logs", str(folder)]
    status = main([*words, "--fault", fault] if fault else words, out=out, err=err)
    assert out.getvalue(), err.getvalue()
    return Run(status, json.loads(out.getvalue()))


def _stopping(path: Path, folder: Path) -> Path:
    for shipped in SEQUENCES.glob("th-*"):
        shutil.copy(shipped, folder)
    text = path.read_text(encoding="utf-8")
    assert text.count("on failure: continue") == 1
    made = folder / path.name
    made.write_text(text.replace("on failure: continue", "on failure: stop"), encoding="utf-8")
    return made
