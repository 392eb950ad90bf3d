"""A reading: what was expected, what was read, within what bounds, and the verdict on it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum
from typing import Literal


class Verdict(IntEnum):
    """ISO/IEC 9646 verdicts with ETSI ES 201 873-1's error, least grave first: the worst of several wins."""

    PASS = 0
    INCONCLUSIVE = 1
    FAIL = 2
    ERROR = 3

    def __str__(self) -> str:
        return self.name.lower()

    @property
    def exit_status(self) -> int:
        """0 pass, 3 inconclusive, 1 fail, 4 error (the command contract)."""
        return {Verdict.PASS: 0, Verdict.INCONCLUSIVE: 3, Verdict.FAIL: 1, Verdict.ERROR: 4}[self]


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of `verdicts`; INCONCLUSIVE for none at all, because nothing was shown."""
    return max(verdicts, default=Verdict.INCONCLUSIVE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading. `of` is a relay or load tag; `quantity` `state` or a named time.

    For a state, `expected`/`read` are `on`/`off` (`either` for expected) and low/high are None. For a time,
    `low_us`/`high_us` are the bounds within which the true elapsed time lies, in integer microseconds.
    `late_us` is how late (> 0) against the limit or the settle time, None where it does not apply.
    """

    of: str
    quantity: Literal["state", "time", "watch"]
    unit: Literal["", "us"]
    expected: str
    read: str
    verdict: Verdict
    low_us: int | None = None
    high_us: int | None = None
    late_us: int | None = None
    note: str = ""
