"""The shape of a bench file: its keys and what each may hold. Whether it fits is checked elsewhere."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from harness.fields import (
    Count,
    Flag,
    FormatOne,
    Imitated,
    Name,
    Position,
    Seconds,
    SomeAmperes,
    SomeOhms,
    SomeSeconds,
    SomeVolts,
    Tag,
    Terminal,
    Text,
    TimeRange,
    two_terminals,
)
from harness.models import Model

MOST_RETRIES = 5


def _few(count: int) -> int:
    if count > MOST_RETRIES:
        raise ValueError(f"found {count}; expected 0 to {MOST_RETRIES}: a line that needs more is broken")
    return count


Retries = Annotated[Count, AfterValidator(_few)]
Ends = Annotated[tuple[Terminal, Terminal], BeforeValidator(two_terminals)]


class RatingShape(Model):
    """What the output contacts of a board may switch."""

    highest_voltage: SomeVolts
    breaking_current: SomeAmperes


class InputShape(Model):
    """How input channels read: the defaults of a board."""

    on: SomeVolts | None = None
    off: SomeVolts | None = None
    resistance: SomeOhms | None = None
    filter: Seconds | None = None
    wetting: SomeVolts | None = None
    highest_voltage: SomeVolts | None = None
    both_polarities: Flag | None = None


class BoardShape(Model):
    """An IO board; `settings` are the driver's own keys."""

    driver: Name
    outputs: Count = 0
    inputs: Count = 0
    settings: dict[Name, Text] = Field(default_factory=dict)
    timeout: SomeSeconds = 0.5
    retries: Retries = 0
    poll: Seconds = 0.0
    input_age: Seconds = 0.0
    output_delay: TimeRange = (0.0, 0.0)
    ratings: RatingShape | None = None
    input: InputShape = InputShape()


class OutputShape(Model):
    """An output contact in place of a contact of a device."""

    board: Name
    channel: Count
    imitates: Imitated
    terminals: Ends | None = None
    contact: Literal["make", "break"] = "make"


class InputChannelShape(InputShape):
    """An input between two terminals of the panel."""

    board: Name
    channel: Count
    watches: Tag
    proves: Literal["coil", "load", "contact"]
    terminals: Ends
    inverted: Flag = False


class SpecialShape(Model):
    """A channel of the bench's own."""

    board: Name
    channel: Count
    inverted: Flag = False


class SupplyShape(Model):
    """The supply's contactor (an output) and the input that says it is present."""

    contactor: SpecialShape | None = None
    present: SpecialShape | None = None


class BenchShape(Model):
    """A whole bench file."""

    format: FormatOne
    bench: Name
    title: Text = ""
    simulated: Flag = False
    boards: dict[Name, BoardShape] = Field(min_length=1)
    outputs: dict[Name, OutputShape] = Field(default_factory=dict)
    inputs: dict[Name, InputChannelShape] = Field(default_factory=dict)
    hand: tuple[Tag, ...] = ()
    supply: SupplyShape = SupplyShape()
    emergency_stop: SpecialShape | None = None
    forbidden: tuple[dict[Tag, Position], ...] = ()
    longest_on: dict[Tag, SomeSeconds] = Field(default_factory=dict)
    guardian: Literal["shared", "own"] = "shared"
