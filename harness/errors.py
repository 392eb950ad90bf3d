"""The error tree, sorted by who must act. A failed verdict is a result and never one of these.

    PanelproofError
    |- UsageError          exit 2: the words typed are wrong
    |- FileError           exit 2: a file is wrong; carries every Problem found, with its place
    |- BenchError          exit 4: bench, board or environment
    |  |- BoardAbsent      nothing there: refused connection, wrong address, port gone
    |  |- BoardRefused     the board answered with an exception code
    |  |- BoardTimeout     no answer in time
    |  |- BoardGarbled     an answer that does not belong to the question
    |  |- BoardClosed      used after close
    |  `- BenchUnsafe      a board or supply that can be read proves the bench wrong
    `- RecordError         exit 4: a journal cannot be written or read

Every message says where, what was found, what is allowed and what to try, on one line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class PanelproofError(Exception):
    """Base of every error shown to a person as one line."""

    exit_status = 4


class UsageError(PanelproofError):
    """The command line is wrong."""

    exit_status = 2


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing wrong in one file. Lines and columns count from 1."""

    file: str
    line: int
    column: int
    message: str

    def __str__(self) -> str:
        """One line whatever a file's own words hold: what cannot be printed is shown escaped."""
        text = f"{self.file}:{self.line}:{self.column}: {self.message}"
        return text if text.isprintable() else "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


class FileError(PanelproofError):
    """One or more files are wrong; all problems are carried, sorted by place."""

    exit_status = 2

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(set(problems)))
        super().__init__("\n".join(str(problem) for problem in self.problems))


class BenchError(PanelproofError):
    """The bench, a board or the environment, not the panel, is at fault."""


class BoardAbsent(BenchError):
    """Nothing answers there: connection refused, port missing or gone."""


class BoardRefused(BenchError):
    """The board answered with an exception code. `code` is the Modbus exception code."""

    def __init__(self, message: str, *, code: int) -> None:
        super().__init__(message)
        self.code = code


class BoardTimeout(BenchError, TimeoutError):
    """No complete answer within the time-out."""


class BoardGarbled(BenchError):
    """An answer came that does not belong to the question: foreign, late, malformed."""


class BoardClosed(BenchError):
    """The board was used after close, or before open."""


class BenchUnsafe(BenchError):
    """A board or a readable supply proves the bench wrong; nothing may move."""


class RecordError(PanelproofError):
    """A journal or run folder cannot be written or read."""
