"""What the engine reports, as frozen values: the journal, the screen and the result are made of these.

Times `*_us` are integer microseconds on the run's monotonic clock, from the start of the run. Events with
`recorded = False` are for the screen alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from harness.measure.reading import Reading, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened at `at_us`."""

    recorded: ClassVar[bool] = True
    at_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RunStarted(Event):
    """Identity of the run. `simulated`: no panel was tested. `self_consistent`: expected values and the
    simulated panel come from the same file."""

    title: str
    panel: str
    diagram: str
    revision: str
    modifications: tuple[str, ...]
    panel_serial: str
    bench: str
    expected_from: str
    decision_rule: str
    simulated: bool
    self_consistent: bool
    virtual_time: bool
    seed: int
    faults: tuple[str, ...]
    steps: tuple[str, ...]
    not_proved: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardFound(Event):
    """A board opened and asked what it is. `remarks`: what to know of the line to it."""

    board: str
    driver: str
    maker: str
    product: str
    revision: str
    simulated: bool
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchdogArmed(Event):
    """A board's own watchdog was armed, and its time-out read back."""

    board: str
    time_out_ms: int
    read_back_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchdogProved(Event):
    """A board's watchdog was seen to switch off at `proved`, `off_within_ms` after the last request at the
    latest. `due`: when that has to be shown again. `text`: whether it was shown now or before."""

    board: str
    time_out_ms: int
    off_within_ms: int
    proved: str
    due: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplySet(Event):
    """The run set a programmable supply to the level of `position`: `raw` counts, thousandths of a volt."""

    of: str
    position: str
    board: str
    register: int
    raw: int
    level_thousandths: int
    sent_us: int
    acknowledged_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueRead(Event):
    """An analogue value in thousandths of `unit`, with the half-width within which the true one lies. `of` is
    the supply that it measures, or empty."""

    name: str
    of: str
    unit: str
    value_thousandths: int
    uncertainty_thousandths: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CautionsShown(Event):
    """The cautions, and whether a person acknowledged them (a simulated bench asks nothing)."""

    cautions: tuple[str, ...]
    acknowledged: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Guarded(Event):
    """From here on a guardian makes safe should this program die, or be silent for longer than the deadline.

    `way`: whether it takes the open ports over (`shared`) or opens them anew (`own`).
    """

    way: str
    deadline_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StepStarted(Event):
    """Step `index` of the run begins; row 0 is the inputs at rest."""

    index: int
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved(Event):
    """Devices are about to be set to these positions (only those that change)."""

    positions: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Written(Event):
    """One transaction that set outputs: channel name to `on` or `off`."""

    board: str
    outputs: dict[str, str]
    sent_us: int
    acknowledged_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class InputsChanged(Event):
    """Inputs that differ from the sample before. The change lies after `before_us`, the sending of the last
    sample that showed the old state, and before `received_us`."""

    board: str
    inputs: dict[str, str]
    before_us: int
    sent_us: int
    received_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked(Event):
    """A person was asked to set something by hand, and what came of it (`done`, `skipped`, `cannot ask`)."""

    request: str
    answer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress(Event):
    """How far the step is, and what the inputs read, by tag."""

    recorded: ClassVar[bool] = False
    index: int
    doing: str
    states: dict[str, bool | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepEnded(Event):
    """The judged step. `positions` are those it was judged at, `rule` what gave the verdict, `retries` how
    often a board had to be asked again during it."""

    index: int
    title: str
    verdict: Verdict
    rule: str
    positions: dict[str, str]
    readings: tuple[Reading, ...]
    longest_gap_us: int
    missed_below_us: int
    polls: int
    note: str
    retries: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockStepped(Event):
    """The computer's wall clock was set during the run. Times `*_us` do not come from it."""

    by_ms: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchanged(Event):
    """The readings of the run fit two inputs exchanged."""

    inputs: tuple[str, str]
    watches: tuple[str, str]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Broken(Event):
    """The run could not go on: which error, in one line."""

    error: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeSafe(Event):
    """The bench was made safe. `proved`: boards read back all outputs off; otherwise commanded only."""

    proved: bool
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEnded(Event):
    """The verdict of the run. `failed` are titles of failed steps, kept when an error overrides. `remarks`:
    what to know of the computer and the line, which changes no verdict."""

    verdict: Verdict
    simulated: bool
    failed: tuple[str, ...]
    not_run: tuple[str, ...]
    polls: int
    retries: int = 0
    remarks: tuple[str, ...] = ()


Sink = Callable[[Event], None]
