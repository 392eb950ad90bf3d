"""Small panels for tests, written as short as a circuit on the back of an envelope."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from harness.panel.parts import (
    Coil,
    ContactKind,
    Device,
    DeviceContact,
    Diagram,
    Diode,
    Load,
    Panel,
    Relay,
    RelayContact,
    Resistor,
    Span,
    Supply,
    Wire,
)

SUPPLY = Supply(tag="main", positive="L+", negative="L-", nominal_v=24.0, range_v=Span(18.0, 30.0))


def coil(tag: str, ends: str = "A1 A2", **changes: Any) -> Coil:
    """24 V, 480 ohm, picks up at 16 V and drops out at 3 V."""
    first, second = ends.split()
    made = Coil(
        terminals=(f"{tag}:{first}", f"{tag}:{second}"),
        resistance_ohm=480.0,
        inductance_h=1.0,
        pick_up_v=16.0,
        drop_out_v=3.0,
    )
    return replace(made, **changes)


def relay(tag: str, contacts: dict[str, ContactKind], **changes: Any) -> Relay:
    """A plain relay: 10 to 20 ms to operate, 5 to 15 ms to release. `coils` replaces its coil."""
    made = Relay(
        tag=tag,
        coils=changes.pop("coils", (coil(tag),)),
        operate_s=Span(0.010, 0.020),
        release_s=Span(0.005, 0.015),
        contacts=tuple(
            RelayContact(name=name, kind=kind, terminals=tuple(f"{tag}:{n}" for n in name.split("-")))
            for name, kind in contacts.items()
        ),
    )
    return replace(made, **changes)


def button(tag: str, contacts: dict[str, str]) -> Device:
    """A push-button: contacts by name, `make` (closed when pressed) or `break` (closed when released)."""
    closed = {"make": frozenset({"pressed"}), "break": frozenset({"released"})}
    return Device(
        tag=tag,
        positions=("released", "pressed"),
        contacts=tuple(
            DeviceContact(name=name, terminals=_ends(tag, name), closed_in=closed[kind])
            for name, kind in contacts.items()
        ),
    )


def breaker(tag: str, *poles: str) -> Device:
    """A circuit breaker inside the panel; one pole 1-2 when none is named."""
    return Device(
        tag=tag,
        inside=True,
        positions=("closed", "open"),
        contacts=tuple(
            DeviceContact(name=name, terminals=_ends(tag, name), closed_in=frozenset({"closed"}))
            for name in poles or ("1-2",)
        ),
    )


def load(tag: str, **changes: Any) -> Load:
    """A solenoid of 150 ohm at terminals 1 and 2, on at 12 V, off at 3 V. Changes go to its coil."""
    return Load(tag=tag, coil=coil(tag, "1 2", **({"resistance_ohm": 150.0, "pick_up_v": 12.0} | changes)))


def resistor(tag: str, ohm: float) -> Resistor:
    return Resistor(tag=tag, terminals=(f"{tag}:1", f"{tag}:2"), resistance_ohm=ohm)


def diode(tag: str) -> Diode:
    return Diode(tag=tag, anode=f"{tag}:A", cathode=f"{tag}:K")


def wires(text: str) -> tuple[Wire, ...]:
    """One wire a line: its tag and its terminals in looping order."""
    rows = (line.split() for line in text.splitlines() if line.strip())
    return tuple(Wire(tag=row[0], terminals=tuple(row[1:])) for row in rows)


def panel(parts: Iterable[object], wiring: str, **changes: Any) -> Panel:
    """A panel of parts of any kind, in order, and its wires as text."""
    groups: dict[type, list[Any]] = {Device: [], Relay: [], Load: [], Resistor: [], Diode: []}
    for part in parts:
        groups[type(part)].append(part)
    made = Panel(
        tag="TH-T1",
        title="Panel of a test",
        diagram=Diagram(number="TH-D-1", revision="A"),
        supplies=(SUPPLY,),
        devices=tuple(groups[Device]),
        relays=tuple(groups[Relay]),
        loads=tuple(groups[Load]),
        resistors=tuple(groups[Resistor]),
        diodes=tuple(groups[Diode]),
        wires=wires(wiring),
    )
    return replace(made, **changes)


def _ends(tag: str, name: str) -> tuple[str, str]:
    first, second = name.split("-")
    return f"{tag}:{first}", f"{tag}:{second}"
