"""Standard streams that may go away: a reader that has left must not end a run, nor change its verdict."""

from __future__ import annotations

from collections.abc import Callable
from errno import EBADF
from io import StringIO
from typing import TextIO, cast


class Tolerant:
    """Writes to `stream` until it fails, then to nowhere. `trouble`: why, unless its reader simply left.

    Everything but writing is the stream's own.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._gone = False
        self.trouble = ""

    @property
    def gone(self) -> bool:
        """Whether nobody can read it any longer."""
        return self._gone

    def write(self, text: str) -> int:
        if not self._gone:
            self._try(lambda: self._stream.write(self._writable(text)))
        return len(text)

    def flush(self) -> None:
        if not self._gone:
            self._try(self._stream.flush)

    def _writable(self, text: str) -> str:
        """The text, with question marks where the stream's encoding has no such character."""
        encoding = getattr(self._stream, "encoding", None) or "utf-8"
        return text.encode(encoding, "replace").decode(encoding)

    def _try(self, act: Callable[[], object]) -> None:
        try:
            act()
        except BrokenPipeError:
            self._gone = True
        except OSError as error:
            self._gone = True
            self.trouble = error.strerror or str(error)

    def __getattr__(self, name: str) -> object:
        return getattr(self._stream, name)


class Closed(StringIO):
    """A standard stream that was closed before this program began, as with `>&-` in a shell."""

    def write(self, text: str) -> int:  # noqa: ARG002 - nowhere to put it
        raise OSError(EBADF, "it is closed")


def tolerant(stream: TextIO | None) -> tuple[TextIO, Tolerant]:
    """The stream as both: what is written to, and what can be asked whether it failed."""
    made = Tolerant(Closed() if stream is None else stream)
    return cast(TextIO, made), made
