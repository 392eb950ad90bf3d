"""A serial bus of pseudo terminals: what one end sends, the master or a device, reaches all others."""

from __future__ import annotations

import os
import selectors
import threading
import tty
from collections.abc import Callable


class Relay:
    """`master` and `devices` are names to open. No pace is kept. Runs until the process ends.

    `before` may answer what the master sends; what it answers does not reach the devices.
    """

    def __init__(self, devices: int, before: Callable[[bytes], bytes] = lambda _request: b"") -> None:
        self._before = before
        self._near: list[int] = []
        names = [self._terminal() for _ in range(devices + 1)]
        self.master, self.devices = names[0], names[1:]
        threading.Thread(target=self._run, daemon=True).start()

    def _terminal(self) -> str:
        near, far = os.openpty()
        tty.setraw(far)  # and it stays open here, so that clients may come and go
        self._near.append(near)
        return os.ttyname(far)

    def _run(self) -> None:
        waiting = selectors.DefaultSelector()
        for near in self._near:
            waiting.register(near, selectors.EVENT_READ)
        while True:
            for key, _ in waiting.select():
                near = key.fd
                self._pass_on(near, os.read(near, 4096))

    def _pass_on(self, near: int, data: bytes) -> None:
        answer = self._before(data) if near == self._near[0] else b""
        if answer:
            os.write(near, answer)
            return
        for other in self._near:
            if other != near:
                os.write(other, data)
