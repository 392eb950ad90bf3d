"""The shape of a bench file: its keys and what each may hold. Whether it fits is checked elsewhere."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from harness.bench.file_amounts import Address, Amount, Channels, Registers, Share, SignedAmount, TripTime
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


class WatchdogShape(Model):
    """A board's own watchdog: without a request for the time-out it makes its outputs safe by itself.

    How it is armed is said under `settings`, in the driver's own keys. Before the first run on a bench it is
    proved on `proof output`, with the panel's supply off; `proof input` is an input looped to that output,
    for a board that cannot read its outputs back.
    """

    time_out: TripTime = Field(alias="time-out")
    proof_output: Count
    proof_input: Count | None = None


class BoardShape(Model):
    """An IO board; `settings` are the driver's own keys.

    `safe on` lists the outputs that are on when the bench is safe; all others are off then.
    """

    driver: Name
    outputs: Count = 0
    inputs: Count = 0
    settings: dict[Name, Text] = Field(default_factory=dict)
    timeout: SomeSeconds = 0.5
    retries: Retries = 0
    poll: Seconds = 0.0
    input_age: Seconds = 0.0
    output_delay: TimeRange = (0.0, 0.0)
    safe_on: Channels = ()
    watchdog: WatchdogShape | None = None
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


class LevelShape(Model):
    """The holding register that sets a programmable supply's level."""

    board: Name
    register_: Address = Field(alias="register")
    scale: Amount


class SupplyShape(Model):
    """The supply's contactor (an output) and the input that says it is present.

    `set`: supplies, by tag, whose level the run sets through a register; a measure must read them back.
    """

    contactor: SpecialShape | None = None
    present: SpecialShape | None = None
    set_: dict[Tag, LevelShape] = Field(default_factory=dict, alias="set")


class MeasureShape(Model):
    """An analogue value in a board's registers: raw count times `scale` plus `offset`.

    `uncertainty` is the half-width within which the true value lies. Of a supply (`of`), the value must be
    the level that the run asks for, within `tolerance` (5 % when left out) and uncertainty; with the supply
    contactor open it must be about 0, unless it is measured `before contactor`.
    """

    board: Name
    input_register: Address | None = None
    holding_register: Address | None = None
    words: Registers = 1
    signed: Flag = False
    scale: Amount
    offset: SignedAmount | None = None
    uncertainty: Amount
    of: Tag | None = None
    tolerance: Share = 0.05
    before_contactor: Flag = False


class BenchShape(Model):
    """A whole bench file.

    `guardian`: how the process that makes safe for a runner that died reaches the boards: `shared` takes over
    the ports that the runner had open, where the system can; `own` opens them itself.
    """

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
    measures: dict[Name, MeasureShape] = Field(default_factory=dict)
    guardian: Literal["shared", "own"] = "shared"
