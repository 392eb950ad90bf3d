"""Asking the person at the bench: requests on standard error, answers from the keyboard."""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from typing import TextIO

from harness.errors import UsageError
from harness.run.hands import Ask, cannot_ask

WAIT_S = 0.02


def asker(err: TextIO, quiet: Callable[[], AbstractContextManager[None]]) -> Ask:
    """A way to ask; without a keyboard nothing can be asked, and such steps are not run.

    `quiet` keeps the live screen from writing over the question.
    """
    if not _keyboard():
        return cannot_ask

    def ask(request: str, meanwhile: Callable[[], None]) -> str:
        with quiet():
            _forget_typed()
            print(f"{request}, then press Enter (s and Enter to skip): ", end="", file=err, flush=True)
            answer = _line(meanwhile)
        return "done" if answer.strip() == "" and answer else "skipped"

    return ask


def _keyboard() -> bool:
    """Whether somebody can answer; standard input may be a file, or closed."""
    return sys.stdin is not None and sys.stdin.isatty()


def _forget_typed() -> None:
    """What was typed before the question is no answer to it."""
    try:
        import termios

        termios.tcflush(sys.stdin, termios.TCIFLUSH)
    except ImportError:
        import msvcrt

        while msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
            msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]


def _line(meanwhile: Callable[[], None]) -> str:
    """A line from the keyboard. A thread only waits for the key; the bench stays with this one."""
    lines: queue.Queue[str] = queue.Queue()
    threading.Thread(target=lambda: lines.put(sys.stdin.readline()), daemon=True).start()
    while True:
        try:
            return lines.get(timeout=WAIT_S)
        except queue.Empty:
            meanwhile()


def acknowledged(cautions: Sequence[str], given: bool, err: TextIO) -> bool:
    """Show the cautions; True once a person keeps them. Raises UsageError when nobody does."""
    print("Cautions", file=err)
    for caution in cautions:
        print(f"  - {caution}", file=err)
    if given:
        return True
    if _keyboard():
        print("Type yes when all of this is so: ", end="", file=err, flush=True)
        if sys.stdin.readline().strip().lower() == "yes":
            return True
    raise UsageError("the cautions were not acknowledged; nothing moved. Read them, then use --acknowledge")
