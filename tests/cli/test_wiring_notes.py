"""What `panelproof wiring` says of watchdogs, measures and supplies that the run sets."""

from __future__ import annotations

import io
from pathlib import Path

from bench_trials import LOADED
from wire_benches import copy_demo, edit

from harness.cli.main import main

WATCHDOG = (
    "watchdog of board IO1: proved on output 5, looped to input 5, which switches with the panel's supply off"
)


def notes(folder: Path) -> list[str]:
    out = io.StringIO()
    assert main(["wiring", str(folder / Path(LOADED.path).name)], out=out, err=io.StringIO()) == 0
    return out.getvalue().splitlines()


def test_loops_measures_and_set_supplies_are_in_the_list(tmp_path: Path) -> None:
    copy_demo(tmp_path, *(path.name for path in LOADED.paths))
    path = tmp_path / LOADED.bench_path.name
    assert not any("watchdog of" in line or "measure" in line for line in notes(tmp_path))
    keys = "watchdog: {time-out: 2 s, proof output: 5, proof input: 5}\n    safe on: [6]\n"
    edit(path, "^    poll: 10 ms\n", f"    poll: 10 ms\n    {keys}")
    edit(path, r"hand: \[F1, main\]", "hand: [F1]")
    level = "set: {main: {board: IO1, register: 20, scale: 10 mV}}"
    edit(path, r"present: \{board: IO1, channel: 6\}\}", f"present: {{board: IO1, channel: 6}}, {level}}}")
    measure = "{board: IO1, input register: 3, scale: 0.1 V, uncertainty: 0.3 V, of: main}"
    path.write_text(path.read_text(encoding="utf-8") + f"measures: {{U1: {measure}}}\n", "utf-8")
    found = notes(tmp_path)
    for line in (
        "board IO1: on in the safe state: 6",
        WATCHDOG,
        "measure U1: board IO1, input register 3, supply main behind its contactor",
        "supply main: set by the run, board IO1, register 20",
        "set by hand: F1",
    ):
        assert line in found
