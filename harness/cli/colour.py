"""Colour after IEC 60073 (red danger or fault, yellow caution, green normal), beside words, never alone."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import TextIO

_CODES = {"pass": "1;32", "fail": "1;31", "error": "1;31", "inconclusive": "1;33", "caution": "1;33"}

Painter = Callable[[str, str], str]


def coloured(stream: TextIO) -> bool:
    """Whether `stream` is a terminal that may be given colour (https://no-color.org is honoured)."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def painter(stream: TextIO) -> Painter:
    """A function (meaning, text) -> text, coloured where `stream` takes colour."""
    if not coloured(stream):
        return lambda _meaning, text: text
    return lambda meaning, text: f"\x1b[{_CODES[meaning]}m{text}\x1b[0m"
