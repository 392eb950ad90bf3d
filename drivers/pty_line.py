"""A pseudo terminal as a line: this program has the near end, any other opens the far end by its name.

Only where the system has pseudo terminals; nothing of theirs is imported before one is made. The far end is
kept open here too, so that a client may come and go, and it is raw: no echo, no line editing.
"""

from __future__ import annotations

import errno
import os
import select
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from harness.clock import NS, Clock
from harness.errors import BenchError


class PtyLine:
    """A new pseudo terminal; with `link`, also reached by that path until `close`.

    Raises BenchError where there are none, or when the link's path is taken.
    """

    def __init__(self, clock: Clock, link: Path | None = None) -> None:
        try:
            import tty  # noqa: PLC0415 - absent on Windows, as is os.openpty

            openpty: Callable[[], tuple[int, int]] = os.openpty
        except (ImportError, AttributeError):
            raise BenchError(
                "this system has no pseudo terminals; give a serial port, or serve on TCP"
            ) from None
        self._clock = clock
        self._near, self._far = openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.name = os.ttyname(self._far)
        self._link: Path | None = None
        if link is not None:
            self._make_link(link)

    @property
    def place(self) -> str:
        """What a client opens: the link where there is one."""
        return str(self._link or self.name)

    @property
    def descriptor(self) -> int | None:
        """The near end."""
        return self._near

    def send(self, data: bytes, deadline_ns: int) -> None:
        """Hand on all of `data`. Raises TimeoutError when nobody reads and the far end is full."""
        while data:
            try:
                data = data[os.write(self._near, data) :]
            except BlockingIOError:
                if not self._wait([], [self._near], deadline_ns):
                    raise TimeoutError("nobody reads") from None

    def receive(self, most: int, deadline_ns: int) -> bytes:
        """What has come, as soon as there is any; empty when the deadline passes."""
        if not self._wait([self._near], [], deadline_ns):
            return b""
        with suppress(BlockingIOError):
            return os.read(self._near, most)
        return b""

    def close(self) -> None:
        """Let go of both ends and remove the link. May be called twice."""
        link, self._link = self._link, None
        if link is not None:
            with suppress(OSError):
                if str(link.readlink()) == self.name:
                    link.unlink()
        for end in (self._near, self._far):
            with suppress(OSError):
                os.close(end)
        self._near = self._far = -1

    def _wait(self, reading: list[int], writing: list[int], deadline_ns: int) -> bool:
        left_s = max(0, deadline_ns - self._clock.now_ns()) / NS
        # select, because the waits of poll and epoll are in whole milliseconds
        return any(select.select(reading, writing, [], left_s))

    def _make_link(self, link: Path) -> None:
        try:
            if link.is_symlink() and not link.exists():
                link.unlink()  # left behind by a server that was killed
            link.symlink_to(self.name)
        except OSError as error:
            self.close()
            cause = os.strerror(error.errno or errno.EIO).lower()
            raise BenchError(
                f"cannot link {link} to a pseudo terminal ({cause}); choose another path"
            ) from error
        self._link = link
