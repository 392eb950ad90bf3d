"""The guardian's watch over the runner: how it is noticed that it is gone, and that it is gone for good."""

from __future__ import annotations

import os
import queue
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from harness.clock import NS, Clock
from harness.run.guard_words import BEAT, DONE, ENDING, TAKE_OVER, NotUnderstood, Word, Words

TICK_S = 0.02
"""How often to look whether the runner is still there, where the end of its bytes need not tell: a process
that it started may hold the channel open."""

MOST_COUNTED_NS = NS // 10
"""More silence than this in one look is not the runner's: this process itself was kept from running."""

ENDING_S = 30.0
"""Silence allowed once the runner has made safe: closing ports and sealing a record may take long."""

GONE_S = 2.0


@dataclass(frozen=True, slots=True)
class Heard:
    """What came in at once: bytes (empty at the end of them) and open descriptors."""

    data: bytes
    descriptors: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Ending:
    """How the watch ended: `how` in words, empty for a clean end. `over`: the runner handed over itself."""

    how: str
    noticed_ns: int
    over: bool = False


class Runner:
    """The runner's process, by an identity that cannot pass to another process where the system has one."""

    def __init__(self, pid: int) -> None:
        self._pid = pid
        self._handle = _pidfd(pid)

    def alive(self) -> bool:
        """Whether it still exists. Where orphans keep their parent's number, True until its bytes end."""
        return sys.platform == "win32" or os.getppid() == self._pid

    def end(self, clock: Clock) -> None:
        """Kill it and wait until it is gone: two talkers on one line would garble each other."""
        with suppress(OSError):
            if self._handle is not None:
                signal.pidfd_send_signal(self._handle, signal.SIGKILL)
            elif self.alive():
                os.kill(self._pid, getattr(signal, "SIGKILL", signal.SIGTERM))
        if sys.platform == "win32":
            return
        give_up_ns = clock.now_ns() + round(GONE_S * NS)
        while self.alive() and clock.now_ns() < give_up_ns:
            clock.sleep_until(clock.now_ns() + NS // 1000)


def _pidfd(pid: int) -> int | None:
    try:
        return os.pidfd_open(pid)
    except (AttributeError, OSError):
        return None


@dataclass(slots=True)
class Watch:
    """`heard` gives what a reader takes from the channel; `answer` tells the runner that it is heard."""

    heard: queue.Queue[Heard]
    clock: Clock
    deadline_s: float
    patience_s: float | None
    alive: Callable[[], bool]
    answer: Callable[[], None]
    pending: Heard | None = None  # came behind the plan
    words: Words = field(default_factory=Words)
    descriptors: dict[int, list[str]] = field(default_factory=dict)
    _arrived: list[int] = field(default_factory=list)
    _allowed_ns: int | None = None

    @property
    def armed(self) -> bool:
        """Whether the runner was about to switch outputs, or had."""
        return self._allowed_ns is not None

    def wait(self) -> Ending:
        """Until the runner says that it ends, or is gone, or silent for too long."""
        silent_ns, before_ns = 0, self.clock.now_ns()
        while True:
            heard = self._next()
            now_ns = self.clock.now_ns()
            silent_ns += min(now_ns - before_ns, MOST_COUNTED_NS)
            before_ns = now_ns
            if heard is not None:
                silent_ns = 0
                how = self._take(heard)
            else:
                how = self._missing(silent_ns)
            if how is not None:
                return Ending(how, now_ns, how == _HANDED_OVER)

    def _next(self) -> Heard | None:
        pending, self.pending = self.pending, None
        if pending is not None:
            return pending
        try:
            return self.heard.get(timeout=TICK_S)
        except queue.Empty:
            return None

    def _missing(self, silent_ns: int) -> str | None:
        if not self.alive():
            return "the run's process is gone without saying so (killed or crashed)"
        if self._allowed_ns is not None and silent_ns > self._allowed_ns:
            return f"the run gave no sign of life for {silent_ns / NS:.1f} s and was killed"
        return None

    def _take(self, heard: Heard) -> str | None:
        if not heard.data:
            return "the run's process ended without saying so (killed or crashed)"
        self._arrived += heard.descriptors
        try:
            for word in self.words.take(heard.data):
                how = self._obey(word)
                if how is not None:
                    return how
        except NotUnderstood as error:
            return f"the run said what no run says: {error}"
        self.answer()
        return None

    def _obey(self, word: Word) -> str | None:
        if word == BEAT:
            return None
        if word == DONE:
            return ""
        if word == TAKE_OVER:
            self._forget_descriptors()
            return _HANDED_OVER
        if word == ENDING:
            self._allowed_ns = round(ENDING_S * NS)
        elif isinstance(word, dict) and "descriptors" in word:
            self._pair(word["descriptors"])
        elif isinstance(word, dict) and word.get("armed") is True:
            self._allowed_ns = round(self.deadline_s * NS)
            self.patience_s = word["patience_s"]
        else:
            raise NotUnderstood(repr(word)[:80])
        return None

    def _pair(self, groups: list[list[str]]) -> None:
        """The runner has opened ports anew: those it had before are of no more use."""
        self._forget_descriptors()
        count = len(groups)
        self.descriptors.update(zip(self._arrived[:count], groups, strict=False))
        del self._arrived[:count]

    def _forget_descriptors(self) -> None:
        for descriptor in self.descriptors:
            with suppress(OSError):
                os.close(descriptor)
        self.descriptors.clear()


_HANDED_OVER = "the run could not make the bench safe and handed over"
