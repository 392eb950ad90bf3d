"""The device side of Modbus TCP: a small server with one thread, for what sits on a simulated wire.

Several clients are served; each one's requests are answered in the order they came. A header with a wrong
protocol identifier or an impossible length closes that connection, because nothing after it can be
trusted. What the request itself asks is answered by `drivers.modbus_device`.
"""

from __future__ import annotations

from collections.abc import Mapping

from drivers.modbus_device import Device, answer_pdu
from drivers.tcp_server import TcpServer

_HEADER = 7
_LONGEST = 254  # unit and a PDU of 253 bytes (MODBUS Application Protocol V1.1b3, 4.1)
_GATEWAY_TARGET_SILENT = 0x0B


class ModbusServer(TcpServer):
    """Serves `devices` by unit at `host`:`port`; port 0 picks a free one. `clients`: the most at a time.

    A unit that is not there gets exception 0B, as from a gateway behind which that device is silent (MODBUS
    Application Protocol V1.1b3, 7). Raises BenchError when the address cannot be served.
    """

    def __init__(
        self, devices: Mapping[int, Device], host: str, port: int, *, clients: int | None = None
    ) -> None:
        self._devices = dict(devices)
        super().__init__(host, port, lambda: _Frames(self), clients=clients)

    def answer(self, frame: bytes) -> bytes:
        """The answer to one whole request frame."""
        pdu = frame[_HEADER:]
        device = self._devices.get(frame[6])
        silent = bytes([pdu[0] | 0x80, _GATEWAY_TARGET_SILENT])
        answer = silent if device is None else answer_pdu(device, pdu)
        return frame[:4] + (len(answer) + 1).to_bytes(2) + frame[6:7] + answer


class _Frames:
    """One connection: whole frames out of what has come so far."""

    def __init__(self, server: ModbusServer) -> None:
        self._server = server
        self._rest = b""

    def hear(self, data: bytes) -> tuple[bytes, bool]:
        frames, self._rest, sound = split_requests(self._rest + data)
        return b"".join(map(self._server.answer, frames)), sound


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
