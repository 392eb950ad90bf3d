"""Pseudo terminals for tests: a served device in a thread, and the other end as a bare descriptor."""

from __future__ import annotations

import os
import select
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from drivers.pty_line import PtyLine
from drivers.rtu_server import Talk
from drivers.serial_serving import SerialServer
from harness.clock import RealClock


@contextmanager
def served_line(talk: Talk, link: Path | None = None) -> Iterator[str]:
    """`talk` on a pseudo terminal; gives its name."""
    clock = RealClock()
    line = PtyLine(clock, link)
    server = SerialServer(line, talk, clock, line.place)
    thread = threading.Thread(target=server.serve, args=(lambda: None,))
    thread.start()
    try:
        yield line.place
    finally:
        server.stop()
        thread.join(5)
        assert not thread.is_alive()


class FarEnd:
    """The other end: writes at once, reads by deadline; `came`: (seconds since the write, bytes so far)."""

    def __init__(self, name: str) -> None:
        self._line = os.open(name, os.O_RDWR | os.O_NOCTTY)
        self.came: list[tuple[float, int]] = []

    def __enter__(self) -> FarEnd:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._line)

    def write(self, data: bytes) -> None:
        assert os.write(self._line, data) == len(data)

    def ask(self, data: bytes, size: int, timeout_s: float = 2.0) -> bytes:
        """Write, then read `size` bytes, or what has come when the time is over."""
        self.came.clear()
        start_s = time.perf_counter()
        self.write(data)
        answer = b""
        while len(answer) < size:
            left_s = start_s + timeout_s - time.perf_counter()
            if left_s <= 0 or not select.select([self._line], [], [], left_s)[0]:
                break
            answer += os.read(self._line, 512)
            self.came.append((time.perf_counter() - start_s, len(answer)))
        return answer
