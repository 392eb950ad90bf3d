"""Modbus masters of other makes behind one small face: switch outputs, read inputs, and what a refusal is.

Each keeps some milliseconds between question and question, because none of them keeps the silence (t3.5) that
a serial line needs after an answer.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

PAUSE_S = 0.005
BAUD = 115200
_LIBMODBUS_ERRORS = 112_345_678  # exception codes count from there


@dataclass(frozen=True)
class Master:
    """Reads of (unit, address, count), writes of (unit, address, what). All raise RefusedError."""

    inputs: Callable[[int, int, int], list[bool]]
    coils: Callable[[int, int, int], list[bool]]
    write_one: Callable[[int, int, bool], None]
    write_all: Callable[[int, int, list[bool]], None]


class RefusedError(Exception):
    """The device answered with an exception code."""

    def __init__(self, code: int) -> None:
        super().__init__(f"exception {code:02X}")
        self.code = code


@contextmanager
def pymodbus(place: str) -> Iterator[Master]:
    from pymodbus.client import ModbusSerialClient, ModbusTcpClient

    host, _, port = place.rpartition(":")
    client: Any = (
        ModbusTcpClient(host, port=int(port), retries=0)
        if host
        else ModbusSerialClient(place, baudrate=BAUD, retries=0)
    )
    assert client.connect()

    def asked(answer: Any) -> Any:
        time.sleep(PAUSE_S)
        if answer.isError():
            raise RefusedError(answer.exception_code)
        return answer

    try:
        yield Master(
            lambda u, a, n: asked(client.read_discrete_inputs(a, count=n, device_id=u)).bits[:n],
            lambda u, a, n: asked(client.read_coils(a, count=n, device_id=u)).bits[:n],
            lambda u, a, on: asked(client.write_coil(a, on, device_id=u)),
            lambda u, a, states: asked(client.write_coils(a, states, device_id=u)),
        )
    finally:
        client.close()


@contextmanager
def modbus_tk(place: str) -> Iterator[Master]:
    import serial
    from modbus_tk import defines, modbus_rtu, modbus_tcp
    from modbus_tk.modbus import ModbusError

    host, _, port = place.rpartition(":")
    master: Any = (
        modbus_tcp.TcpMaster(host, int(port)) if host else modbus_rtu.RtuMaster(serial.Serial(place, BAUD))
    )
    master.set_timeout(0.4)  # on a serial line it waits that long, twice, for the rest of a short refusal

    def asked(*words: Any, **more: Any) -> Any:
        time.sleep(PAUSE_S)
        try:
            return master.execute(*words, **more)
        except ModbusError as error:
            raise RefusedError(error.get_exception_code()) from error

    try:
        yield Master(
            lambda u, a, n: [bool(bit) for bit in asked(u, defines.READ_DISCRETE_INPUTS, a, n)],
            lambda u, a, n: [bool(bit) for bit in asked(u, defines.READ_COILS, a, n)],
            lambda u, a, on: asked(u, defines.WRITE_SINGLE_COIL, a, output_value=int(on)),
            lambda u, a, states: asked(
                u, defines.WRITE_MULTIPLE_COILS, a, output_value=list(map(int, states))
            ),
        )
    finally:
        master.close()


@contextmanager
def umodbus(place: str) -> Iterator[Master]:
    import socket

    import serial
    from umodbus import exceptions
    from umodbus.client import tcp
    from umodbus.client.serial import rtu

    host, _, port = place.rpartition(":")
    line: Any = (
        socket.create_connection((host, int(port)), 2.0) if host else serial.Serial(place, BAUD, timeout=2)
    )
    say: Any = tcp if host else rtu

    def asked(message: bytes) -> Any:
        time.sleep(PAUSE_S)
        try:
            return say.send_message(message, line)
        except exceptions.ModbusError as error:
            raise RefusedError(error.error_code) from error

    try:
        yield Master(
            lambda u, a, n: [bool(bit) for bit in asked(say.read_discrete_inputs(u, a, n))],
            lambda u, a, n: [bool(bit) for bit in asked(say.read_coils(u, a, n))],
            lambda u, a, on: asked(say.write_single_coil(u, a, int(on))),
            lambda u, a, states: asked(say.write_multiple_coils(u, a, list(map(int, states)))),
        )
    finally:
        line.close()


@contextmanager
def libmodbus(place: str) -> Iterator[Master]:
    import ctypes

    from foreign_libmodbus import library

    lib = library()
    host, _, port = place.rpartition(":")
    context = ctypes.c_void_p(
        lib.modbus_new_tcp(host.encode(), int(port))
        if host
        else lib.modbus_new_rtu(place.encode(), BAUD, b"N", 8, 1)
    )
    assert lib.modbus_connect(context) == 0
    lib.modbus_set_response_timeout(context, 2, 0)

    def asked(unit: int, call: Any, *words: Any) -> None:
        lib.modbus_set_slave(context, unit)
        for _ in range(3):
            time.sleep(PAUSE_S)
            if call(context, *words) >= 0:
                return
            error = ctypes.get_errno()
            if error > _LIBMODBUS_ERRORS:
                raise RefusedError(error - _LIBMODBUS_ERRORS)
            # On a busy computer a terminal may be ready and give nothing; libmodbus takes that for its end.
            time.sleep(0.05)
            lib.modbus_flush(context)
        raise OSError(error, lib.modbus_strerror(error).decode())

    def bits(call: Any) -> Callable[[int, int, int], list[bool]]:
        def read(unit: int, address: int, count: int) -> list[bool]:
            found = (ctypes.c_uint8 * count)()
            asked(unit, call, address, count, found)
            return [bool(bit) for bit in found]

        return read

    def write_all(unit: int, address: int, states: list[bool]) -> None:
        values = (ctypes.c_uint8 * len(states))(*map(int, states))
        asked(unit, lib.modbus_write_bits, address, len(states), values)

    try:
        yield Master(
            bits(lib.modbus_read_input_bits),
            bits(lib.modbus_read_bits),
            lambda u, a, on: asked(u, lib.modbus_write_bit, a, int(on)),
            write_all,
        )
    finally:
        lib.modbus_close(context)


MASTERS = {"pymodbus": pymodbus, "modbus_tk": modbus_tk, "umodbus": umodbus, "libmodbus": libmodbus}
