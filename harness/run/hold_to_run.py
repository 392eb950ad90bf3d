"""A hold-to-run key on a terminal: which output is on, from keys and the clock alone. Pure.

A terminal tells when a key repeats, not when it is let go. So an output is on from the press on and stays on
while the key repeats: after the press until the first repeat is overdue, then until the next one is. Any
other key, a time-out or a word from outside switches off at once; after that, and after a refusal, the key
has to be let go before it counts again, so that what is still coming from a held key switches nothing on.
Let go means that keys were looked for and none had come for long enough: a program that was itself held up
knows nothing of the time between, and finds the keys of that time waiting.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.clock import NS

HOLD, QUIT, FOCUS, FOCUS_LOST = "hold", "quit", "focus", "focus lost"
UP, DOWN = "up", "down"
TYPED_NS = NS
MOST_TYPED = 99_999


@dataclass(frozen=True, slots=True)
class Limits:
    """`first_gap`: from the press to the first repeat at most; `gap`: between repeats; `longest`: on at all.

    Desktops start to repeat a key after 250 to 700 ms and then do so 10 to 30 times a second (common
    practice, no source).
    """

    first_gap_ns: int = 800_000_000
    gap_ns: int = 250_000_000
    longest_ns: int = 10 * NS


class HoldToRun:
    """`count` outputs, one of which is chosen and at most that one on.

    `refused`: outputs that must not be switched on, with the reason. `blocked`: why none may be, for now.
    """

    def __init__(self, count: int, limits: Limits, refused: Mapping[int, str] | None = None) -> None:
        self.chosen = 0
        self.note = ""
        self.ended = False
        self.blocked = ""
        self._count = count
        self._limits = limits
        self._refused = refused or {}
        self._on_since: int | None = None
        self._last_ns: int | None = None
        self._let_go = True
        self._repeats = 0
        self._typed, self._typed_ns = 0, -TYPED_NS
        self._before_typing = 0

    @property
    def held(self) -> int | None:
        """The output that is to be on; None for none."""
        return None if self._on_since is None else self.chosen

    def left_ns(self, now_ns: int) -> int:
        """How long it may still be on."""
        return 0 if self._on_since is None else self._on_since + self._limits.longest_ns - now_ns

    def key(self, key: str, now_ns: int) -> None:
        """A key has come."""
        self._expire(now_ns)
        if key == HOLD:
            self._hold(now_ns)
        elif key != FOCUS:
            self.off("the window lost the keyboard" if key == FOCUS_LOST else "another key")
            self._other(key, now_ns)

    def tick(self, now_ns: int) -> None:
        """All keys that have come until now are told."""
        self._expire(now_ns)
        if self._last_ns is not None and now_ns - self._last_ns > self._gap_ns:
            self._let_go = True

    def _expire(self, now_ns: int) -> None:
        if self._on_since is None or self._last_ns is None:
            return
        if now_ns - self._last_ns > self._gap_ns:
            self.off("let go")
        elif now_ns - self._on_since >= self._limits.longest_ns:
            self.off(f"on for {self._limits.longest_ns / NS:g} s, the longest allowed")

    def block(self, reason: str) -> None:
        """Nothing may be on for this reason; empty: it may again, after a new press."""
        self.blocked = reason
        if reason:
            self.off(reason)

    def off(self, reason: str) -> None:
        """Switch off, if anything is on."""
        if self._on_since is not None:
            self._on_since = None
            self.note = f"off: {reason}"

    def _hold(self, now_ns: int) -> None:
        fresh, self._let_go = self._let_go, False
        self._last_ns = now_ns
        self._repeats = 0 if fresh else self._repeats + 1
        if not fresh or not self._count:
            return
        reason = self.blocked or self._refused.get(self.chosen, "")
        self.note = f"not switched on: {reason}" if reason else ""
        if not reason:
            self._on_since = now_ns

    @property
    def _gap_ns(self) -> int:
        return self._limits.gap_ns if self._repeats else self._limits.first_gap_ns

    def _other(self, key: str, now_ns: int) -> None:
        if key == QUIT:
            self.ended = True
        elif key in {UP, DOWN} and self._count:
            self.chosen = (self.chosen + (1 if key == DOWN else -1)) % self._count
        elif key.isdigit():
            self._digit(int(key), now_ns)

    def _digit(self, digit: int, now_ns: int) -> None:
        """Choose by number, counted from 1; a second digit soon after the first goes on with it.

        A number that there is not chooses nothing: what was chosen before its first digit stays chosen.
        """
        before = self._typed if now_ns - self._typed_ns < TYPED_NS else 0
        if not before:
            self._before_typing = self.chosen
        number = min(before * 10 + digit, MOST_TYPED)
        self._typed, self._typed_ns = number, now_ns
        if 0 < number <= self._count:
            self.chosen = number - 1
        elif number:
            self.chosen = self._before_typing
            self.note = f"there is no number {number}: 1 to {self._count}"
