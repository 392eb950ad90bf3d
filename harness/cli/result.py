"""What a run came to, for people and for programs: truth table and times as read, the failure block, JSON."""

from __future__ import annotations

import shutil
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from harness.cli.colour import painter
from harness.cli.failed_rows import counted
from harness.cli.hint import first_missed_stop, pointer, wrong_readings
from harness.cli.output import columns
from harness.measure.reading import Reading, Verdict, worst

if TYPE_CHECKING:
    from harness.panel.parts import Panel
    from harness.run.engine import Result, StepResult
    from harness.sequence.files import LoadedSequence

NOTICE = "SIMULATED, NO PANEL TESTED"
SELF_CONSISTENT = (
    "expected values and the simulated panel come from the same file: this proves self-consistency only"
)
_STATES = ("on", "off")
SHOWN_FAILURES = 3
SHOWN_READINGS = 4


def as_json(
    result: Result, loaded: LoadedSequence, folder: Path, faults: tuple[str, ...], serial: str
) -> dict[str, Any]:
    """The document of `panelproof run --json`."""
    return {
        "verdict": str(result.verdict),
        "simulated": result.simulated,
        **({"notice": NOTICE} if result.simulated else {}),
        "self_consistent": _self_consistent(result, loaded),
        "run": str(folder),
        "panel": loaded.panel.tag,
        "panel_serial": serial,
        "diagram": loaded.panel.diagram.number,
        "revision": loaded.panel.diagram.revision,
        "bench": loaded.bench.tag,
        "failed": list(result.failed),
        "not_run": list(result.not_run),
        "error": result.error,
        "unsafe": result.unsafe,
        "note": result.note,
        "retries": result.retries,
        "remarks": list(result.remarks),
        "expected_from": loaded.sequence.expected_from,
        "faults": list(faults),
        "exchanged": result.exchanged,
        "not_proved": list(loaded.not_proved),
        "notes": list(loaded.sequence.notes),
        "steps": [_step(step) for step in result.steps],
    }


def _self_consistent(result: Result, loaded: LoadedSequence) -> bool:
    return result.simulated and loaded.sequence.expected_from == "panel"


def _step(step: StepResult) -> dict[str, Any]:
    return {
        "title": step.title,
        "verdict": str(step.verdict),
        "positions": step.positions,
        "note": step.note,
        "readings": [_reading(reading) for reading in step.readings],
    }


def _reading(reading: Reading) -> dict[str, Any]:
    return {
        "of": reading.of,
        "quantity": reading.quantity,
        "unit": reading.unit,
        "expected": reading.expected,
        "read": reading.read,
        "low": reading.low_us,
        "high": reading.high_us,
        "verdict": str(reading.verdict),
        "late": reading.late_us,
        "note": reading.note,
    }


def summary(result: Result, loaded: LoadedSequence, folder: Path, serial: str, out: TextIO) -> None:
    """Truth table, times, what was not proved; last, where no scrolling is needed, verdict and failures."""
    paint = painter(out)
    tables = _spaced(_truth_table(result, loaded.panel, _width(out)), _times(result))
    lines = _spaced(_not_proved(loaded)) + _headline(result, loaded, folder, serial, paint)
    lines += [result.note] if result.note else []
    lines += result.remarks
    lines += _failures(result, loaded.panel, paint)
    if result.error:
        lines.append(f"{paint('error', 'ERROR')}  {result.error}")
    if result.unsafe:
        lines.append(paint("error", result.unsafe))
    if result.exchanged:
        lines.append(f"{paint('caution', 'WIRING')}  {result.exchanged}")
    if result.simulated:
        lines.append(paint("caution", NOTICE))
    print("\n".join(tables + (_wrapped(lines) if out.isatty() else lines)), file=out)


def _spaced(*blocks: list[str]) -> list[str]:
    """The blocks that hold something, an empty line after each."""
    return [line for block in blocks if block for line in (*block, "")]


def _width(out: TextIO) -> int:
    """Columns of a terminal; no limit where the text goes to a file or another program."""
    return shutil.get_terminal_size().columns if out.isatty() else sys.maxsize


def _wrapped(lines: list[str]) -> list[str]:
    """Prose broken at words, never within a terminal or the folder of the record."""
    wrapper = textwrap.TextWrapper(
        shutil.get_terminal_size().columns,
        subsequent_indent="    ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [wrapper.fill(line) for line in lines]


def _truth_table(result: Result, panel: Panel, width: int) -> list[str]:
    shown = [(step, states) for step in result.steps if (states := _states(step))]
    tags = [tag for tag in panel.outputs if any(tag in states for _, states in shown)]
    if not tags:
        return []
    rows = [("truth table as read", "positions off rest", *tags)]
    for step, states in shown:
        cells = [states.get(tag, "-") for tag in tags]
        rows.append((_short(step.title, 44), _short(_places(step.positions), 34), *cells))
    lines = columns(rows)
    return lines if max(map(len, lines)) <= width else _narrow_table(shown, width)


def _narrow_table(shown: list[tuple[StepResult, dict[str, str]]], width: int) -> list[str]:
    """For a screen that is too narrow for a column a tag: what is on, and what is wrong."""
    rows = [("truth table as read", "on, and what is wrong")]
    for step, states in shown:
        on = [tag for tag, cell in states.items() if cell == "on"]
        wrong = [f"{tag} {cell}" for tag, cell in states.items() if cell not in _STATES]
        rows.append((_short(step.title, width // 2), ", ".join(on + wrong) or "nothing"))
    return columns(rows)


def _states(step: StepResult) -> dict[str, str]:
    """The judged state of each tag at the row itself: `on`, `off`, or what is wrong with it."""
    cells: dict[str, str] = {}
    for reading in step.readings:
        if reading.quantity != "state" or reading.note.startswith(("running", "after release", "repeat")):
            continue
        if reading.verdict is Verdict.PASS:
            cells.setdefault(reading.of, reading.read)
        else:
            cells[reading.of] = _wrong_cell(reading)
    return cells


def _wrong_cell(reading: Reading) -> str:
    if reading.read not in _STATES:
        return "UNSTEADY"
    if reading.read == reading.expected:
        return f"{reading.read} LATE"
    return f"{reading.read}, MUST BE {reading.expected}"


def _times(result: Result) -> list[str]:
    rows: list[tuple[str, ...]] = [
        ("times as read", "of", "times", "expected", "read (all within)", "verdict")
    ]
    for step in result.steps:
        times = [reading for reading in step.readings if reading.quantity == "time"]
        if times:
            rows.append(_time_row(step, times))
    return columns(rows) if len(rows) > 1 else []


def _time_row(step: StepResult, times: list[Reading]) -> tuple[str, ...]:
    lows = [reading.low_us for reading in times if reading.low_us is not None]
    highs = [reading.high_us for reading in times if reading.high_us is not None]
    read = f"{min(lows) / 1e3:.1f} to {max(highs) / 1e3:.1f} ms" if lows and highs else times[0].read
    missing = len(times) - len(lows)
    read += f", {missing} without an edge" if lows and missing else ""
    verdict = str(worst(reading.verdict for reading in times))
    return _short(step.title, 44), times[0].of, str(len(times)), times[0].expected, read, verdict


def _not_proved(loaded: LoadedSequence) -> list[str]:
    texts = [*loaded.not_proved, *loaded.sequence.notes]
    return ["Not proved here:", *(f"  - {text}" for text in texts)] if texts else []


def _headline(result: Result, loaded: LoadedSequence, folder: Path, serial: str, paint: Any) -> list[str]:
    verdict = str(result.verdict)
    failed = f", {len(result.failed)} failed" if result.failed else ""
    missing = f", {len(result.not_run)} not run" if result.not_run else ""
    steps = f"row 0 and {max(len(result.steps) - 1, 0)} steps judged{failed}{missing}"
    panel = loaded.panel
    which = (
        f"{panel.tag}{f' serial {serial}' if serial else ''}, {panel.diagram.number} {panel.diagram.revision}"
    )
    about = f"{which}, {loaded.sequence.title}: {steps}"
    lines = [f"{paint(verdict, verdict.upper())}  {about}", f"Record: {folder}"]
    if _self_consistent(result, loaded):
        lines.append(paint("caution", SELF_CONSISTENT))
    return lines


def _failures(result: Result, panel: Panel, paint: Any) -> list[str]:
    wrong = [step for step in result.steps if step.verdict is not Verdict.PASS]
    stop = first_missed_stop(wrong, panel)
    shown = wrong[:SHOWN_FAILURES]
    if stop is not None and not any(step is stop for step in shown):
        shown[-1] = stop  # a stop that did not come is never among those left out
    lines: list[str] = []
    for number, step in enumerate(shown):
        lines += _failed_step(step, panel, paint, traced=number == 0 or step is stop)
    if len(wrong) > SHOWN_FAILURES:
        lines.append(f"and more steps, all of them above and in the record: {len(wrong) - SHOWN_FAILURES}")
    return lines + (counted(result.steps, panel) if len(wrong) > 1 else [])


def _failed_step(step: StepResult, panel: Panel, paint: Any, *, traced: bool) -> list[str]:
    """One step that did not pass; `traced`: with the path to put the meter on."""
    lines = [f"{paint(str(step.verdict), str(step.verdict).upper())}  {step.title}"]
    lines.append(f"  with {_places(step.positions) or 'everything at rest'}")
    lines += [f"  {step.note}"] if step.note else []
    bad = wrong_readings(step, panel)
    lines += [f"  {_fault_line(reading, panel)}" for reading in bad[:SHOWN_READINGS]]
    lines += [f"  {line}" for line in pointer(step, panel)] if traced else []
    if len(bad) > SHOWN_READINGS:
        lines.append(f"  and more of this step: {len(bad) - SHOWN_READINGS}")
    return lines


def _fault_line(reading: Reading, panel: Panel) -> str:
    titles = {r.tag: r.title for r in panel.relays} | {load.tag: load.title for load in panel.loads}
    name = f"{reading.of} ({titles[reading.of]})" if titles.get(reading.of) else reading.of
    late = f", {late_words(reading)}" if reading.late_us is not None else ""
    note = f" [{reading.note}]" if reading.note else ""
    return f"{name}: expected {reading.expected}, read {reading.read}{late}{note}"


def late_words(reading: Reading) -> str:
    """`31.5 ms too late`; for a watch, too long. At the least, where bounds are all there is."""
    off_us = reading.late_us or 0
    if reading.quantity == "watch":
        return f"at least {off_us / 1e3:.1f} ms too long"
    return f"{abs(off_us) / 1e3:.1f} ms too {'late' if off_us >= 0 else 'early'}"


def _places(positions: dict[str, str]) -> str:
    return ", ".join(f"{tag} {place}" for tag, place in positions.items())


def _short(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 3] + "..."
