"""An open serial port as a `Line`: by its descriptor where the system has one, else asked over and over.

By descriptor, a read ends as soon as there is any byte and no sooner than that, and a wait costs nothing: the
system wakes the program. An adapter that is pulled out, or a line whose other end is gone, is an error at
once in both: never a silence.
"""

from __future__ import annotations

import errno
import os
import select
from abc import ABC, abstractmethod
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING

from harness.clock import NS, Clock

if TYPE_CHECKING:
    from serial import Serial

_PSEUDO = ("/dev/pts/", "/dev/ttys", "/dev/ttyp")  # Linux; macOS and the BSDs
_GONE = "the port is gone, or another program reads it too"
_GLANCE_NS = 500_000


class SerialLine(ABC):
    """`drivers.line.Line`, and what is known of the port.

    `remarks`: what to know of its times, for the record. `is_pseudo`: it is a pseudo terminal, no wire.
    """

    def __init__(self, clock: Clock, *, pseudo: bool = False, remarks: tuple[str, ...] = ()) -> None:
        self.is_pseudo = pseudo
        self.remarks = remarks
        self._now = clock.now_ns
        self._sleep_until = clock.sleep_until

    @abstractmethod
    def send(self, data: bytes, deadline_ns: int) -> None:
        """Hand all of `data` on. Raises TimeoutError when it is not taken in time, OSError when lost."""

    @abstractmethod
    def receive(self, most: int, deadline_ns: int) -> bytes:
        """What has come, as soon as there is any; empty after the deadline. Raises OSError when lost."""

    @abstractmethod
    def close(self) -> None:
        """Let go of the port. May be called twice."""

    @property
    def descriptor(self) -> int | None:
        """For another process to take over; None where there is none."""
        return None


class DescriptorLine(SerialLine):
    """A port by its descriptor, which must not block."""

    def __init__(
        self,
        descriptor: int,
        clock: Clock,
        close: Callable[[], None],
        *,
        pseudo: bool = False,
        remarks: tuple[str, ...] = (),
    ) -> None:
        super().__init__(clock, pseudo=pseudo, remarks=remarks)
        self._descriptor: int | None = descriptor
        self._close = close

    @property
    def descriptor(self) -> int | None:
        return self._descriptor

    def send(self, data: bytes, deadline_ns: int) -> None:
        descriptor = self._opened()
        while data:
            with suppress(BlockingIOError):
                data = data[os.write(descriptor, data) :]
                continue
            if not select.select([], [descriptor], [], self._left_s(deadline_ns))[1]:
                raise TimeoutError("the port does not take what is sent")

    def receive(self, most: int, deadline_ns: int) -> bytes:
        descriptor = self._opened()
        if not select.select([descriptor], [], [], self._left_s(deadline_ns))[0]:
            return b""
        try:
            data = os.read(descriptor, most)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise ConnectionResetError(error.errno, _GONE) from error
        if not data:  # ready to be read, and yet nothing there
            raise ConnectionResetError(errno.EIO, _GONE)
        return data

    def close(self) -> None:
        if self._descriptor is not None:
            self._descriptor = None
            with suppress(OSError):
                self._close()

    def _opened(self) -> int:
        if self._descriptor is None:
            raise OSError(errno.EBADF, "the port is closed")
        return self._descriptor

    def _left_s(self, deadline_ns: int) -> float:
        return max(0, deadline_ns - self._now()) / NS


class PolledLine(SerialLine):
    """A port of pyserial that has no descriptor to wait on (Windows).

    It is asked every half millisecond, because a changed time-out would set up the whole port again.
    """

    def __init__(self, port: Serial, clock: Clock, remarks: tuple[str, ...] = ()) -> None:
        super().__init__(clock, remarks=remarks)
        self._port: Serial | None = port

    def send(self, data: bytes, deadline_ns: int) -> None:
        port = self._opened()
        while data:
            data = data[port.write(data) or 0 :]
            if data and not self._waits(deadline_ns):
                raise TimeoutError("the port does not take what is sent")
        while port.out_waiting:
            if not self._waits(deadline_ns):
                raise TimeoutError("the port does not take what is sent")

    def receive(self, most: int, deadline_ns: int) -> bytes:
        port = self._opened()
        while not (waiting := port.in_waiting):
            if not self._waits(deadline_ns):
                return b""
        return port.read(min(most, waiting))

    def close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            with suppress(OSError):
                port.close()

    def _opened(self) -> Serial:
        if self._port is None:
            raise OSError(errno.EBADF, "the port is closed")
        return self._port

    def _waits(self, deadline_ns: int) -> bool:
        now_ns = self._now()
        if now_ns >= deadline_ns:
            return False
        self._sleep_until(min(deadline_ns, now_ns + _GLANCE_NS))
        return True


def is_pseudo(descriptor: int) -> bool:
    """Whether an open terminal is a pseudo one, by its name."""
    try:
        return names_pseudo(os.ttyname(descriptor))
    except (OSError, AttributeError):
        return False


def names_pseudo(port: str) -> bool:
    """Whether a name, or what it is a link to, is that of a pseudo terminal."""
    return os.path.realpath(port).startswith(_PSEUDO)
