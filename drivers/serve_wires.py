"""Which server the words of `drivers.serve` ask for: on TCP, on a pseudo terminal, on a serial port."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from drivers.line import Line
from drivers.modbus_server import ModbusServer
from drivers.pty_line import PtyLine
from drivers.rig import SimulatedRig
from drivers.rig_device import devices
from drivers.rtu_server import PacedRtu, RtuBus, RtuConnection, Talk, TolerantRtu
from drivers.serial_serving import SerialServer
from drivers.serial_timing import serial_timing
from drivers.tcp_server import TcpServer
from drivers.text_serving import PacedText, PlainText
from harness.bench.parts import Bench, SettingValue
from harness.clock import NS, Clock
from harness.errors import BenchError, UsageError
from harness.units import TIME, parse

BAUDS = (1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200, 230400, 460800, 921600)
PARITIES = ("none", "even", "odd")
_PTY = "pty"


class Server(Protocol):
    """What serves a simulated panel on one wire."""

    @property
    def place(self) -> str: ...

    def serve(self, idle: Callable[[], object]) -> None: ...

    def stop(self) -> None: ...

    def close(self) -> None: ...


def check_words(words: argparse.Namespace) -> None:
    """Refuse what does not go together, before any file is read. Raises UsageError."""
    port = words.modbus_rtu or words.text_line
    if port is None:
        given = [("--baud", words.baud), ("--parity", words.parity)]
        given += [("--unpaced", words.unpaced or None), ("--turnaround", words.turnaround)]
        _refuse(given, "is for a serial line; take it out, or serve with --modbus-rtu or --text-line")
    else:
        _refuse([("--clients", words.clients)], "is for TCP; a serial line has one master")
    if port is not None and not is_pty(port):
        given = [("--unpaced", words.unpaced or None), ("--turnaround", words.turnaround)]
        _refuse(given, "is for a pseudo terminal; a serial port has its own pace")
    if words.baud is not None and words.baud not in BAUDS:
        raise UsageError(f"--baud {words.baud}: one of {', '.join(map(str, BAUDS))} is needed")
    if words.clients is not None and words.clients < 1:
        raise UsageError(f"--clients {words.clients}: at least 1 is needed")
    _turnaround_ns(words)


def _refuse(given: list[tuple[str, object]], why: str) -> None:
    for name, value in given:
        if value is not None:
            raise UsageError(f"{name} {why}")


def make_server(words: argparse.Namespace, rig: SimulatedRig) -> Server:
    """The server that the words ask for, ready but not yet serving. Raises PanelproofError."""
    if words.modbus_tcp is not None:
        return ModbusServer(devices(rig), *split_address(words.modbus_tcp), clients=words.clients)
    if words.modbus_rtu_tcp is not None:
        bus = RtuBus(devices(rig))
        host, port = split_address(words.modbus_rtu_tcp)
        return TcpServer(host, port, lambda: RtuConnection(bus.answer, rig.clock), clients=words.clients)
    if words.modbus_rtu is not None:
        return _rtu_server(words, RtuBus(devices(rig)), rig.clock)
    return _text_server(words, rig)


def _rtu_server(words: argparse.Namespace, bus: RtuBus, clock: Clock) -> Server:
    where = words.modbus_rtu
    timing = serial_timing(words.baud or 19200)
    talk: Talk
    if not is_pty(where):
        talk = TolerantRtu(bus.answer, timing.between_ns)
    elif words.unpaced:
        talk = TolerantRtu(bus.answer)
    else:
        talk = PacedRtu(bus.answer, timing, _turnaround_ns(words))
    line, place = _open(words, where, clock)
    return SerialServer(line, talk, clock, place)


def _text_server(words: argparse.Namespace, rig: SimulatedRig) -> Server:
    from drivers.text_device import TextDevice  # noqa: PLC0415 - only where it is wanted

    where = words.text_line
    device = TextDevice(devices(rig), _text_settings(rig.bench), rig.clock.now_ns)
    talk: Talk = PlainText(device)
    if is_pty(where) and not words.unpaced:
        timing = serial_timing(words.baud or 19200)
        talk = PacedText(device, timing.character_ns, _turnaround_ns(words))
    line, place = _open(words, where, rig.clock)
    return SerialServer(line, talk, rig.clock, place)


def _text_settings(bench: Bench) -> dict[str, SettingValue]:
    """What the bench file gives its text-line boards, the same for all; empty where it has no such board."""
    boards = [board for board in bench.boards if board.driver == "text-line"]
    said = [{key: value for key, value in board.settings.items() if key != "unit"} for board in boards]
    for board, settings in zip(boards, said, strict=True):
        if settings != said[0]:
            raise BenchError(
                f"boards {boards[0].name} and {board.name} have different settings, and one line serves one"
                " language; give both the same in the bench file"
            )
    return said[0] if said else {}


def _open(words: argparse.Namespace, where: str, clock: Clock) -> tuple[Line, str]:
    if is_pty(where):
        path = where[len(_PTY) + 1 :]
        line = PtyLine(clock, Path(path) if path else None)
        return line, line.place
    from drivers.serial_port import open_serial, serial_settings  # noqa: PLC0415

    settings = {"port": where, "baud": words.baud or 19200, "parity": words.parity or "even"}
    return open_serial(where, serial_settings(settings), clock), where


def is_pty(where: str) -> bool:
    """Whether the words mean a pseudo terminal: `pty`, or `pty:PATH` with a link to it."""
    return where == _PTY or where.startswith(f"{_PTY}:")


def _turnaround_ns(words: argparse.Namespace) -> int:
    if words.turnaround is None:
        return 0
    try:
        return round(parse(words.turnaround, TIME) * NS)
    except ValueError as error:
        raise UsageError(f"--turnaround {words.turnaround}: {error}") from error


def split_address(text: str) -> tuple[str, int]:
    """HOST:PORT, port 0 for any free one. Raises UsageError."""
    host, colon, port = text.rpartition(":")
    if not colon or not host or not (port.isascii() and port.isdigit() and int(port) <= 65535):
        raise UsageError(f"{text!r} is not HOST:PORT; for example 127.0.0.1:5020, port 0 for any free one")
    return host.strip("[]"), int(port)
