"""Handles for tests that move panels: one switched coil, settled starts, what happened and when."""

from __future__ import annotations

from dataclasses import replace

from small_panels import load, panel

from harness.panel.motion import Motion, closed_contacts, device_contacts
from harness.panel.parts import Coil, OuterContact, Panel, Relay, Span, Supply

MS = 1_000_000
S = 1_000_000_000
SWITCH = OuterContact(name="S", terminals=("L+", "c"), resistance_ohm=1e-3)


def switched(part: Relay | Coil, *, volts: float = 24.0, extra: str = "", **changes: object) -> Panel:
    """One coil (of load Y1, or the relay's own) between point c, which SWITCH feeds, and L-."""
    supply = Supply(tag="main", positive="L+", negative="L-", nominal_v=volts, range_v=Span(1, 2 * volts))
    if isinstance(part, Relay):
        made = panel([part], f"W1 c {part.tag}:A1\nW2 L- {part.tag}:A2\n{extra}")
    else:
        made = panel([load("Y1", **fields(part))], f"W1 c Y1:1\nW2 L- Y1:2\n{extra}")
    return replace(made, supplies=(supply,), **changes)  # type: ignore[arg-type]


def fields(part: Coil) -> dict[str, object]:
    return {name: getattr(part, name) for name in part.__dataclass_fields__ if name != "terminals"}


def started(made: Panel, **options: object) -> Motion:
    """Settled with all devices at rest, their own contacts connected."""
    motion = Motion(made, outer=device_contacts(made), **options)  # type: ignore[arg-type]
    motion.set_outer(closed_contacts(made, {}))
    motion.settle()
    return motion


def set_to(motion: Motion, **positions: str) -> int:
    """Put devices in positions, all others at rest, now; returns the time."""
    motion.set_outer(closed_contacts(motion.panel, positions))
    return motion.now_ns


def happened(motion: Motion, since_ns: int = 0) -> list[tuple[str, str]]:
    return [(m.of, m.what) for m in motion.movements if m.at_ns >= since_ns]


def moved_at(motion: Motion, of: str, what: str) -> int:
    """When `of` last did `what`."""
    return next(m.at_ns for m in reversed(motion.movements) if (m.of, m.what) == (of, what))


def energise(part: Coil, volts: float, **options: object) -> Motion:
    """Close SWITCH at 0 and settle."""
    motion = Motion(switched(part, volts=volts, **options), outer=(SWITCH,))
    motion.set_outer({"S": True})
    return motion


def bare(
    ohm: float, henry: float, pick_up_a: float = 1e6, drop_out_a: float = 1e-3, **changes: object
) -> Coil:
    made = Coil(terminals=("", ""), resistance_ohm=ohm, inductance_h=henry, pick_up_v=pick_up_a * ohm,
                drop_out_v=drop_out_a * ohm)  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]
