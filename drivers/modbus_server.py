"""The device side of Modbus TCP: a small server with one thread, for what sits on a simulated wire.

Several clients are served; each one's requests are answered in the order they came. A header with a wrong
protocol identifier or an impossible length closes that connection, because nothing after it can be
trusted. What the request itself asks is answered by `drivers.modbus_device`.
"""

from __future__ import annotations

import os
import selectors
import socket
from collections.abc import Callable, Mapping
from contextlib import suppress

from drivers.modbus_device import Device, answer_pdu
from harness.errors import BenchError

_HEADER = 7
_LONGEST = 254  # unit and a PDU of 253 bytes (MODBUS Application Protocol V1.1b3, 4.1)
_GATEWAY_TARGET_SILENT = 0x0B
_RECEIVE = 4096


class ModbusServer:
    """Serves `devices` by unit at `host`:`port`; port 0 picks a free one.

    A unit that is not there gets exception 0B, as from a gateway behind which that device is silent (MODBUS
    Application Protocol V1.1b3, 7). Raises BenchError when the address cannot be served.
    """

    def __init__(self, devices: Mapping[int, Device], host: str, port: int) -> None:
        self._devices = dict(devices)
        self._selector = selectors.DefaultSelector()
        self._pending: dict[socket.socket, bytes] = {}
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

    def serve(self, idle: Callable[[], object], tick_s: float = 0.05) -> None:
        """Serve until `stop`; `idle` is called at least every `tick_s` when nothing comes."""
        try:
            while not self._stopped:
                ready = self._selector.select(tick_s)
                for key, _ in ready:
                    self._turn(key.fileobj)
                if not ready:
                    idle()
        finally:
            self.close()

    def stop(self) -> None:
        """Leave `serve` within one tick. May be called from a signal handler or another thread."""
        self._stopped = True

    def close(self) -> None:
        """Drop every connection. May be called twice."""
        for line in [*self._pending, self._listener]:
            line.close()
        self._pending.clear()
        self._selector.close()

    def _turn(self, line: object) -> None:
        assert isinstance(line, socket.socket)
        if line is self._listener:
            self._accept()
        elif line in self._pending and not self._serve_line(line):
            self._drop(line)

    def _accept(self) -> None:
        with suppress(OSError):  # the client may be gone again
            line, _ = self._listener.accept()
            line.setblocking(False)
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._pending[line] = b""
            self._selector.register(line, selectors.EVENT_READ)

    def _drop(self, line: socket.socket) -> None:
        del self._pending[line]
        self._selector.unregister(line)
        line.close()

    def _serve_line(self, line: socket.socket) -> bool:
        """Answer what has come; False when the connection has to be dropped."""
        data = b""
        try:
            data = line.recv(_RECEIVE)
            if not data:
                return False
            frames, self._pending[line], sound = split_requests(self._pending[line] + data)
            if frames:
                line.sendall(b"".join(map(self.answer, frames)))
        except BlockingIOError:  # nothing there after all, or a client that sends and never reads
            return not data
        except OSError:
            return False
        return sound

    def answer(self, frame: bytes) -> bytes:
        """The answer to one whole request frame."""
        pdu = frame[_HEADER:]
        device = self._devices.get(frame[6])
        silent = bytes([pdu[0] | 0x80, _GATEWAY_TARGET_SILENT])
        answer = silent if device is None else answer_pdu(device, pdu)
        return frame[:4] + (len(answer) + 1).to_bytes(2) + frame[6:7] + answer


def split_requests(data: bytes) -> tuple[list[bytes], bytes, bool]:
    """Whole frames in `data`, the rest, and whether every header so far is one of Modbus TCP."""
    frames: list[bytes] = []
    while len(data) >= _HEADER:
        length = int.from_bytes(data[4:6])
        if data[2:4] != b"\0\0" or not 2 <= length <= _LONGEST:
            return frames, b"", False
        if len(data) < _HEADER - 1 + length:
            break
        frames.append(data[: _HEADER - 1 + length])
        data = data[_HEADER - 1 + length :]
    return frames, data, True
