"""Keys as they are pressed, without Enter, from the terminal at standard input; as words."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TextIO

from harness.run.hold_to_run import DOWN, FOCUS, FOCUS_LOST, HOLD, QUIT, UP
from harness.run.stopping import Terminated

OTHER = "other"
Read = Callable[[], list[str]]
_WORDS = {" ": HOLD, "q": QUIT, "Q": QUIT, "\x03": QUIT, "\x04": QUIT}
# ECMA-48 control sequences: cursor keys (also as SS3, in application mode), and focus in and out (xterm)
_SEQUENCES = {"A": UP, "D": UP, "B": DOWN, "C": DOWN, "I": FOCUS, "O": FOCUS_LOST}
_SEQUENCE = re.compile(r"\x1b(?:\[[0-?]*[ -/]*([@-~])|O([A-Z]))")
_BEGUN = re.compile(r"\x1b(?:\[[0-?]*[ -/]*|O)?\Z")
_WINDOWS = {"H": UP, "K": UP, "P": DOWN, "M": DOWN}
FOCUS_ON, FOCUS_OFF = "\x1b[?1004h", "\x1b[?1004l"


class Keys:
    """Characters to words; the beginning of a sequence waits for its rest until the next feed."""

    def __init__(self) -> None:
        self._begun = ""

    def feed(self, text: str) -> list[str]:
        """The words of the keys that are complete. Fed nothing, what was begun is a key by itself."""
        if not text:
            begun, self._begun = self._begun, ""
            return [OTHER] if begun else []
        text, self._begun = self._begun + text, ""
        words: list[str] = []
        place = 0
        while place < len(text):
            if found := _SEQUENCE.match(text, place):
                words.append(_SEQUENCES.get(found[1] or found[2], OTHER))
                place = found.end()
            elif _BEGUN.match(text, place):
                self._begun = text[place:]
                break
            else:
                words.append(word_of(text[place]))
                place += 1
        return words


def word_of(character: str) -> str:
    """The word of a key that is one character."""
    if character.isascii() and character.isdigit():
        return character
    return _WORDS.get(character, OTHER)


@contextmanager
def keyboard(out: TextIO) -> Iterator[Read]:
    """What reads the keys that have come since, without waiting. The terminal is as before afterwards.

    Reading raises Terminated when the terminal is gone, as the signal does that usually comes with that.
    """
    if sys.platform == "win32":
        yield _windows_read
        return
    with _posix_keys(out) as read:
        yield read


@contextmanager
def _posix_keys(out: TextIO) -> Iterator[Read]:
    import os
    import select
    import termios
    import tty

    keys, descriptor = Keys(), sys.stdin.fileno()

    def read() -> list[str]:
        if not select.select([descriptor], [], [], 0)[0]:
            return keys.feed("")
        try:
            data = os.read(descriptor, 1024)
        except OSError:
            data = b""
        if not data:
            raise Terminated
        return keys.feed(data.decode("latin-1"))

    before = termios.tcgetattr(descriptor)
    try:
        tty.setcbreak(descriptor)
        held = termios.tcgetattr(descriptor)
        held[
            0
        ] &= ~termios.IXON  # Ctrl-S must not hold up what is shown, and with it the loop that switches off
        termios.tcsetattr(descriptor, termios.TCSAFLUSH, held)
        out.write(FOCUS_ON)
        out.flush()
        yield read
    finally:
        out.write(FOCUS_OFF)
        out.flush()
        with suppress(termios.error):  # the terminal is gone
            termios.tcsetattr(descriptor, termios.TCSAFLUSH, before)


def _windows_read() -> list[str]:
    import msvcrt

    words: list[str] = []
    while msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
        character: str = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
        if character in {"\x00", "\xe0"}:
            words.append(_WINDOWS.get(msvcrt.getwch(), OTHER))  # type: ignore[attr-defined,unused-ignore]
        else:
            words.append(word_of(character))
    return words
