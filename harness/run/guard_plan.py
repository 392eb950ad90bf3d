"""What the guardian must know before anything moves: boards, their safe states, where and when to write.

It goes over the control channel as one line of JSON with a version. Both ends are the same program, so every
key must be there and no other.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from harness.bench.parts import Bench, BoardSpec, SpecialChannel, Watchdog
from harness.panel.parts import Span

VERSION = 1
SPARE_S = 2.0
"""Part of the deadline for what no time-out bounds: a slow disk under the journal, a busy computer."""

EPHEMERAL_S = 0.25
"""How long to try where the simulated panel's server ends with the runner: it is nearly always gone."""

UNARMED_S = 5.0
"""How long to try when the runner died before it had switched anything."""

SIMULATED_S = 3.0
"""How long to try where every board has said that it is simulated: nothing real can be left on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """`deadline_s`: silence that counts as death, once armed. `patience_s`: how long to keep trying if the
    runner dies before that. `ephemeral`: the panel is served by the runner's own child and ends with it.
    `folder` of the run, `start_ns` of its journal, `identity`: what it is a run of.
    """

    boards: tuple[BoardSpec, ...]
    contactor: SpecialChannel | None
    deadline_s: float
    patience_s: float
    ephemeral: bool
    runner: int
    folder: str
    start_ns: int
    program: str
    identity: dict[str, str]

    def as_json(self) -> dict[str, Any]:
        """Plain values, with the version."""
        return {"version": VERSION} | asdict(self)


def deadline_s(boards: Iterable[BoardSpec]) -> float:
    """The longest that a runner in good order may be silent.

    Between two beats it reads every board once; a board that does not answer costs a time-out for the
    question and one for connecting anew, as often as its retries allow, then its pause between two reads.
    """
    boards = tuple(boards)
    waits = sum(2 * board.timeout_s * (1 + board.retries) for board in boards)
    return SPARE_S + waits + max((board.poll_s for board in boards), default=0.0)


def guarded_specs(bench: Bench) -> tuple[BoardSpec, ...]:
    """The boards as the guardian asks them: once a round, so that a dead one delays no other for long."""
    return tuple(replace(board, retries=0) for board in bench.boards)


def plan_of(message: Mapping[str, Any]) -> Plan:
    """The plan from its JSON. Raises ValueError in words."""
    values = dict(message)
    if values.pop("version", None) != VERSION:
        raise ValueError(f"a plan of version {message.get('version')!r}; this guardian knows {VERSION}")
    _check_keys(Plan, values)
    contactor = values["contactor"]
    values["boards"] = tuple(_board(board) for board in values["boards"])
    values["contactor"] = None if contactor is None else _made(SpecialChannel, contactor)
    return Plan(**values)


def _board(values: Mapping[str, Any]) -> BoardSpec:
    _check_keys(BoardSpec, values)
    watchdog = values["watchdog"]
    parts = {
        "output_delay_s": _made(Span, values["output_delay_s"]),
        "safe_on": tuple(values["safe_on"]),
        "watchdog": None if watchdog is None else _made(Watchdog, watchdog),
    }
    return BoardSpec(**{**values, **parts})


def _made(kind: Any, values: Mapping[str, Any]) -> Any:
    _check_keys(kind, values)
    return kind(**values)


def _check_keys(kind: Any, values: Mapping[str, Any]) -> None:
    wanted = {field.name for field in fields(kind)}
    if values.keys() != wanted:
        odd = ", ".join(sorted(values.keys() ^ wanted))
        raise ValueError(f"a plan whose {kind.__name__} is not as this guardian knows it ({odd})")
