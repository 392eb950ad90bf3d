"""The usual cautions for a bench test of a panel, in the order in which they are met."""

from __future__ import annotations

from harness.panel.parts import Panel

FENCE_ABOVE_V = 60.0
"""DC voltage above which a covered or fenced test place is called for (EN 50191, as summarised publicly)."""

DEFER = "Local codes and a licensed or authorised person decide; panelproof is not a safety device."

_ALWAYS = (
    "Never test a panel that is still connected to an engine.",
    "Isolate and prove dead before wiring; solenoids and capacitors store energy.",
    "Emergency stop within reach, hard-wired, cutting the supply; its reset must re-energise nothing.",
    "First step at low voltage and limited current: polarity, cold resistances, and that it is this panel.",
    "Set the supply's over-voltage trip and read it back before full voltage.",
    "Boards may pulse or restore outputs at power-up: the supply contactor closes only after they read safe.",
    "Insulation tests only with electronics and this bench disconnected.",
    "Resistance readings only with the supply off, proved dead, after a wait.",
    "Leave it cycling unattended only with a board watchdog that has been proved.",
)


def cautions(panel: Panel | None) -> tuple[str, ...]:
    """Every caution that applies to `panel`, or to one that is not known; deferral to local rules last."""
    return (*_fence(panel), *_ALWAYS, DEFER)


def _fence(panel: Panel | None) -> tuple[str, ...]:
    if panel is None:
        return (f"Above {FENCE_ABOVE_V:g} V DC: work in a covered or fenced test place with an interlock.",)
    highest_v = max((supply.range_v.high for supply in panel.supplies), default=0.0)
    if highest_v <= FENCE_ABOVE_V:
        return ()
    return (f"{highest_v:g} V DC: work in a covered or fenced test place with an interlock.",)
