"""The shape of a sequence file: its keys and what each may hold. What it means is checked by `expand`.

Attribute `on_failure` is written `on failure` in the file; the JSON schema for editors comes from these.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Discriminator, Field, Tag, model_validator

from harness.fields import Count, Flag, FormatOne, Name, Names, Seconds, SomeSeconds, State, Text
from harness.models import Model
from harness.wording import quoted

PositionMap = dict[Name, Name]
StateMap = dict[Name, State]
Running = Annotated[
    Annotated[Name, Tag("a row")] | Annotated[PositionMap, Tag("positions")],
    Discriminator(lambda value: "a row" if isinstance(value, str) else "positions"),
]
WhichRows = Annotated[
    Annotated[Literal["all"], Tag("a word")] | Annotated[Names, Tag("a list")],
    Discriminator(lambda value: "a word" if isinstance(value, str) else "a list"),
]
STEP_KEYS = ("set", "rows", "stop", "time", "cycle", "each", "hold")


class ExpectedShape(Model):
    """Where expected states come from: a hand-written table, or the panel's own circuit."""

    table: Name | None = None
    from_: Literal["panel"] | None = Field(default=None, alias="from")

    @model_validator(mode="after")
    def _one_of_them(self) -> Self:
        if (self.table is None) == (self.from_ is None):
            raise ValueError("expected either {table: FILE.table.csv} or {from: panel}")
        return self


class NeverShape(Model):
    """A combination of states that must not show for longer than a time."""

    states: StateMap = Field(min_length=1)
    longer_than: Seconds = 0.0
    why: Text = ""


class StepShape(Model):
    """What each step may have."""

    title: Name | None = None
    never: tuple[NeverShape, ...] = ()


class SetShape(StepShape):
    """Set positions and expect states."""

    set: PositionMap
    expect: StateMap | None = None
    settle: SomeSeconds | None = None
    hold: Seconds | None = None


def _not_empty(names: tuple[str, ...]) -> tuple[str, ...]:
    if not names:
        raise ValueError("an empty list, so that nothing would be done; name at least one")
    return names


class RowsShape(StepShape):
    """Rows of the table, each a step of its own."""

    rows: WhichRows
    settle: SomeSeconds | None = None
    hold: Seconds | None = None
    within: SomeSeconds | None = None


def _row_or_positions(value: object) -> object:
    if not isinstance(value, str | dict):
        found = quoted(value)
        raise ValueError(f"found {found}; expected the name of a row, or positions such as {{S2: idle}}")  # noqa: TRY004
    return value


class StopBodyShape(Model):
    """A stop row; `from` is required, and its absence is refused in words of its own."""

    model_config = ConfigDict(json_schema_extra={"required": ["from", "demand"]})

    from_: Annotated[Running | None, BeforeValidator(_row_or_positions)] = Field(default=None, alias="from")
    demand: PositionMap
    within: SomeSeconds | None = None
    hold: SomeSeconds | None = None
    running: StateMap | None = None
    stopped: StateMap | None = None
    after: StateMap | None = None


class StopShape(StepShape):
    """Prove a stop from a running state."""

    stop: StopBodyShape
    settle: SomeSeconds | None = None


class TimeBodyShape(Model):
    """One edge, timed."""

    start: PositionMap
    end: PositionMap
    of: Name
    to: Literal["on", "off"]
    at_most: SomeSeconds | None = None
    at_least: SomeSeconds | None = None
    repeats: Count = 5


class TimeShape(StepShape):
    """Time one edge from stimulus to response."""

    time: TimeBodyShape
    settle: SomeSeconds | None = None


class HoldShape(StepShape):
    """Stay as the step before left it."""

    hold: SomeSeconds
    expect: StateMap | None = None


def _two(rows: tuple[str, ...]) -> tuple[str, ...]:
    if len(rows) < 2:
        raise ValueError("a cycle needs at least two rows to go round")
    return rows


class CycleShape(StepShape):
    """Go round rows of the table."""

    cycle: Annotated[tuple[Name, ...], AfterValidator(_two)]
    times: Count
    settle: SomeSeconds | None = None
    hold: Seconds | None = None


class EachShape(Model):
    """Every combination of positions, merged into the positions of the inner steps."""

    each: dict[Name, Annotated[Names, AfterValidator(_not_empty)]] = Field(min_length=1)
    steps: Steps


def _key_of(value: object) -> str | None:
    """The key that says what kind of step an entry is; `hold` only where no other key does."""
    known = [key for key in STEP_KEYS if isinstance(value, dict) and key in value]
    return f"{known[0]} step" if known else None


def _one_kind(value: object) -> object:
    if not isinstance(value, dict):
        raise ValueError(f"found {quoted(value)}; expected a step such as {{set: {{S1: pressed}}}}")  # noqa: TRY004
    kinds = [key for key in STEP_KEYS[:-1] if key in value]
    if len(kinds) > 1:
        raise ValueError(f"a step with {' and '.join(kinds)}; expected one of them, make it two steps")
    if _key_of(value) is None:
        raise ValueError(f"a step that does nothing; expected one of {', '.join(STEP_KEYS)}")
    return value


EntryShape = Annotated[
    Annotated[SetShape, Tag("set step")]
    | Annotated[RowsShape, Tag("rows step")]
    | Annotated[StopShape, Tag("stop step")]
    | Annotated[TimeShape, Tag("time step")]
    | Annotated[CycleShape, Tag("cycle step")]
    | Annotated[EachShape, Tag("each step")]
    | Annotated[HoldShape, Tag("hold step")],
    Discriminator(_key_of),
    BeforeValidator(_one_kind),
]


def _some(steps: tuple[EntryShape, ...]) -> tuple[EntryShape, ...]:
    if not steps:
        raise ValueError("no steps, so nothing would be proved; expected at least one")
    return steps


Steps = Annotated[tuple[EntryShape, ...], AfterValidator(_some)]


class SequenceShape(Model):
    """A whole sequence file."""

    format: FormatOne
    title: Name
    panel: Name
    bench: Name
    expected: ExpectedShape
    approved_by_second_person: Flag = False
    settle: SomeSeconds = 0.3
    hold: Seconds = 0.2
    within: SomeSeconds = 0.2
    on_failure: Literal["continue", "stop"] = "continue"
    decision_rule: Literal["guarded", "simple"] = "guarded"
    never: tuple[NeverShape, ...] = ()
    not_proved: tuple[Text, ...] = ()
    rest: StateMap | None = None
    steps: Steps


EachShape.model_rebuild()
SequenceShape.model_rebuild()
