"""The chain of a journal's lines as they are read, each held against the one before. Pure."""

from __future__ import annotations

import json
from typing import Any

from harness.record.canonical import canonical, digest
from harness.record.journal import FIRST_PREV, FORMAT, LONGEST_LINE

_MEMBERS = {"at_us": int, "data": dict, "hash": str, "kind": str, "prev": str, "seq": int}
_BEGINNING = b'{"at_us":'
MOST_PROBLEMS = 100
"""More are not kept: a journal with so many is not one line that somebody touched."""


class Chain:
    """Takes the lines of a journal in order and keeps what is wrong, in words with line numbers from 1.

    `lines` counts complete lines. `torn`: the last one ends in the middle, as when writing was interrupted.
    `sealed_files` is (digest, size) by path as the seal states, None without a seal. `foreign`: why this is
    no journal of the format known here. `guarded`: it says that a guardian watched the run.
    """

    def __init__(self) -> None:
        self.lines = 0
        self.problems: list[str] = ["line 1: missing: the journal is empty"]
        self.torn = False
        self.foreign = ""
        self.sealed_files: dict[str, tuple[str, int]] | None = None
        self.verdict = ""
        self.guarded = False
        self.last_hash = ""
        self._due = 0
        self._hash: str | None = FIRST_PREV
        self._sealed = False

    def take(self, text: bytes) -> None:
        """Check the next line, newline included; without one it must be the last."""
        if not self.lines:
            self.problems = []
        if not text.endswith(b"\n"):
            self._take_unended(text)
            return
        self.lines += 1
        if self._sealed:
            self._wrong("added: it comes after the seal")
        try:
            line = _parsed(text)
        except ValueError as error:
            self._lost(f"altered: {error}")
            return
        self._check_content(line, text)
        self._check_place(line)
        self._check_kind(line)
        self._due, self._hash, self.last_hash = line["seq"] + 1, line["hash"], line["hash"]

    def take_overlong(self) -> None:
        """The next line is longer than any that is written."""
        if not self.lines:
            self.problems = []
        self.lines += 1
        self._lost(f"altered: longer than {LONGEST_LINE} bytes, which no journal writes")

    def _take_unended(self, text: bytes) -> None:
        """A piece without a newline: torn while it was written, unless it cannot have come about so."""
        if self._sealed:
            self._wrong("added: it comes after the seal", self.lines + 1)
        elif not _can_be_torn(text):
            self._wrong("altered: not what an interrupted writing leaves of a line", self.lines + 1)
        else:
            self.torn = True

    def _wrong(self, what: str, number: int | None = None) -> None:
        if len(self.problems) < MOST_PROBLEMS:
            self.problems.append(f"line {number or self.lines}: {what}")
        elif len(self.problems) == MOST_PROBLEMS:
            self.problems.append("and more")

    def _lost(self, what: str) -> None:
        """A line that cannot be read takes one place; what it linked is not known."""
        self._wrong(what)
        self._due, self._hash = self._due + 1, None

    def _check_content(self, line: dict[str, Any], text: bytes) -> None:
        try:
            whole = canonical(line) + b"\n"
        except ValueError as error:
            self._wrong(f"altered: {error}")
            return
        if whole != text:
            self._wrong("altered: not in canonical text (spacing, order of keys, escapes, or a key twice)")
        if digest(canonical({key: value for key, value in line.items() if key != "hash"})) != line["hash"]:
            self._wrong("altered: its hash does not match its content")

    def _check_place(self, line: dict[str, Any]) -> None:
        seq, due = line["seq"], self._due
        if seq > due:
            self._wrong(f"entry {seq} where entry {due} is due: {seq - due} missing before it")
        elif seq < due:
            self._wrong(f"entry {seq} where entry {due} is due: out of order, or twice")
        elif self._hash is not None and line["prev"] != self._hash:
            before = f"does not follow line {self.lines - 1}: one of the two was altered or replaced"
            self._wrong(before if self.lines > 1 else "does not begin a journal: it follows another line")

    def _check_kind(self, line: dict[str, Any]) -> None:
        kind, data = line["kind"], line["data"]
        if (kind == "opened") != (self.lines == 1):
            self._wrong("added: a second opening" if kind == "opened" else "does not open the journal")
        elif kind == "opened" and data.get("format") != FORMAT:
            self.foreign = (
                f"journal of format {data.get('format')!a:.20}; this program verifies format {FORMAT}"
            )
        elif kind == "guarded":
            self.guarded = True
        elif kind == "sealed":
            self._seal(line)

    def _seal(self, line: dict[str, Any]) -> None:
        data = line["data"]
        self._sealed = True
        try:
            self.sealed_files = dict(map(_sealed_file, data["files"]))
            counted, verdict = data["lines"], data["verdict"]
        except (KeyError, TypeError):
            self._wrong("altered: not a seal of this format")
            return
        self.verdict = verdict if type(verdict) is str and verdict.isprintable() else ""
        if counted != self.lines - 1:
            self._wrong(f"the seal counts {counted!a:.20} lines before it; there are {self.lines - 1}")


def _sealed_file(file: dict[str, Any]) -> tuple[str, tuple[str, int]]:
    """Path, digest and size. Raises KeyError or TypeError when it is not that."""
    path, sha256, size = file["path"], file["sha256"], file["size"]
    if type(path) is not str or type(sha256) is not str or type(size) is not int:
        raise TypeError
    return path, (sha256, size)


def _parsed(text: bytes) -> dict[str, Any]:
    """The members of a line. Raises ValueError, in words, when it is none."""
    try:
        line = json.loads(text.removesuffix(b"\n").decode("utf-8"))
    except UnicodeDecodeError as error:
        raise ValueError(f"not UTF-8 (byte {error.start + 1})") from error
    except json.JSONDecodeError as error:
        raise ValueError(f"not JSON ({error.msg}, column {error.colno})") from error
    except (ValueError, RecursionError) as error:
        raise ValueError("not a line of a journal (a huge number, or nested too deep)") from error
    if type(line) is not dict or line.keys() != _MEMBERS.keys():
        raise ValueError("not a line of a journal (its members are not those of one)")
    for key, kind in _MEMBERS.items():
        if type(line[key]) is not kind:
            raise ValueError(f"not a line of a journal ({key} is not {kind.__name__})")
    return line


def _can_be_torn(text: bytes) -> bool:
    """Whether `text` can be what a write that did not finish leaves of a line: a beginning, nothing after."""
    if not text.startswith(_BEGINNING) and not _BEGINNING.startswith(text):
        return False
    try:
        line, end = json.JSONDecoder().raw_decode(text.decode("utf-8", "replace"))
    except (ValueError, RecursionError):
        return True
    complete = type(line) is dict and line.get("kind") == "sealed"
    return end == len(text.decode("utf-8", "replace")) and not complete
