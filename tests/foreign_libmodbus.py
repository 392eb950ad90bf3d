"""libmodbus (3.1, C) in front of the tables, by ctypes; as a slave here, as a master for the other direction.

On a serial line a libmodbus context is one unit, so there is one for each; on TCP there is one a connection.
It has no function 43, and loses its place in what comes behind such a request: that one is answered before it
can see it, everything else by libmodbus.
"""

from __future__ import annotations

import ctypes
import socket
import threading
from ctypes import POINTER, c_char, c_char_p, c_int, c_uint8, c_uint16, c_uint32, c_void_p
from functools import cache
from typing import Any

from foreign_panel import Tables

_COUNTS = ("bits", "start_bits", "input_bits", "start_input_bits")
_COUNTS += ("input_registers", "start_input_registers", "registers", "start_registers")


class Mapping(ctypes.Structure):
    _fields_ = [
        *((f"nb_{name}", c_int) for name in _COUNTS),
        ("tab_bits", POINTER(c_uint8)),
        ("tab_input_bits", POINTER(c_uint8)),
        ("tab_input_registers", POINTER(c_uint16)),
        ("tab_registers", POINTER(c_uint16)),
    ]


@cache
def library() -> Any:
    """Raises OSError where it is not installed."""
    found = ctypes.CDLL("libmodbus.so.5", use_errno=True)
    found.modbus_new_tcp.restype = found.modbus_new_rtu.restype = c_void_p
    found.modbus_new_tcp.argtypes = [c_char_p, c_int]
    found.modbus_new_rtu.argtypes = [c_char_p, c_int, c_char, c_int, c_int]
    found.modbus_mapping_new.restype = POINTER(Mapping)
    for name in ("receive", "reply", "connect", "close", "set_slave", "set_socket", "get_socket", "flush"):
        getattr(found, f"modbus_{name}").argtypes = None
    for name in ("read_bits", "read_input_bits", "write_bits"):
        getattr(found, f"modbus_{name}").argtypes = [c_void_p, c_int, c_int, POINTER(c_uint8)]
    found.modbus_write_bit.argtypes = [c_void_p, c_int, c_int]
    found.modbus_set_response_timeout.argtypes = [c_void_p, c_uint32, c_uint32]
    found.modbus_strerror.restype = c_char_p
    return found


class Front:
    """One context and the tables behind it."""

    def __init__(self, context: int, tables: Tables, header: int) -> None:
        self._context = c_void_p(context)
        self._tables = tables
        self._header = header  # bytes before the unit
        lib = library()
        self._maps = {
            unit: lib.modbus_mapping_new(tables.outputs(unit), tables.inputs(unit), 0, 0)
            for unit in tables.units
        }

    def serve_once(self) -> bool:
        """Whether there was a request, or at least no end of all."""
        lib, request = library(), (c_uint8 * 260)()
        size = lib.modbus_receive(self._context, request)
        if size < 0:
            lib.modbus_flush(self._context)
        if size > 0:
            self._answer(bytes(request[:size]), request)
        return bool(size >= 0)

    def _answer(self, data: bytes, request: Any) -> None:
        unit, function = data[self._header : self._header + 2]
        if unit in self._maps:
            lib, mapping = library(), self._maps[unit]
            self._before(unit, mapping)
            lib.modbus_reply(self._context, request, len(data), mapping)
            states = mapping.contents.tab_bits[: self._tables.outputs(unit)]
            if function in (5, 15):
                self._tables.write(unit, {k: bool(on) for k, on in enumerate(states)})

    def _before(self, unit: int, mapping: Any) -> None:
        for place, on in enumerate(self._tables.read(unit)):
            mapping.contents.tab_input_bits[place] = on
        for place, on in enumerate(self._tables.coils(unit)):
            mapping.contents.tab_bits[place] = on


def start_tcp(tables: Tables) -> int:
    listener = socket.create_server(("127.0.0.1", 0))

    def accept() -> None:
        while True:
            line, _ = listener.accept()
            threading.Thread(target=_serve, args=(line, tables), daemon=True).start()

    threading.Thread(target=accept, daemon=True).start()
    port: int = listener.getsockname()[1]
    return port


def _serve(line: socket.socket, tables: Tables) -> None:
    """One connection: a request for identification that lies there next is answered here."""
    context = library().modbus_new_tcp(b"127.0.0.1", 0)
    library().modbus_set_socket(c_void_p(context), line.fileno())
    front = Front(context, tables, 6)
    while data := line.recv(260, socket.MSG_PEEK):
        if said := tables.identify(data[6:]):
            asked = line.recv(6 + int.from_bytes(data[4:6]))
            line.sendall(asked[:4] + len(said).to_bytes(2) + said)
        elif not front.serve_once():
            break
    line.close()


def ports(tables: Tables) -> int:
    """How many terminals `start_rtu` reads: one that nobody reads would fill up and stop the relay."""
    return len(tables.units)


def start_rtu(tables: Tables, ports: list[str]) -> None:
    lib = library()
    for unit, port in zip(tables.units, ports, strict=True):
        context = lib.modbus_new_rtu(port.encode(), 115200, b"N", 8, 1)
        assert lib.modbus_set_slave(c_void_p(context), unit) == 0
        assert lib.modbus_connect(c_void_p(context)) == 0
        threading.Thread(target=_serve_for_ever, args=(Front(context, tables, 0),), daemon=True).start()


def _serve_for_ever(front: Front) -> None:
    while True:
        front.serve_once()
