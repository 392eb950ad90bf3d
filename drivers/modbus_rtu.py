"""Modbus boards on a serial line: `modbus-rtu` on a port, `modbus-rtu-tcp` behind a network converter.

Settings of the line: `port`, `baud`, `parity` and `stop bits`, or `host` and `port` of the converter;
`quiet`, the silence after which a line counts as drained (50 ms, never less than t3.5); `soonest answer`,
before which no answer can come (what question and answer take on the wire, where that is known). A converter
that speaks Modbus TCP is not meant here: that is `modbus-tcp`. drivers/modbus_settings.py has the other
settings. Boards with the same port, or the same host and port, share the line.

Over a converter, silences mean nothing and its own time is not known, so `soonest answer` is the only guard
there against an answer that comes twice.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable
from typing import TYPE_CHECKING

from drivers.line import Line
from drivers.modbus_board import ModbusBoard
from drivers.modbus_settings import UNITS_SERIAL, Settings, problems_of, time_ns
from drivers.modbus_tcp import PORTS, address_of, host_problems
from drivers.serial_timing import serial_timing
from drivers.shared_lines import port_key
from harness.bench.parts import BoardSpec
from harness.clock import NS, Clock

if TYPE_CHECKING:
    from drivers.modbus_question import Question
    from drivers.rtu_exchange import RtuExchange
    from drivers.rtu_wire import Pace, RtuWire

_TIMES = ("quiet", "soonest answer")
_QUIET_NS, _ADOPTED_QUIET_NS = 50_000_000, 30_000_000
OpenLine = Callable[[], Line]


class _RtuBoard(ModbusBoard):
    """One unit on a serial line. `open_line` opens the line in place of the system."""

    def __init__(
        self, spec: BoardSpec, clock: Clock, problems: list[str], open_line: OpenLine | None
    ) -> None:
        super().__init__(spec, clock, problems)
        self._open_line = open_line

    @property
    @abstractmethod
    def _key(self) -> str:
        """The line's name, the same for all boards on it."""

    @abstractmethod
    def _opened(self) -> Line: ...

    @abstractmethod
    def _adopted(self, descriptor: int) -> Line: ...

    @abstractmethod
    def _silence_and_character(self) -> tuple[int, int]: ...

    def _pace(self) -> Pace:
        from drivers.rtu_wire import Pace  # noqa: PLC0415 - with the exchange

        silence_ns, character_ns = self._silence_and_character()
        given_ns = time_ns(self.spec.settings, "quiet")
        quiet_ns = max(silence_ns, _QUIET_NS if given_ns is None else given_ns)
        return Pace(
            silence=silence_ns,
            quiet=quiet_ns,
            adopted=max(silence_ns, min(quiet_ns, _ADOPTED_QUIET_NS)),
            character=character_ns,
            soonest=time_ns(self.spec.settings, "soonest answer"),
        )

    @property
    def _where(self) -> str:
        return f"board {self.name} on {self._key} unit {self._values.unit}"

    def _make_exchange(self) -> RtuExchange:
        from drivers.rtu_exchange import Place, RtuExchange  # noqa: PLC0415 - imports pymodbus

        settings = self._shared_settings()
        place = Place(self._key, settings, self._make_wire, self._adopted, self._open_line)
        return RtuExchange(self._where, place, self.clock, self._checks(), self.trace)

    def _make_wire(self) -> RtuWire:
        from drivers.rtu_wire import RtuWire  # noqa: PLC0415

        return RtuWire(self._open_line or self._opened, self.clock, self._pace())

    def _shared_settings(self) -> dict[str, object]:
        pace = self._pace()
        return {
            "driver": self.spec.driver,
            "quiet": f"{pace.quiet / 1e6:g} ms",
            "soonest answer": None if pace.soonest is None else f"{pace.soonest / 1e6:g} ms",
        }

    def _checks(self) -> list[Question]:
        """Questions that only read, one a function: those that the board is sure to answer. Checks need two:
        where that is one only, also those that it refuses, unless it is said to keep silent about them."""
        ask, values, spec = self._questions, self._values, self.spec
        watchdog = values.watchdog.register if values.watchdog else 0
        sure = [
            *([ask.read_bits(1, values.first_output, 1, values.unit)] if spec.output_count else []),
            *([ask.read_bits(2, values.first_input, 1, values.unit)] if spec.input_count else []),
            *([ask.read_registers(3, watchdog, 1, values.unit)] if values.watchdog else []),
        ]
        if len(sure) > 1 or (sure and not values.identifies):
            return sure
        others = [
            ask.read_registers(3, watchdog, 1, values.unit),
            ask.read_registers(4, 0, 1, values.unit),
            ask.read_bits(2, values.first_input, 1, values.unit),
            ask.read_bits(1, values.first_output, 1, values.unit),
        ]
        return sure + [question for question in others if question.function not in {q.function for q in sure}]

    def _remarks(self) -> tuple[str, ...]:
        return getattr(self._line, "remarks", ())

    def _do_prepare(self) -> None:
        from drivers import rtu_exchange  # noqa: F401, PLC0415 - only to have it loaded

        super()._do_prepare()


class ModbusRtuBoard(_RtuBoard):
    """One unit on a serial port of this computer."""

    def __init__(self, spec: BoardSpec, clock: Clock, *, open_line: OpenLine | None = None) -> None:
        """`open_line` opens the line in place of the system. Raises BenchError for wrong bench file data."""
        super().__init__(spec, clock, self.check_settings(spec.settings), open_line)

    @staticmethod
    def check_settings(settings: Settings) -> list[str]:
        """Everything wrong with the settings, each with what is allowed."""
        from drivers.serial_port import SERIAL_KEYS, check_serial_settings  # noqa: PLC0415

        serial = {key: value for key, value in settings.items() if key in SERIAL_KEYS}
        keys = (*SERIAL_KEYS, *_TIMES)
        return check_serial_settings(serial) + problems_of(settings, keys, UNITS_SERIAL, times=_TIMES)

    @property
    def _key(self) -> str:
        return port_key(str(self.spec.settings["port"]))

    def _shared_settings(self) -> dict[str, object]:
        from drivers.serial_port import serial_settings  # noqa: PLC0415

        line = serial_settings(self.spec.settings)
        return {
            **super()._shared_settings(),
            "baud": line.baud,
            "parity": line.parity,
            "stop bits": line.stop_bits,
        }

    def _opened(self) -> Line:
        from drivers.serial_port import open_serial, serial_settings  # noqa: PLC0415

        return open_serial(self._where, serial_settings(self.spec.settings), self.clock)

    def _adopted(self, descriptor: int) -> Line:
        from drivers.serial_port import adopt_serial, serial_settings  # noqa: PLC0415

        return adopt_serial(self._where, descriptor, serial_settings(self.spec.settings), self.clock)

    def _silence_and_character(self) -> tuple[int, int]:
        from drivers.serial_port import serial_settings  # noqa: PLC0415

        line = serial_settings(self.spec.settings)
        bits = 9 + (line.parity != "none") + line.stop_bits
        return serial_timing(line.baud).between_ns, bits * NS // line.baud


class ModbusRtuTcpBoard(_RtuBoard):
    """One unit on a serial line behind a converter that passes RTU frames through a TCP connection."""

    def __init__(self, spec: BoardSpec, clock: Clock, *, open_line: OpenLine | None = None) -> None:
        """`open_line` connects in place of the system. Raises BenchError for wrong bench file data."""
        super().__init__(spec, clock, self.check_settings(spec.settings), open_line)

    @staticmethod
    def check_settings(settings: Settings) -> list[str]:
        """Everything wrong with the settings, each with what is allowed."""
        own = problems_of(settings, ("host", "port", *_TIMES), UNITS_SERIAL, numbers=PORTS, times=_TIMES)
        return host_problems(settings) + own

    @property
    def _key(self) -> str:
        host, port = address_of(self.spec.settings)
        return f"{host}:{port}"

    def _opened(self) -> Line:
        from drivers.tcp_line import open_tcp  # noqa: PLC0415

        return open_tcp(*address_of(self.spec.settings), self.spec.timeout_s, self.clock)

    def _adopted(self, descriptor: int) -> Line:
        from drivers.tcp_line import adopt_tcp  # noqa: PLC0415

        return adopt_tcp(descriptor, self.clock)

    def _silence_and_character(self) -> tuple[int, int]:
        return 0, 0
