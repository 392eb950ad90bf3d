"""The shape of a panel file: its keys and what each may hold. Whether it is a circuit is checked elsewhere.

Attribute `reset_by` is written `reset by` in the file; the JSON schema for editors comes from these models.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Discriminator, Field
from pydantic import Tag as PydanticTag

from harness.fields import (
    Amperes,
    ContactName,
    FormatOne,
    Henries,
    Name,
    Names,
    Ohms,
    OnOff,
    PairName,
    Pole,
    Positions,
    Seconds,
    SomeHenries,
    SomeOhms,
    SomeVolts,
    Suppressed,
    Tag,
    Terminal,
    Text,
    TimeRange,
    VoltRange,
    Volts,
)
from harness.models import Model
from harness.panel.parts import Coil, RelayKind

Way = dict[Tag, OnOff]


def _some_ways(ways: tuple[Way, ...]) -> tuple[Way, ...]:
    if not ways or not all(ways):
        raise ValueError("a way to stop that names no relay or load; write for example [{Y1: off}, {Y2: on}]")
    return ways


Stopped = Annotated[
    Annotated[Way, PydanticTag("one way")]
    | Annotated[tuple[Way, ...], AfterValidator(_some_ways), PydanticTag("several ways")],
    Discriminator(lambda value: "several ways" if isinstance(value, list | tuple) else "one way"),
]


class DiagramShape(Model):
    """The wiring diagram that the file was entered from."""

    number: Name
    revision: Name
    modifications: Names = ()


class SupplyShape(Model):
    """A DC supply between two poles."""

    positive: Pole
    negative: Pole
    nominal: SomeVolts
    range: VoltRange


class DeviceContactShape(Model):
    """Where a contact of a device is closed."""

    closed_in: Positions


class DeviceShape(Model):
    """A switch outside the panel; the first position is its rest position."""

    title: Text = ""
    positions: Positions = Field(min_length=2)
    contacts: dict[PairName, DeviceContactShape] = Field(min_length=1)
    change: Literal["gap", "overlap"] = "gap"


class BreakerShape(Model):
    """A circuit breaker in the panel, closed or open by hand."""

    title: Text = ""
    poles: tuple[PairName, ...] = Field(min_length=1)
    rating: Amperes | None = None


class CoilShape(Model):
    """A relay coil at 20 C."""

    resistance: SomeOhms
    inductance: SomeHenries
    pick_up: SomeVolts = Field(alias="pick-up")
    drop_out: SomeVolts = Field(alias="drop-out")
    suppression: Suppressed = ("none", 0.0)


class RelayShape(Model):
    """A relay; a latching one has `coils` (set, reset), any other one `coil`."""

    title: Text = ""
    kind: RelayKind = "plain"
    coil: CoilShape | None = None
    coils: dict[PairName, CoilShape] | None = None
    operate: TimeRange
    release: TimeRange
    delay: TimeRange | None = None
    bounce: Seconds = 0.0
    gap: Seconds = 0.0
    reset_by: dict[Tag, Positions] | None = None
    contacts: dict[ContactName, Literal["make", "break", "change-over"]] = Field(default_factory=dict)


class LoadShape(Model):
    """A solenoid, lamp or governor coil. Only a lamp may be without inductance."""

    title: Text = ""
    kind: Literal["solenoid", "lamp", "coil"] = "solenoid"
    resistance: SomeOhms
    inductance: Henries = 0.0
    pick_up: SomeVolts = Field(alias="pick-up")
    drop_out: SomeVolts = Field(alias="drop-out")
    suppression: Suppressed = ("none", 0.0)


class DiodeShape(Model):
    """A diode: forward voltage and the resistance above it."""

    forward: Volts = 0.7
    resistance: Ohms = 0.05


class PanelShape(Model):
    """A whole panel file."""

    format: FormatOne
    panel: Name
    title: Text
    diagram: DiagramShape
    supplies: dict[Tag, SupplyShape] = Field(min_length=1)
    earth: Pole | None = None
    devices: dict[Tag, DeviceShape] = Field(default_factory=dict)
    breakers: dict[Tag, BreakerShape] = Field(default_factory=dict)
    relays: dict[Tag, RelayShape] = Field(default_factory=dict)
    loads: dict[Tag, LoadShape] = Field(default_factory=dict)
    resistors: dict[Tag, SomeOhms] = Field(default_factory=dict)
    diodes: dict[Tag, DiodeShape] = Field(default_factory=dict)
    wires: dict[Tag, tuple[Terminal, ...]]
    stopped: Stopped = Field(default_factory=dict)
    not_proved: tuple[Text, ...] = ()


def ways_to_stop(shape: PanelShape) -> tuple[tuple[tuple[str | int, ...], Way], ...]:
    """Each pattern that means stopped, with its key path in the file."""
    if isinstance(shape.stopped, dict):
        return ((("stopped",), shape.stopped),) if shape.stopped else ()
    return tuple((("stopped", index), way) for index, way in enumerate(shape.stopped))


def coil_of(terminals: tuple[str, str], shape: CoilShape | LoadShape) -> Coil:
    """The coil of a relay or load, between two terminals."""
    suppression, ohms = shape.suppression
    return Coil(
        terminals=terminals,
        resistance_ohm=shape.resistance,
        inductance_h=shape.inductance,
        pick_up_v=shape.pick_up,
        drop_out_v=shape.drop_out,
        suppression=suppression,
        suppression_ohm=ohms,
    )
