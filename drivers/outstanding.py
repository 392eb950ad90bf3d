"""What a unit may still answer: how a bus without transaction numbers comes to be trusted again.

An answer on a serial line carries the unit and the function, but not to which question it belongs. After a
time-out a late answer may come at any moment, and a poll would take it for its own; from then on every poll
would be one answer behind, for ever. What helps is order: a device answers one question after the other, and
each at most once. So all questions since the line was last trusted are kept here, oldest first, and an answer
is always taken to belong to the OLDEST question that it could belong to. That one, and all that were asked
before it, cannot be answered any more. Once none is left, whatever comes next answers what is asked next.

A question with a function that nothing outstanding has is therefore proof by its answer alone. Where every
function is outstanding, the one asked for the first time most lately is asked: its answer disposes of most.
"""

from __future__ import annotations

from collections.abc import Sequence

LATEST_NS = 30_000_000_000
"""No device answers later than this after the question (common practice, no source: up to several seconds).
It matters only for a board that knows one function and is silent about all others."""


class Outstanding:
    """The questions to one unit, by function. `unknown` may have been asked by somebody before us."""

    def __init__(self, unknown: int, now_ns: int) -> None:
        self._asked: list[tuple[int | None, int]] = [(None, now_ns)] * unknown
        self.heard = unknown > 1  # whether it has ever answered; on a line taken over it has answered others

    def __bool__(self) -> bool:
        return bool(self._asked)

    def asked(self, function: int, at_ns: int) -> None:
        """A question is about to be sent."""
        self._asked.append((function, at_ns))

    def answered(self, function: int) -> None:
        """A whole answer, or refusal, with this function has come. One to nothing asked says nothing."""
        self.heard = True
        if self.hides(function):
            del self._asked[: self._place(function) + 1]

    def answered_somehow(self) -> None:
        """A whole answer has come that does not say what it answers: so it is the oldest question's."""
        self.heard = True
        del self._asked[:1]

    def nothing_more(self) -> None:
        """So long a silence has been waited out that nothing will come."""
        self._asked.clear()

    def hides(self, function: int) -> bool:
        """Whether an answer with this function could belong to an older question."""
        return self._place(function) < len(self._asked)

    def best(self, functions: Sequence[int]) -> int:
        """Which of the functions proves most when it is answered; of equals the first."""
        return max(functions, key=self._place_asked)

    def forget(self, now_ns: int) -> None:
        """Drop what was asked too long ago to be answered still."""
        self._asked = [(function, at_ns) for function, at_ns in self._asked if now_ns - at_ns < LATEST_NS]

    def _place(self, function: int) -> int:
        """The oldest question that such an answer could belong to; behind the last where there is none."""
        for place, (asked, _) in enumerate(self._asked):
            if asked is None or asked == function:
                return place
        return len(self._asked)

    def _place_asked(self, function: int) -> int:
        known = (place for place, (asked, _) in enumerate(self._asked) if asked == function)
        return next(known, len(self._asked))
