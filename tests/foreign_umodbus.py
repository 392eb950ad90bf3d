"""uModbus (1.0.4) in front of the tables: it asks for each bit; here a request sees and makes one moment."""

from __future__ import annotations

import threading
from socketserver import ThreadingTCPServer
from typing import Any

from foreign_panel import Tables


class OneMoment:
    """What one request reads, all of one moment, and writes, all together."""

    def __init__(self, tables: Tables) -> None:
        self._tables = tables
        self._lock = threading.Lock()
        self._seen: dict[int, list[bool]] = {}
        self._set: dict[int, bool] = {}

    def route(self, app: Any) -> None:
        for unit in self._tables.units:
            outputs = list(range(self._tables.outputs(unit)))
            inputs = list(range(self._tables.inputs(unit)))
            app.route([unit], [1, 5, 15], outputs)(self._coil)
            app.route([unit], [2], inputs)(self._input)

    def during(self, request: Any, unit: int, pdu: bytes) -> bytes:
        """`request` is uModbus's own way to answer."""
        if pdu[0] == 43 and self._tables.identity and unit in self._tables.units:
            return pdu[:1] + self._tables.identity
        with self._lock:
            self._seen.clear()
            self._set.clear()
            answer: bytes = request({"unit_id": unit}, pdu)
            if self._set:
                self._tables.write(unit, self._set)
            return answer

    def _input(self, slave_id: int, function_code: int, address: int) -> bool:
        if slave_id not in self._seen:
            self._seen[slave_id] = self._tables.read(slave_id)
        return self._seen[slave_id][address]

    def _coil(self, slave_id: int, function_code: int, address: int, value: int | None = None) -> bool | None:
        if value is None:
            return self._tables.coils(slave_id)[address]
        self._set[address] = bool(value)
        return None


def start_tcp(tables: Tables) -> int:
    from umodbus.server.tcp import RequestHandler, get_server

    moment = OneMoment(tables)

    class Handler(RequestHandler):  # type: ignore[misc]
        def execute_route(self, meta_data: dict[str, int], request_pdu: bytes) -> bytes:
            return moment.during(super().execute_route, meta_data["unit_id"], request_pdu)

    ThreadingTCPServer.daemon_threads = True
    app = get_server(ThreadingTCPServer, ("127.0.0.1", 0), Handler)
    moment.route(app)
    threading.Thread(target=app.serve_forever, args=(0.005,), daemon=True).start()
    port: int = app.server_address[1]
    return port


def ports(_tables: Tables) -> int:
    """How many terminals `start_rtu` reads: one that nobody reads would fill up and stop the relay."""
    return 1


def start_rtu(tables: Tables, ports: list[str]) -> None:
    import serial
    from umodbus.server.serial import get_server
    from umodbus.server.serial.rtu import RTUServer

    moment = OneMoment(tables)

    class Server(RTUServer):  # type: ignore[misc]
        def execute_route(self, meta_data: dict[str, int], request_pdu: bytes) -> bytes:
            return moment.during(super().execute_route, meta_data["unit_id"], request_pdu)

    app = get_server(Server, serial.Serial(ports[0], 115200))
    moment.route(app)
    # The interval becomes the port's time-out, which is how long it waits for the end of every request.
    threading.Thread(target=app.serve_forever, args=(0.005,), daemon=True).start()
