"""Which driver a name in a bench file means: a table of strings, imported only when a board is wanted.

Drivers of this program stand in the table below; others join through the entry-point group
`panelproof.boards` (name = "module:Class"). A package `drivers` that does not lie beside `harness` is
refused, so that a stray folder of that name in the working directory never drives a bench.
"""

from __future__ import annotations

import importlib
import importlib.util
import sys
from collections.abc import Callable, Mapping, Sequence
from difflib import get_close_matches
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any, Protocol, cast

from harness.bench.board import Board
from harness.bench.parts import Bench, BoardSpec, SettingValue
from harness.bench.port_info import PortInfo
from harness.clock import Clock
from harness.errors import BenchError, PanelproofError
from harness.panel.parts import Panel

GROUP = "panelproof.boards"
DRIVERS = {
    "simulated": "drivers.simulated:SimulatedBoard",
    "modbus-tcp": "drivers.modbus_tcp:ModbusTcpBoard",
    "modbus-rtu": "drivers.modbus_rtu:ModbusRtuBoard",
    "modbus-rtu-tcp": "drivers.modbus_rtu:ModbusRtuTcpBoard",
    "text-line": "drivers.text_line:TextLineBoard",
}
_SIMULATOR = "drivers.simulated:in_process"
_SERVER = "drivers.serve"
_PORTS = "drivers.port_list:found_ports"
_HOUSE = Path(__file__).resolve().parents[2]


class Simulator(Protocol):
    """Makes every board of a bench, over one simulated circuit, without a wire."""

    def __call__(
        self, panel: Panel, bench: Bench, clock: Clock, *, seed: int = 0, faults: Sequence[str] = ()
    ) -> dict[str, Board]: ...


def known_drivers() -> dict[str, str]:
    """Driver name to "module:Class"; the program's own names cannot be taken over by an entry point."""
    return {point.name: point.value for point in entry_points(group=GROUP)} | DRIVERS


def open_board_class(name: str) -> type[Board]:
    """The Board class of a driver. Raises BenchError naming the driver, its module and the cause."""
    known = known_drivers()
    if name not in known:
        raise BenchError(_unknown(name, known))
    found = _load(name, known[name])
    if not (isinstance(found, type) and issubclass(found, Board)):
        raise BenchError(f"driver {name}: {known[name]} is not a Board; correct its entry point")
    return found


def make_board(spec: BoardSpec, clock: Clock) -> Board:
    """The board that a bench file describes, not yet open. Raises BenchError."""
    board_class = open_board_class(spec.driver)
    try:
        return board_class(spec, clock)
    except PanelproofError:
        raise
    except Exception as error:  # a driver's own mistake, which may be anything
        raise BenchError(f"board {spec.name}: driver {spec.driver} cannot be made: {_said(error)}") from error


def check_settings(name: str, settings: Mapping[str, SettingValue]) -> list[str]:
    """What is wrong with a board's settings, or with its driver name; empty when nothing is.

    A driver answers through a static method `check_settings(settings) -> list[str]`; one that has none
    checks its settings when it is opened.
    """
    try:
        board_class: Any = open_board_class(name)
    except BenchError as error:
        return [str(error)]
    return _asked(name, getattr(board_class, "check_settings", None), settings)


def check_watchdog(name: str, settings: Mapping[str, SettingValue]) -> list[str]:
    """Why a board with these settings cannot have a watchdog; empty when it can.

    A driver that arms watchdogs answers through a static method `check_watchdog(settings) -> list[str]`.
    """
    try:
        board_class: Any = open_board_class(name)
    except BenchError:
        return []  # told already where the driver is named
    if board_class._do_arm_watchdog is Board._do_arm_watchdog:
        return [f"driver {name} cannot arm a watchdog; take 'watchdog' out, or use a board that has one"]
    return _asked(name, getattr(board_class, "check_watchdog", None), settings)


def moves_at_once(name: str, settings: Mapping[str, SettingValue], outputs: int) -> bool:
    """Whether a board changes all its outputs in one transaction; True where its driver cannot be loaded."""
    try:
        return open_board_class(name).moves_at_once(settings, outputs)
    except BenchError:
        return True  # told already where the driver is named
    except Exception:  # a driver's own mistake: in doubt it does not
        return False


def has_registers(name: str) -> bool:
    """Whether a driver can read registers; True where it cannot be loaded, because that is told elsewhere."""
    try:
        board_class: Any = open_board_class(name)
    except BenchError:
        return True
    return bool(board_class._do_read_registers is not Board._do_read_registers)


def _asked(name: str, check: Any, settings: Mapping[str, SettingValue]) -> list[str]:
    """What a driver's own check says; a check that fails is a problem too."""
    try:
        return [str(problem) for problem in check(settings)] if check is not None else []
    except Exception as error:  # a driver's own mistake, which may be anything
        return [f"driver {name} cannot check its settings: {_said(error)}"]


def _said(error: Exception) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split())


def simulator() -> Simulator:
    """The maker of a bench's boards in this process. Raises BenchError."""
    return cast(Simulator, _load("simulated", _SIMULATOR))


def port_finder() -> Callable[[], list[PortInfo]]:
    """What lists the serial ports of this computer. Raises BenchError."""
    return cast(Callable[[], list[PortInfo]], _load("serial ports", _PORTS))


def server_module() -> str:
    """The module that serves a simulated panel on a wire, for `python -m`. Raises BenchError."""
    _beside_harness("simulated", _SERVER)
    return _SERVER


def server_command() -> list[str]:
    """The words that start the simulated panel's server process, whatever the working directory holds."""
    module = server_module()
    place = f"import sys; sys.path[0] = {str(_HOUSE)!r}"
    start = f"{place}; import runpy; runpy.run_module({module!r}, run_name='__main__')"
    return [sys.executable, "-c", start]


def _load(name: str, place: str) -> object:
    module_name, _, attribute = place.partition(":")
    _beside_harness(name, module_name)
    try:
        module = importlib.import_module(module_name)
    except ImportError as error:
        missing = f"needs {error.name}, which is not installed" if error.name else str(error)
        if error.name == module_name:
            missing = "no such module"
        raise BenchError(f"driver {name}: module {module_name} cannot be imported: {missing}") from error
    except Exception as error:  # whatever a module of somebody else does when it is imported
        raise BenchError(f"driver {name}: module {module_name} cannot be imported: {_said(error)}") from error
    try:
        return cast(Callable[..., object], getattr(module, attribute))
    except AttributeError as error:
        raise BenchError(f"driver {name}: module {module_name} has no {attribute}") from error


def _beside_harness(name: str, module_name: str) -> None:
    package = module_name.partition(".")[0]
    if package != "drivers":
        return
    spec = importlib.util.find_spec(package)
    places = list(spec.submodule_search_locations or ()) if spec else []
    wanted = _HOUSE / package
    if [Path(place).resolve() for place in places] != [wanted]:
        found = places[0] if places else "nothing"
        raise BenchError(
            f"driver {name}: package drivers must lie beside harness at {wanted}, found {found};"
            " run from another folder or rename that one"
        )


def _unknown(name: str, known: Mapping[str, str]) -> str:
    near = get_close_matches(name, known, n=1)
    hint = f"; did you mean {near[0]}?" if near else ""
    return f"no driver named {name!r}; known: {', '.join(sorted(known))}{hint}"
