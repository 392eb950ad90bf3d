"""The steps of a sequence as plain frozen values, with every table, loop and default already written out.

`positions` maps device (or supply) tag to position and is complete after loading: what a file leaves out is
at rest. `states` maps relay or load tag to True (picked up, energised) or False; a tag that is not in it may
be either. Times are seconds. Read from files by `harness.sequence.files`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Positions = dict[str, str]
States = dict[str, bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """A combination of states that must not show for longer than `longest_s` during a step."""

    states: States
    longest_s: float = 0.0
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Common:
    """What every step has: a title, the key path of its file entry for messages, and its watches."""

    title: str
    path: tuple[str | int, ...] = ()
    never: tuple[Watch, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SetStep(Common):
    """Set positions; expected states must settle within `settle_s` and then stay for `hold_s`."""

    positions: Positions
    states: States
    settle_s: float
    hold_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StopStep(Common):
    """A stop row: from the running state, apply the demand, prove the stop, hold, release, what follows.

    `stopped` must settle within `within_s` of the demand and stay for `hold_s`. `demand` is the complete
    positions with the demand applied. After release to `running` positions, `after` must settle.
    """

    running: Positions
    running_states: States
    demand: Positions
    stopped: States
    within_s: float
    hold_s: float
    settle_s: float
    after: States


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeStep(Common):
    """Time one edge: from the write that takes `start` positions to `end`, until `of` becomes `to`.

    Repeated `repeats` times; each repeat returns to `start`, where `start_states` (as far as they are known)
    must settle within `settle_s`; the new state must then stay for `hold_s`. Limits in seconds; a limit that
    is not stated is None. `beyond_s`: how long to wait for the edge before giving up.
    """

    start: Positions
    end: Positions
    of: str
    to: bool
    repeats: int
    at_least_s: float | None
    at_most_s: float | None
    settle_s: float
    beyond_s: float
    start_states: States = field(default_factory=dict)
    hold_s: float = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldStep(Common):
    """Stay as it is for `hold_s`; `states` must not flicker."""

    positions: Positions
    states: States
    hold_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleStep(Common):
    """Go through `rows` (positions, states) `times` times; every state is judged."""

    rows: tuple[tuple[Positions, States], ...]
    times: int
    settle_s: float
    hold_s: float


Step = SetStep | StopStep | TimeStep | HoldStep | CycleStep


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """A test procedure. `expected_from`: whether expected states were written by hand or derived.

    `lowers` are what the certificate repeats: what this procedure does not prove. `rest_states` is row 0:
    what inputs must read with every device at rest.
    """

    title: str
    panel_path: str
    bench_path: str
    expected_from: Literal["table", "panel"]
    rest_states: States
    steps: tuple[Step, ...]
    settle_s: float = 0.3
    hold_s: float = 0.2
    never: tuple[Watch, ...] = ()
    on_failure: Literal["continue", "stop"] = "continue"
    decision_rule: Literal["guarded", "simple"] = "guarded"
    not_proved: tuple[str, ...] = ()
    approved_by_second_person: bool = False
    notes: tuple[str, ...] = field(default_factory=tuple)
