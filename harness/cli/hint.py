"""A pointer for the fitter: the paths that should feed, or cut, what is wrong, from the panel as drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.errors import PanelproofError
from harness.measure.reading import Verdict

if TYPE_CHECKING:
    from harness.measure.reading import Reading
    from harness.panel.parts import Panel
    from harness.run.engine import StepResult

PATHS_SHOWN = 2


def pointer(step: StepResult, panel: Panel) -> list[str]:
    """Where to put the meter for the first wrong state of a failed step, or nothing."""
    wrong = next((r for r in step.readings if _is_settled_wrong(r)), None)
    if wrong is None or wrong.of not in panel.outputs:
        return []
    from harness.panel.explain import explain

    try:
        explanation = explain(panel, wrong.of, step.positions)
    except PanelproofError:
        return []  # a pointer is a help, never a second failure
    if explanation.state is not (wrong.expected == "on"):
        return []  # the row is reached another way than from rest; a path from here would mislead
    fewest = min((len(path.interrupted) for path in explanation.paths), default=0)
    paths = [path for path in explanation.paths if len(path.interrupted) == fewest][:PATHS_SHOWN]
    word = "be fed by" if explanation.state else "be cut in"
    return [f"{wrong.of} should {word} {path}" for path in paths]


def _is_settled_wrong(reading: Reading) -> bool:
    return (
        reading.verdict is Verdict.FAIL
        and reading.quantity == "state"
        and {reading.expected, reading.read} == {"on", "off"}
        and not reading.note.startswith(("running", "after release"))
    )
