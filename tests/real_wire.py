"""The faulty wire for real: a device in a thread behind a socket or a pseudo terminal, on the real clock.

The same kinds of fault as `memory_wire` puts in, each answer sent when it is due.
"""

from __future__ import annotations

import heapq
import os
import select
import socket
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from memory_wire import MS, Injector, befallen, flipped

from harness.clock import NS, RealClock

LAG_NS = 700_000  # from question to answer, at least: no answer is sooner than the drivers are told


class RealWire:
    """Serves `respond` on descriptors that `accept` gives; a lost connection is followed by another one."""

    def __init__(
        self,
        respond: Callable[[bytes], bytes],
        injector: Injector,
        *,
        foreign: Callable[[bytes], bytes],
        late_ns: int,
        in_order: bool,
        accept: Callable[[], int],
    ) -> None:
        self._respond, self._injector, self._foreign = respond, injector, foreign
        self._late_ns, self._in_order, self._accept = late_ns, in_order, accept
        self._now = RealClock().now_ns
        self._due: list[tuple[int, int, bytes]] = []
        self._serial = self._busy_ns = self._silent_for = 0
        self._last = self._held = b""
        self.ended = False

    def serve(self) -> None:
        """Until `ended` and the other end is gone."""
        while not self.ended:
            try:
                descriptor = self._accept()
            except OSError:
                return
            self._due.clear()
            self._held = b""
            with suppress(OSError):
                self._talk(descriptor)
            with suppress(OSError):
                os.close(descriptor)

    def _talk(self, descriptor: int) -> None:
        while not self.ended:
            left_ns = self._due[0][0] - self._now() if self._due else 20 * MS
            if select.select([descriptor], [], [], max(0, left_ns) / NS)[0]:
                data = os.read(descriptor, 4096)
                if not data or not self._heard(data):
                    return
            while self._due and self._due[0][0] <= self._now():
                os.write(descriptor, heapq.heappop(self._due)[2])

    def _heard(self, data: bytes) -> bool:
        """Take a request; False when the connection is to be dropped."""
        kind = self._injector.choose()
        if self._silent_for:
            self._silent_for -= 1
            return True
        if kind == "disconnect":
            return False
        if kind == "silence":
            self._silent_for = self._injector.rng.randrange(1, 4)
        if kind in {"silence", "request lost"}:
            return True
        if kind == "request flipped":
            data = flipped(data, self._injector.rng)
        for _ in range(2 if kind == "request twice" else 1):
            answer = self._respond(data)
            if answer:
                self._answer(answer, kind)
        return True

    def _answer(self, answer: bytes, kind: str) -> None:
        held, self._held = self._held, answer if kind == "out of order" else b""
        last, self._last = self._last, answer
        rng = self._injector.rng
        for after_ns, data in befallen(kind, answer, last or answer, self._foreign, self._late_ns, rng):
            self._put(data, after_ns)
        if held:
            self._put(held, MS)

    def _put(self, data: bytes, after_ns: int) -> None:
        self._serial += 1
        at_ns = self._now() + LAG_NS + after_ns
        if self._in_order:
            at_ns = self._busy_ns = max(at_ns, self._busy_ns)
        heapq.heappush(self._due, (at_ns, self._serial, data))


@contextmanager
def listening() -> Iterator[tuple[int, Callable[[], int]]]:
    """A port on loopback, and what accepts the next connection there as a descriptor."""
    listener = socket.create_server(("127.0.0.1", 0))

    def accept() -> int:
        line, _ = listener.accept()
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return line.detach()

    try:
        yield listener.getsockname()[1], accept
    finally:
        with suppress(OSError):
            listener.shutdown(socket.SHUT_RDWR)
        listener.close()


@contextmanager
def pseudo_terminal() -> Iterator[tuple[str, Callable[[], int]]]:
    """A pseudo terminal's name, and its device side, once."""
    device, client = os.openpty()
    tty.setraw(client)
    taken: list[int] = []

    def accept() -> int:
        if taken:
            raise OSError("there is one device only")
        taken.append(device)
        return device

    try:
        yield os.ttyname(client), accept
    finally:
        os.close(client)
        if not taken:
            os.close(device)
