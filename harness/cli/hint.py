"""A pointer for the fitter: the paths that should feed, or cut, what is wrong, from the panel as drawn."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

from harness.errors import PanelproofError
from harness.measure.reading import Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.measure.reading import Reading
    from harness.panel.explain import Explanation, Path
    from harness.panel.parts import Panel
    from harness.run.engine import StepResult

PATHS_SHOWN = 2


def wrong_readings(step: StepResult, panel: Panel) -> list[Reading]:
    """The readings that did not pass: a stop that did not come first, then other states of stop coils."""
    wrong = [reading for reading in step.readings if reading.verdict is not Verdict.PASS]
    missed = _missed_stops(step, panel)
    stopping = {tag for pattern in panel.stopped for tag in pattern}
    return sorted(wrong, key=lambda reading: (reading not in missed, reading.of not in stopping))


def first_missed_stop(steps: Sequence[StepResult], panel: Panel) -> StepResult | None:
    """The first step that should have stopped and in which a stop coil did not do its part, or None."""
    return next((step for step in steps if _missed_stops(step, panel)), None)


def _missed_stops(step: StepResult, panel: Panel) -> list[Reading]:
    """Wrong states that are part of a stop pattern which the row as a whole expects.

    A coil that is off in a stop is off in many rows that stop nothing: the rest of the pattern tells.
    """
    expected = {r.of: r.expected for r in step.readings if r.quantity == "state" and _is_of_the_row(r)}
    words = [{tag: "on" if on else "off" for tag, on in pattern.items()} for pattern in panel.stopped]
    demanded = [w for w in words if all(expected.get(tag, "either") in (w[tag], "either") for tag in w)]
    wrong = (reading for reading in step.readings if _is_settled_wrong(reading))
    return [reading for reading in wrong if any(reading.of in pattern for pattern in demanded)]


def pointer(step: StepResult, panel: Panel) -> list[str]:
    """Where to put the meter in a failed step, or nothing: for a stop that did not come, else for the
    first wrong state in file order, because a relay that does not come takes its loads along."""
    settled = (reading for reading in step.readings if _is_settled_wrong(reading))
    wrong = next(chain(_missed_stops(step, panel), settled), None)
    if wrong is None or wrong.of not in panel.outputs:
        return []
    from harness.panel.explain import explain

    try:
        explanation = explain(panel, wrong.of, step.positions)
    except PanelproofError:
        return []  # a pointer is a help, never a second failure
    if explanation.state is not (wrong.expected == "on"):
        return []  # the row is reached another way than from rest; a path from here would mislead
    word = "be fed by" if explanation.state else "be cut in"
    paths = _shortest(explanation)
    lines = [(f"{wrong.of} should {word} {path}", f"  terminals: {path.terminals}") for path in paths]
    return [line for pair in lines for line in pair]


def _shortest(explanation: Explanation) -> list[Path]:
    """The paths with the fewest interruptions; not a relay's own seal-in where another one feeds it."""
    paths = explanation.paths
    if explanation.state:
        paths = tuple(path for path in paths if not path.seals) or paths
    fewest = min((len(path.interrupted) for path in paths), default=0)
    return [path for path in paths if len(path.interrupted) == fewest][:PATHS_SHOWN]


def _is_settled_wrong(reading: Reading) -> bool:
    return (
        reading.verdict is Verdict.FAIL
        and reading.quantity == "state"
        and {reading.expected, reading.read} == {"on", "off"}
        and _is_of_the_row(reading)
    )


def _is_of_the_row(reading: Reading) -> bool:
    return not reading.note.startswith(("running", "after release"))
