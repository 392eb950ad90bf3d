"""A panel file to a Panel: read, check shape, wiring and values, convert. Nothing is computed."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

from harness.models import Problems, attempt, rest_of
from harness.panel.file_shape import DeviceShape, LoadShape, PanelShape, RelayShape, coil_of, ways_to_stop
from harness.panel.file_values import check_values
from harness.panel.file_wiring import check_wiring
from harness.panel.parts import (
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
    Terminal,
    Wire,
)
from harness.salvage import Plan, salvage
from harness.source import KeyPath, Source, load_file


class LoadedPanel(NamedTuple):
    """A panel with the source that it came from, for places in later messages."""

    panel: Panel
    source: Source


def load_panel(path: Path) -> LoadedPanel:
    """Load a panel file. Raises FileError with every problem found."""
    return read_panel(load_file(path))


def read_panel(source: Source) -> LoadedPanel:
    """The panel that a source holds. Raises FileError with every problem found."""
    problems = Problems(source)
    shape, faults = attempt(problems, PanelShape)
    if shape is None:
        _check_the_rest(problems, faults)
    else:
        check_wiring(shape, problems)
        check_values(shape, problems)
    problems.raise_any()
    assert shape is not None
    return LoadedPanel(_panel(shape), source)


_PLAN = Plan(
    sections=("devices", "breakers", "relays", "loads", "resistors", "diodes"),
    fillers={
        "panel": "?",
        "title": "?",
        "diagram": {"number": "?", "revision": "?"},
        "stopped": None,
        "not proved": None,
    },
    known=[field.alias or name for name, field in PanelShape.model_fields.items()],
)


def _check_the_rest(problems: Problems, faults: list[KeyPath]) -> None:
    """Check what can be checked of a file whose shape has faults: a bad terminal of a wire is passed over."""
    bad = [path for path in faults if path[:1] == ("wires",) and len(path) == 3]
    supplies = {path[1] for path in faults if path[:1] == ("supplies",) and len(path) > 1}
    others = [path for path in faults if path not in bad and not (path[:1] == ("supplies",) and path[1:])]
    sound = salvage(problems.source.data, others, _PLAN)
    if sound is None:
        return
    data, broken = sound
    wires: Any = data.get("wires")
    for number, (_, tag, index) in enumerate(bad):
        wires[tag] = [f"X_{number}:0" if at == index else end for at, end in enumerate(wires[tag])]
    for tag in supplies:
        data["supplies"] = _with_any_voltage(data["supplies"], tag)
    if (shape := rest_of(data, PanelShape)) is None:
        return
    check_wiring(shape, problems, broken)
    if not supplies:  # voltages mean nothing without those of the supply
        check_values(shape, problems, broken)


def _with_any_voltage(supplies: Any, tag: object) -> object:
    """Supplies of a file with the voltages of `tag`, in which there is a fault, replaced; its poles stay."""
    written = supplies[tag] if isinstance(supplies[tag], dict) else {}
    poles = {pole: written.get(pole) for pole in ("positive", "negative")}
    return supplies | {tag: {**poles, "nominal": "1 V", "range": ["1 V", "1 V"]}}


def _panel(shape: PanelShape) -> Panel:
    devices = tuple(_device(tag, device) for tag, device in shape.devices.items())
    return Panel(
        tag=shape.panel,
        title=shape.title,
        diagram=Diagram(
            number=shape.diagram.number,
            revision=shape.diagram.revision,
            modifications=shape.diagram.modifications,
        ),
        supplies=_supplies(shape),
        earth=shape.earth,
        devices=devices + _breakers(shape),
        relays=tuple(_relay(tag, relay) for tag, relay in shape.relays.items()),
        loads=tuple(_load(tag, load) for tag, load in shape.loads.items()),
        resistors=tuple(
            Resistor(tag=tag, terminals=(f"{tag}:1", f"{tag}:2"), resistance_ohm=ohms)
            for tag, ohms in shape.resistors.items()
        ),
        diodes=tuple(
            Diode(
                tag=tag,
                anode=f"{tag}:A",
                cathode=f"{tag}:K",
                forward_v=diode.forward,
                on_ohm=diode.resistance,
            )
            for tag, diode in shape.diodes.items()
        ),
        wires=tuple(Wire(tag=tag, terminals=terminals) for tag, terminals in shape.wires.items()),
        stopped=tuple({tag: state == "on" for tag, state in way.items()} for _, way in ways_to_stop(shape)),
        not_proved=shape.not_proved,
    )


def _supplies(shape: PanelShape) -> tuple[Supply, ...]:
    return tuple(
        Supply(
            tag=tag,
            positive=supply.positive,
            negative=supply.negative,
            nominal_v=supply.nominal,
            range_v=Span(*supply.range),
        )
        for tag, supply in shape.supplies.items()
    )


def _pair(tag: str, name: str) -> tuple[Terminal, Terminal]:
    first, second = name.split("-")
    return f"{tag}:{first}", f"{tag}:{second}"


def _device(tag: str, shape: DeviceShape) -> Device:
    contacts = tuple(
        DeviceContact(name=name, terminals=_pair(tag, name), closed_in=frozenset(contact.closed_in))
        for name, contact in shape.contacts.items()
    )
    return Device(
        tag=tag, title=shape.title, positions=shape.positions, contacts=contacts, change=shape.change
    )


def _breakers(shape: PanelShape) -> tuple[Device, ...]:
    closed = frozenset({"closed"})
    return tuple(
        Device(
            tag=tag,
            title=breaker.title,
            positions=("closed", "open"),
            contacts=tuple(
                DeviceContact(name=pole, terminals=_pair(tag, pole), closed_in=closed)
                for pole in breaker.poles
            ),
            inside=True,
            rating_a=breaker.rating,
        )
        for tag, breaker in shape.breakers.items()
    )


def _relay(tag: str, shape: RelayShape) -> Relay:
    coils = shape.coils or {}
    if shape.coil is not None:
        coils = {"A1-A2": shape.coil}
    reset_by, reset_in = next(iter((shape.reset_by or {}).items()), ("", ()))
    return Relay(
        tag=tag,
        title=shape.title,
        kind=shape.kind,
        coils=tuple(coil_of(_pair(tag, name), coil) for name, coil in coils.items()),
        operate_s=Span(*shape.operate),
        release_s=Span(*shape.release),
        delay_s=Span(*(shape.delay or (0.0, 0.0))),
        bounce_s=shape.bounce,
        gap_s=shape.gap,
        reset_by=reset_by,
        reset_in=frozenset(reset_in),
        contacts=tuple(
            RelayContact(
                name=name, kind=kind, terminals=tuple(f"{tag}:{number}" for number in name.split("-"))
            )
            for name, kind in shape.contacts.items()
        ),
    )


def _load(tag: str, shape: LoadShape) -> Load:
    return Load(tag=tag, title=shape.title, kind=shape.kind, coil=coil_of((f"{tag}:1", f"{tag}:2"), shape))
