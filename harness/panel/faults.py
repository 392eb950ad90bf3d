"""The single faults of a panel, each an edit of the same circuit: list them, apply one by its name.

The faults of contacts that a bench imitates are the bench's, not the panel's, and are not listed; wires that
lead to them are.
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

from harness.errors import UsageError
from harness.panel.fault_edits import INNER, Fault
from harness.panel.fault_parts import (
    breaker_faults,
    diode_faults,
    load_faults,
    relay_faults,
    resistor_faults,
)
from harness.panel.fault_wires import neighbour_faults, supply_faults, wire_faults
from harness.panel.parts import Panel

__all__ = ["Fault", "apply", "find", "single_faults"]


def single_faults(panel: Panel) -> tuple[Fault, ...]:
    """Every single fault of the panel, in the order of its file, with unique names.

    The panel may have a fault in it already; what only that edit put in has no faults of its own.
    """
    listed: list[Fault] = []
    for relay in panel.relays:
        listed.extend(relay_faults(relay))
    for load in panel.loads:
        listed.extend(load_faults(load))
    for device in panel.devices:
        if device.inside:
            listed.extend(breaker_faults(device))
    for resistor in panel.resistors:
        listed.extend(resistor_faults(resistor) if INNER not in resistor.tag else ())
    for diode in panel.diodes:
        listed.extend(diode_faults(diode) if INNER not in diode.tag else ())
    listed.extend(wire_faults(panel))
    listed.extend(neighbour_faults(panel))
    listed.extend(supply_faults(panel))
    return tuple(listed)


def find(panel: Panel, name: str) -> Fault:
    """The fault of that name; spacing, upper or lower case and the order of two ends do not matter.

    Raises UsageError with the nearest names when the panel has no such fault.
    """
    faults = single_faults(panel)
    for key in (str, _squeezed, _unordered):
        for fault in faults:
            if key(fault.name) == key(name):
                return fault
    by_key = {_squeezed(fault.name): fault.name for fault in faults}
    nearest = [by_key[key] for key in get_close_matches(_squeezed(name), list(by_key), n=3, cutoff=0.5)]
    hint = f"nearest: {', '.join(nearest)}" if nearest else "none is near"
    found = f"fault '{name}': panel {panel.tag} has no such fault"
    raise UsageError(f"{found}; {hint}; `panelproof faults PANEL` lists all")


def apply(panel: Panel, name: str) -> Panel:
    """The panel with the named fault in it. Raises UsageError with the nearest names for an unknown one."""
    return find(panel, name).edit(panel)


def apply_all(panel: Panel, names: Iterable[str]) -> Panel:
    """The panel with all the named faults in it, one after the other."""
    for name in names:
        panel = apply(panel, name)
    return panel


def _squeezed(name: str) -> str:
    return "".join(name.casefold().split())


def _unordered(name: str) -> str:
    words = name.casefold().split()
    return " ".join("-".join(sorted(word.split("-"))) for word in words)
