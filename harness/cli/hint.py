"""A pointer for the fitter: the path that should feed what did not come, from the panel as drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.errors import PanelproofError
from harness.measure.reading import Verdict

if TYPE_CHECKING:
    from harness.measure.reading import Reading
    from harness.panel.parts import Panel
    from harness.run.engine import StepResult

PATHS_SHOWN = 2


def feeds(step: StepResult, panel: Panel) -> list[str]:
    """Where to put the meter for the first thing of a failed step that should be on and is not."""
    missing = next((r for r in step.readings if _missing(r)), None)
    if missing is None or missing.of not in panel.outputs:
        return []
    from harness.panel.explain import explain

    try:
        explanation = explain(panel, missing.of, step.positions)
    except PanelproofError:
        return []  # a pointer is a help, never a second failure
    if explanation.state is not True:
        return []
    return [f"{missing.of} should be fed by {path}" for path in explanation.paths[:PATHS_SHOWN]]


def _missing(reading: Reading) -> bool:
    return (
        reading.verdict is Verdict.FAIL
        and reading.quantity == "state"
        and (reading.expected, reading.read) == ("on", "off")
        and not reading.note.startswith(("running", "after release"))
    )
