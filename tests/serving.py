"""Servers for tests, each in a thread of its own: a Modbus server over data models, and a faulty device."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress

from drivers.modbus_device import Device
from drivers.modbus_server import ModbusServer

Behaviour = Callable[[socket.socket, bytes], None]


@contextmanager
def serving(devices: Mapping[int, Device]) -> Iterator[int]:
    """A ModbusServer over `devices`; gives its port."""
    server = ModbusServer(devices, "127.0.0.1", 0)
    thread = threading.Thread(target=server.serve, args=(lambda: None, 0.01))
    thread.start()
    try:
        yield server.address[1]
    finally:
        server.stop()
        thread.join(5)
        assert not thread.is_alive()


class FaultyDevice:
    """A TCP device that treats each whole request as `behaviour` says, one client after the other.

    `requests` are all frames received, `connections` counts the clients accepted.
    """

    def __init__(self, behaviour: Behaviour) -> None:
        self._behaviour = behaviour
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.requests: list[bytes] = []
        self.connections = 0
        self._lines: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def __enter__(self) -> FaultyDevice:
        return self

    def __exit__(self, *_: object) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for line in self._lines:
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
            line.close()
        for thread in self._threads:
            thread.join(5)
            assert not thread.is_alive()

    def _accept(self) -> None:
        while True:
            try:
                line, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            self._lines.append(line)
            thread = threading.Thread(target=self._talk, args=(line,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _talk(self, line: socket.socket) -> None:
        data = b""
        try:
            while more := line.recv(4096):
                data += more
                while len(data) >= 6 and len(data) >= (size := 6 + int.from_bytes(data[4:6])):
                    request, data = data[:size], data[size:]
                    self.requests.append(request)
                    self._behaviour(line, request)
        except OSError:
            return
