"""A TCP connection as a line of bytes: for serial frames that a converter carries over the network."""

from __future__ import annotations

import socket
from contextlib import suppress

from harness.clock import NS, Clock


class TcpLine:
    """An open connection; it is closed with the line."""

    is_pseudo = True  # bytes come in lumps, at the network's pace and not at a wire's

    def __init__(self, connection: socket.socket, clock: Clock) -> None:
        """Raises OSError when the connection is gone already."""
        self._socket = connection
        self._now = clock.now_ns
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def send(self, data: bytes, deadline_ns: int) -> None:
        """Hand all of `data` on. Raises TimeoutError when it is not taken by the deadline."""
        self._socket.settimeout(max(deadline_ns - self._now(), 1000) / NS)
        self._socket.sendall(data)

    def receive(self, most: int, deadline_ns: int) -> bytes:
        """What has come, as soon as there is any; empty when the deadline passes."""
        self._socket.settimeout(max(deadline_ns - self._now(), 0) / NS)
        try:
            data = self._socket.recv(most)
        except (TimeoutError, BlockingIOError):
            return b""
        if not data:
            raise ConnectionResetError("closed by the other end")
        return data

    def close(self) -> None:
        """Close the connection, also where another process holds it open too. May be called twice."""
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()

    @property
    def descriptor(self) -> int | None:
        """The socket's; None once closed."""
        number = self._socket.fileno()
        return None if number < 0 else number


def open_tcp(host: str, port: int, timeout_s: float, clock: Clock) -> TcpLine:
    """Connect. Raises OSError, also for a host name that is none."""
    try:
        return TcpLine(socket.create_connection((host, port), timeout_s), clock)
    except UnicodeError as error:
        raise OSError(f"{host}: not a host name") from error


def adopt_tcp(descriptor: int, clock: Clock) -> TcpLine:
    """Go on with a connection that another process had open. Raises OSError."""
    return TcpLine(socket.socket(fileno=descriptor), clock)
