"""The guardian's process: told what to guard, it waits; when the runner dies it makes the bench safe.

It ignores every signal that a person, a terminal or a shutdown sends, since these reach it together with the
runner: it ends when the runner says so, when all is safe, or by `kill -9`. It is silent, and leaves no file,
unless there was something to do.
"""

from __future__ import annotations

import os
import queue
import signal
import socket
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import NoReturn

import harness
from harness.bench.board import Board
from harness.bench.registry import make_board
from harness.cli.guardian_report import Patience, Report
from harness.clock import Clock, RealClock
from harness.errors import BenchError
from harness.run import guard_words as words
from harness.run.guard_plan import UNARMED_S, Plan, plan_of
from harness.run.guard_safe import MakingSafe
from harness.run.guard_watch import Ending, Heard, Runner, Watch

ANSWER_NS = 250_000_000
_MOST = 1 << 16
_MOST_DESCRIPTORS = 250  # Linux hands over 253 at most in one message (SCM_MAX_FD, from memory)
_UNHEEDED = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGPIPE", "SIGTSTP", "SIGTTOU", "SIGBREAK")


def guardian_command() -> list[str]:
    """The words that start the guardian, whatever the working directory holds; its way comes behind them."""
    house = str(Path(harness.__file__).resolve().parents[1])
    start = f"import sys; sys.path[0] = {house!r}; from harness.cli.guardian import entry; entry()"
    return [sys.executable, "-c", start]


def entry() -> NoReturn:
    """Start of the process."""
    sys.exit(main(sys.argv[1:]))


def main(argv: Sequence[str]) -> int:
    """Guard until the runner takes leave or all is safe: 0. 4 when it cannot start or a board was left."""
    for name in _UNHEEDED:
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    clock = RealClock()
    heard: queue.Queue[Heard] = queue.Queue()
    threading.Thread(target=_read, args=(heard, argv[0] == "shared"), daemon=True).start()
    text, rest = _first_line(heard)
    if not text:
        return 0  # the runner ended before there was anything to guard
    try:
        plan = plan_of(next(iter(words.Words().take(text))))  # type: ignore[arg-type]
        boards = [make_board(spec, clock) for spec in plan.boards]
        for board in boards:
            board.prepare()
    except Exception as error:  # whatever it is, the runner says it and moves nothing
        _say(f"{words.CANNOT} {error if isinstance(error, BenchError) else repr(error)}")
        return BenchError.exit_status
    return _guard(plan, boards, heard, rest, clock)


def _guard(plan: Plan, boards: list[Board], heard: queue.Queue[Heard], rest: bytes, clock: Clock) -> int:
    runner = Runner(plan.runner)
    watch = Watch(
        heard=heard,
        clock=clock,
        deadline_s=plan.deadline_s,
        patience_s=min(plan.patience_s, UNARMED_S),
        alive=runner.alive,
        answer=_Answer(clock),
        pending=Heard(rest) if rest else None,
    )
    _say(words.READY)
    ending = watch.wait()
    if not ending.how:
        return 0
    if not ending.over:
        runner.end(clock)
    return _make_safe(plan, boards, watch, ending, clock)


def _make_safe(plan: Plan, boards: list[Board], watch: Watch, ending: Ending, clock: Clock) -> int:
    """First the bench, then the record of it: a full disk must not keep outputs on."""
    report = Report(plan, ending, sys.stderr, clock, Patience(watch.patience_s, watch.armed))
    making = MakingSafe(boards, plan.contactor, clock, report)
    making.take_over(watch.descriptors)
    done = making.run(watch.patience_s, lambda: report.waiting(making.troubles))
    report.ended(making.troubles, making.unproved)
    making.close()
    return 0 if done else BenchError.exit_status


def _read(heard: queue.Queue[Heard], shared: bool) -> None:
    """All that comes in, to its end, so that the runner never waits for room."""
    channel = socket.socket(fileno=os.dup(0)) if shared else None
    while True:
        try:
            if channel is None:
                came = Heard(os.read(0, _MOST))
            else:
                data, descriptors, _, _ = socket.recv_fds(channel, _MOST, _MOST_DESCRIPTORS)
                came = Heard(data, tuple(descriptors))
        except OSError:
            came = Heard(b"")
        heard.put(came)
        if not came.data:
            return


def _first_line(heard: queue.Queue[Heard]) -> tuple[bytes, bytes]:
    """The plan's line, and what came behind it; empty when the channel ends before."""
    data = b""
    while b"\n" not in data:
        came = heard.get().data
        if not came:
            return b"", b""
        data += came
    text, newline, rest = data.partition(b"\n")
    return text + newline, rest


class _Answer:
    """Tells the runner, now and then, that its beats are heard."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._next_ns = 0

    def __call__(self) -> None:
        now_ns = self._clock.now_ns()
        if now_ns >= self._next_ns:
            self._next_ns = now_ns + ANSWER_NS
            _say(words.ALIVE)


def _say(text: str) -> None:
    """A line to the runner; nobody need be there to read it."""
    line = "".join(c if c.isprintable() else " " for c in text)
    with suppress(OSError):  # its end is noticed on the other channel
        os.write(1, line.encode("utf-8", "replace") + b"\n")
