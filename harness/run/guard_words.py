"""What runner and guardian say to each other: single bytes for what is said often, else lines of JSON.

From the runner: first the plan as one line, then in any order

    .    the runner is alive
    s    outputs have been made safe as far as the runner could; what is left may take long
    q    clean end: leave without a trace
    u    not safe, boards let go of: take over
    {"descriptors": [["IO1", "IO2"], ["IO3"]]}   the open ports, in order, and the boards on each
    {"armed": true, "patience_s": null}          from here on silence counts as death

From the guardian: lines `ready`, `alive` (an answer to beats) and `cannot REASON`. An end of the runner's
bytes without `q` or `u` is its death; so is anything else that is not in this list.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

BEAT, ENDING, DONE, TAKE_OVER = b".", b"s", b"q", b"u"
READY, ALIVE, CANNOT = "ready", "alive", "cannot"
_BYTES = {word[0]: word for word in (BEAT, ENDING, DONE, TAKE_OVER)}
_LONGEST = 1 << 20

Word = bytes | dict[str, Any]


class NotUnderstood(Exception):
    """Bytes that no runner of this version sends: whoever sends them is not in order."""


def line(message: dict[str, Any]) -> bytes:
    """A message as one line."""
    return json.dumps(message, ensure_ascii=True, allow_nan=False).encode("ascii") + b"\n"


def descriptors(groups: Sequence[Sequence[str]]) -> bytes:
    """The line that goes with open descriptors: the boards on each."""
    return line({"descriptors": [list(group) for group in groups]})


def armed(patience_s: float | None) -> bytes:
    """From here on silence is death; `patience_s`: how long to keep trying then, None for ever."""
    return line({"armed": True, "patience_s": patience_s})


class Words:
    """Takes bytes as they come and gives whole words."""

    def __init__(self) -> None:
        self._rest = b""

    def take(self, data: bytes) -> Iterator[Word]:
        """Every word that is whole now. Raises NotUnderstood."""
        self._rest += data
        while self._rest:
            if self._rest[0] in _BYTES:
                word, self._rest = _BYTES[self._rest[0]], self._rest[1:]
                yield word
                continue
            text, newline, rest = self._rest.partition(b"\n")
            if not newline:
                self._check_beginning()
                return
            self._rest = rest
            yield _message(text)

    def _check_beginning(self) -> None:
        if not self._rest.startswith(b"{") or len(self._rest) > _LONGEST:
            raise NotUnderstood(f"{self._rest[:20]!r}")


def _message(text: bytes) -> dict[str, Any]:
    try:
        message = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise NotUnderstood(f"{text[:20]!r}") from error
    if not isinstance(message, dict):
        raise NotUnderstood(f"{text[:20]!r}")
    return message
