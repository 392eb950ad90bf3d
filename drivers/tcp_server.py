"""Connections of a simulated board: accepts clients, hands on what they send, in one thread.

What is said on a connection is a `Conversation` of its own. Real boards differ in how many clients they
take; `clients` is that number, and one client too many is accepted and closed at once, as by a board that
has one connection to give.
"""

from __future__ import annotations

import os
import selectors
import socket
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

from harness.errors import BenchError

_RECEIVE = 4096


class Conversation(Protocol):
    """One connection's side of the device."""

    def hear(self, data: bytes) -> tuple[bytes, bool]:
        """What to send after `data` has come, nothing included, and whether the connection is still good."""


class TcpServer:
    """Listens at `host`:`port`; port 0 picks a free one. Raises BenchError when that cannot be."""

    def __init__(
        self, host: str, port: int, converse: Callable[[], Conversation], *, clients: int | None = None
    ) -> None:
        self._converse = converse
        self._clients = clients
        self._selector = selectors.DefaultSelector()
        self._lines: dict[socket.socket, Conversation] = {}
        self._stopped = False
        try:
            family = socket.AF_INET6 if ":" in host else socket.AF_INET
            self._listener = socket.create_server((host, port), family=family)
        except (OSError, UnicodeError, OverflowError) as error:
            self._selector.close()
            number = error.errno if isinstance(error, OSError) else None
            cause = os.strerror(number) if number and number > 0 else str(error)
            raise BenchError(
                f"cannot serve at {host}:{port} ({cause.lower()}); choose another address, or port 0"
            ) from error
        self._listener.setblocking(False)
        self._selector.register(self._listener, selectors.EVENT_READ)

    @property
    def address(self) -> tuple[str, int]:
        """Host and port as bound."""
        host, port = self._listener.getsockname()[:2]
        return str(host), int(port)

    @property
    def place(self) -> str:
        """Where it serves, for people: HOST:PORT."""
        host, port = self.address
        return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"

    def serve(self, idle: Callable[[], object], tick_s: float = 0.05) -> None:
        """Serve until `stop`; `idle` is called at least every `tick_s` when nothing comes."""
        try:
            while not self._stopped:
                ready = self._selector.select(tick_s)
                for key, _ in ready:
                    self._turn(key.fileobj)
                if not ready:
                    self._rest()
                    idle()
        finally:
            self.close()

    def stop(self) -> None:
        """Leave `serve` within one tick. May be called from a signal handler or another thread."""
        self._stopped = True

    def close(self) -> None:
        """Drop every connection. May be called twice."""
        for line in [*self._lines, self._listener]:
            line.close()
        self._lines.clear()
        self._selector.close()

    def _turn(self, line: object) -> None:
        assert isinstance(line, socket.socket)
        if line is self._listener:
            self._accept()
        elif line in self._lines and not self._serve_line(line):
            self._drop(line)

    def _accept(self) -> None:
        with suppress(OSError):  # the client may be gone again
            line, _ = self._listener.accept()
            if self._clients is not None and len(self._lines) >= self._clients:
                line.close()
                return
            line.setblocking(False)
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._lines[line] = self._converse()
            self._selector.register(line, selectors.EVENT_READ)

    def _drop(self, line: socket.socket) -> None:
        del self._lines[line]
        self._selector.unregister(line)
        line.close()

    def _serve_line(self, line: socket.socket) -> bool:
        """Answer what has come; False when the connection has to be dropped."""
        data = b""
        try:
            data = line.recv(_RECEIVE)
            if not data:
                return False
            answer, good = self._lines[line].hear(data)
            if answer:
                line.sendall(answer)
        except BlockingIOError:  # nothing there after all, or a client that sends and never reads
            return not data
        except OSError:
            return False
        return good

    def _rest(self) -> None:
        """A quiet moment: some conversations take silence for an end."""
        for line, conversation in list(self._lines.items()):
            try:
                answer, good = conversation.hear(b"")
                if answer:
                    line.sendall(answer)
            except OSError:
                good = False
            if not good:
                self._drop(line)
