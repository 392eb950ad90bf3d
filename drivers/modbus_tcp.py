"""A Modbus board on TCP.

Settings of its own, as the bench file gives them: `host` and `port` (502); drivers/modbus_settings.py has the
others. A connection lost during a write raises. A question without an answer is asked again only where the
bench file's `retries` says so, on a new connection, where no late answer can reach it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.modbus_board import ModbusBoard
from drivers.modbus_settings import UNITS_TCP, Settings, problems_of
from harness.bench.parts import BoardSpec
from harness.clock import Clock

if TYPE_CHECKING:
    from drivers.modbus_exchange import Dial, Exchange

PORTS: dict[str, tuple[int | None, int, int]] = {"port": (502, 1, 65535)}  # MODBUS Messaging on TCP/IP V1.0b


class ModbusTcpBoard(ModbusBoard):
    """One board behind one address."""

    tells_answers_apart = True

    def __init__(self, spec: BoardSpec, clock: Clock, *, dial: Dial | None = None) -> None:
        """`dial` connects in place of the system. Raises BenchError when the bench file's data are wrong."""
        super().__init__(spec, clock, self.check_settings(spec.settings))
        self._dial = dial

    @staticmethod
    def check_settings(settings: Settings) -> list[str]:
        """Everything wrong with the settings, each with what is allowed."""
        return host_problems(settings) + problems_of(settings, ("host", "port"), UNITS_TCP, numbers=PORTS)

    def _make_exchange(self) -> Exchange:
        from drivers.modbus_exchange import Exchange  # noqa: PLC0415 - imports pymodbus

        host, port = address_of(self.spec.settings)
        where = f"board {self.name} at {host}:{port} unit {self._values.unit}"
        return Exchange(where, host, port, self.clock, self.trace, dial=self._dial)

    def _do_prepare(self) -> None:
        from drivers import modbus_exchange  # noqa: F401, PLC0415 - only to have it loaded

        super()._do_prepare()


def host_problems(settings: Settings) -> list[str]:
    """What is wrong with `host`."""
    if str(settings.get("host", "")).strip():
        return []
    return ["`host` is missing; give the board's IP address or host name"]


def address_of(settings: Settings) -> tuple[str, int]:
    """Host and port."""
    return str(settings["host"]), int(settings.get("port", 502))
