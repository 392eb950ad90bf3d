"""Benches for runs over a real wire: a demo panel in its own process, and bench files that point at it."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from harness.cli.main import main
from harness.cli.server import served
from harness.demo_files import resolve


def copy_demo(folder: Path, *names: str) -> None:
    """Shipped files as files of the test's own."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in names:
        (folder / name).write_bytes(resolve(f"demo:{name}").read_bytes())


@contextmanager
def panel_on_the_wire(panel: Path, bench: Path, faults: Sequence[str] = ()) -> Iterator[int]:
    """The simulated panel served on loopback; its port."""
    with served(panel, bench, faults, 1) as (_, port):
        yield port


def point_at(bench: Path, port: int, *, unit: int = 1, extra: str = "") -> None:
    """Rewrite a simulated bench file so that its board is a Modbus TCP one at `port`."""
    text = bench.read_text(encoding="utf-8").replace("simulated: true\n", "")
    settings = f"settings: {{host: 127.0.0.1, port: {port}, unit: {unit}}}"
    text = text.replace("driver: simulated", f"driver: modbus-tcp\n    {settings}{extra}")
    bench.write_text(text, encoding="utf-8")


def edit(path: Path, pattern: str, replacement: str) -> None:
    """Change a file in exactly one place."""
    text, count = re.subn(pattern, replacement, path.read_text(encoding="utf-8"), flags=re.MULTILINE)
    assert count == 1, f"{pattern!r} found {count} times in {path.name}"
    path.write_text(text, encoding="utf-8")


def run(sequence: Path, logs: Path, *words: str) -> tuple[int, dict[str, Any], str]:
    """A run with --json: exit status, its document (empty without one), standard error."""
    out, err = io.StringIO(), io.StringIO()
    status = main(["run", str(sequence), "--json", "--logs", str(logs), *words], out=out, err=err)
    return status, json.loads(out.getvalue() or "{}"), err.getvalue()


def journal_kinds(folder: str | Path) -> list[str]:
    """The kinds of the lines of a run's journal."""
    lines = (Path(folder) / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    return [json.loads(line)["kind"] for line in lines]
