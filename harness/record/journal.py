"""The journal of one run: an append-only file of lines, each chained to the one before by SHA-256.

Every line of `journal.jsonl` is one canonical JSON object (`harness.record.canonical`) and a newline:

    at_us   microseconds of the monotonic clock since the start of the run
    data    what happened, by kind
    hash    SHA-256 of the canonical text of the line without this member
    kind    `opened` for the first line, `sealed` for the last, otherwise what happened
    prev    `hash` of the line before; 64 zeros in the first line
    seq     0, 1, 2, ...

The last line of a finished run is the seal: digest and size of every other file of the run, and the count of
lines before it. A journal without a seal is of an interrupted run. `harness.record.verify` checks all of it.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from harness.clock import Moment, rfc3339
from harness.errors import RecordError
from harness.record.canonical import canonical, digest

FORMAT = 1
NAME = "journal.jsonl"
FIRST_PREV = "0" * 64
LONGEST_LINE = 4 * 1024 * 1024
"""Longest line in bytes, newline included; a longer one is neither written nor read."""

_BUFFER = 64 * 1024


def new_run_folder(logs: Path, wall: Moment, stem: str) -> Path:
    """Make and return a new folder under `logs`: UTC time, `stem` in plain letters, a number to be unique.

    `20261125T085600Z-th-p1-stops-1`. Raises RecordError when it cannot be made.
    """
    plain = re.sub(r"[^a-z0-9]+", "-", stem.lower()).strip("-") or "run"
    compact = re.sub(r"[-:]|\.\d+", "", rfc3339(wall))
    number = 1
    while True:
        folder = logs / f"{compact}-{plain[:80]}-{number}"
        try:
            folder.mkdir(parents=True)
        except FileExistsError:
            if not folder.exists():  # then `logs` itself, or a folder above it, is a file
                raise RecordError(f"{logs}: not a folder; choose another one with --logs DIR") from None
            number += 1
        except OSError as error:
            raise _cannot("make the folder of the run", folder, error) from error
        else:
            return folder


def line_text(seq: int, prev: str, at_us: int, kind: str, data: Mapping[str, Any]) -> tuple[bytes, str]:
    """The text of a line with its newline, and its hash. Raises ValueError for data without such text."""
    head = b'{"at_us":' + canonical(at_us) + b',"data":' + canonical(data) + b","
    tail = b'"kind":' + canonical(kind) + f',"prev":"{prev}","seq":{seq}}}'.encode()
    hash_ = digest(head + tail)
    return head + b'"hash":"' + hash_.encode() + b'",' + tail + b"\n", hash_


def run_files(folder: Path) -> dict[str, Path]:
    """Every file of the run but the journal, by path relative to `folder`, sorted; links are not followed."""
    found = {
        path.relative_to(folder).as_posix(): path
        for path in folder.rglob("*")
        if path.is_symlink() or not path.is_dir()
    }
    found.pop(NAME, None)
    return dict(sorted(found.items()))


class Journal:
    """The one writer of a run's journal. It never reopens an existing one.

    Lines are buffered; `sync` puts them on the disk. Leaving the context without `seal` leaves the journal
    unsealed, which is how an interrupted run is known. After a failed write nothing more is written, because
    what is on the disk is then unknown: every later call raises RecordError.
    """

    def __init__(
        self,
        folder: Path,
        *,
        start_ns: int,
        wall: Moment,
        version: str,
        identity: Mapping[str, Any],
        name: str = NAME,
    ) -> None:
        """Create `journal.jsonl`, or `name`, in `folder` with its line `opened`, on the disk.

        `start_ns` is the monotonic clock at the start of the run; it counts from the whole microsecond at or
        before it, so that a moment rounded to microseconds is the same before and after subtraction.
        `identity` says what this is a run of: names and digests, no path of this computer.
        Raises RecordError when the file exists or cannot be written, ValueError for a bad `identity`.
        """
        self.folder = folder
        self.path = folder / name
        self.start_ns = start_ns // 1000 * 1000
        self._buffer = bytearray()
        self._seq = 0
        self._hash = FIRST_PREV
        self._refusal = ""
        opened = {"format": FORMAT, "identity": dict(identity), "version": version, "wall": rfc3339(wall)}
        first = line_text(0, FIRST_PREV, 0, "opened", opened)
        try:
            self._file = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
        except FileExistsError:
            raise RecordError(f"{self.path}: exists already; a journal is never reopened") from None
        except OSError as error:
            raise _cannot("create the journal", self.path, error) from error
        self._put(*first)
        try:
            self.sync()
        except RecordError:
            self._end("closed")
            raise
        _sync_folder(folder)

    @property
    def lines(self) -> int:
        """Lines written so far, the buffered ones included."""
        return self._seq

    def append(self, kind: str, data: Mapping[str, Any], at_ns: int) -> None:
        """`append_at` for a moment of the monotonic clock in ns."""
        self.append_at(kind, data, self._us(at_ns))

    def append_at(self, kind: str, data: Mapping[str, Any], at_us: int) -> None:
        """Add a line. `at_us` is counted from the start of the run; `data` a dict of the canonical value set.

        Raises ValueError for a reserved kind, data without canonical text or too much of it (nothing is then
        written), RecordError when the journal is closed or cannot be written.
        """
        if kind in {"opened", "sealed"}:
            raise ValueError(f"the kind {kind!r} is the journal's own")
        self._add(kind, data, at_us)

    def sync(self) -> None:
        """Put every line on the disk. Raises RecordError when that fails."""
        self._flush()
        try:
            os.fsync(self._file)
        except OSError as error:
            raise self._failed(error) from error

    def seal(self, verdict: str, at_ns: int, summary: Mapping[str, Any] | None = None) -> None:
        """Write the last line and close: `verdict`, the digest of every other file of the run, `summary`.

        Write all other files of the run before. Raises RecordError when a file cannot be read or is not a
        plain file, or when the journal cannot be written.
        """
        self._ready()
        files = [_sealed_file(name, path) for name, path in run_files(self.folder).items()]
        data = {"files": files, "lines": self._seq, "summary": dict(summary or {}), "verdict": verdict}
        self._add("sealed", data, self._us(at_ns))
        self.sync()
        self._end("sealed")
        _sync_folder(self.folder)

    def close(self) -> None:
        """Put every line on the disk and close, without a seal. May be called twice, and after `seal`."""
        if self._file < 0:
            return
        try:
            if not self._refusal:
                self.sync()
        finally:
            self._end("closed")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.close()
        except RecordError as failure:
            if error is None:
                raise
            error.add_note(str(failure))  # the first failure is the one to act on

    def _us(self, at_ns: int) -> int:
        return (at_ns - self.start_ns) // 1000

    def _add(self, kind: str, data: Mapping[str, Any], at_us: int) -> None:
        self._ready()
        text, hash_ = line_text(self._seq, self._hash, at_us, kind, data)
        if len(text) > LONGEST_LINE:
            raise ValueError(f"a line of {len(text)} bytes; allowed: {LONGEST_LINE}; write a file of the run")
        self._put(text, hash_)
        if len(self._buffer) > _BUFFER:
            self._flush()

    def _put(self, text: bytes, hash_: str) -> None:
        # No call stands between these three, so a signal handler's exception cannot part them.
        self._buffer += text
        self._seq += 1
        self._hash = hash_

    def _ready(self) -> None:
        if self._refusal:
            raise RecordError(f"{self.path}: {self._refusal}")

    def _flush(self) -> None:
        self._ready()
        self._refusal = "a write was interrupted; nothing more can be added"
        try:
            while self._buffer:
                del self._buffer[: os.write(self._file, self._buffer)]
        except OSError as error:
            raise self._failed(error) from error
        self._refusal = ""

    def _failed(self, error: OSError) -> RecordError:
        self._refusal = "a write failed; nothing more can be added"
        return _cannot("write the journal", self.path, error)

    def _end(self, how: str) -> None:
        self._refusal = f"the journal is {how}; nothing more can be added"
        file, self._file = self._file, -1
        os.close(file)


def _sealed_file(name: str, path: Path) -> dict[str, Any]:
    """Digest and size of a file of the run, after putting it on the disk."""
    if path.is_symlink() or not path.is_file():
        raise RecordError(f"{path}: not a plain file, cannot be sealed; take it out of the run's folder")
    try:
        canonical(name)
    except ValueError:
        raise RecordError(f"{path!a}: a file name that is not UTF-8 cannot be sealed; rename it") from None
    try:
        with path.open("rb") as file:
            os.fsync(file.fileno())
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
            return {"path": name, "sha256": sha256, "size": file.tell()}
    except OSError as error:
        raise _cannot("read the file to seal it", path, error) from error


def _sync_folder(folder: Path) -> None:
    """Put the folder's list of names on the disk, where the system can."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return  # not every system opens folders; the lines themselves are on the disk
    try:
        os.fsync(handle)
    except OSError:
        pass  # as above
    finally:
        os.close(handle)


def _cannot(what: str, path: Path, error: OSError) -> RecordError:
    return RecordError(
        f"{path}: cannot {what}: {error.strerror or error}; free space or rights there, or choose --logs DIR"
    )
