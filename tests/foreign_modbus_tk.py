"""modbus_tk (1.1.5) in front of the tables: it holds its own, filled before and emptied after a request."""

from __future__ import annotations

import time
from typing import Any

from foreign_panel import Tables


def start_tcp(tables: Tables) -> int:
    from modbus_tk import modbus_tcp

    server = modbus_tcp.TcpServer(port=0, address="127.0.0.1")
    _front(server, tables)
    while server._sock is None:
        time.sleep(0.001)
    port: int = server._sock.getsockname()[1]
    return port


def ports(_tables: Tables) -> int:
    """How many terminals `start_rtu` reads: one that nobody reads would fill up and stop the relay."""
    return 1


def start_rtu(tables: Tables, ports: list[str]) -> None:
    import serial
    from modbus_tk import modbus_rtu

    _front(modbus_rtu.RtuServer(serial.Serial(ports[0], 115200)), tables)


def _front(server: Any, tables: Tables) -> None:
    from modbus_tk import hooks

    slaves = {unit: _slave(server, tables, unit) for unit in tables.units}

    def before_inputs(args: tuple[Any, bytes]) -> None:
        for unit, slave in slaves.items():
            if slave is args[0] and tables.inputs(unit):
                slave.set_values("inputs", 0, [int(on) for on in tables.read(unit)])

    def after_request(_args: object) -> None:
        for unit, slave in slaves.items():
            if count := tables.outputs(unit):
                states = slave.get_values("coils", 0, count)
                tables.write(unit, {k: bool(on) for k, on in enumerate(states)})

    hooks.install_hook("modbus.Slave.handle_read_discrete_inputs_request", before_inputs)
    hooks.install_hook("modbus.Server.after_handle_request", after_request)
    server.start()


def _slave(server: Any, tables: Tables, unit: int) -> Any:
    from modbus_tk import defines

    slave = server.add_slave(unit)
    if tables.identity:
        slave._fn_code_map[43] = lambda _pdu: tables.identity
    if tables.outputs(unit):
        slave.add_block("coils", defines.COILS, 0, tables.outputs(unit))
    if tables.inputs(unit):
        slave.add_block("inputs", defines.DISCRETE_INPUTS, 0, tables.inputs(unit))
    return slave
