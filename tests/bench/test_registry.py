"""Drivers by name: known, unknown, missing, foreign, and a stray package of the same name."""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

import harness
from harness.bench import registry
from harness.bench.board import Board
from harness.bench.parts import BoardSpec
from harness.clock import VirtualClock
from harness.errors import BenchError

HOUSE = Path(harness.__file__).resolve().parents[1]
PYTHON = [sys.executable, "-c"]


def joined(monkeypatch: pytest.MonkeyPatch, **points: str) -> None:
    """Let these names join through entry points."""
    made = [EntryPoint(name, value, registry.GROUP) for name, value in points.items()]
    monkeypatch.setattr(registry, "entry_points", lambda group: made if group == registry.GROUP else [])


@pytest.mark.parametrize("name", sorted(registry.DRIVERS))
def test_known_drivers_are_boards(name: str) -> None:
    found = registry.open_board_class(name)
    assert issubclass(found, Board)
    assert registry.known_drivers()[name].endswith(f":{found.__name__}")


@pytest.mark.parametrize(
    ("name", "hint"),
    [("modbus-tpc", "; did you mean modbus-tcp?"), ("simulate", "; did you mean simulated?"), ("x", "")],
)
def test_unknown_driver(name: str, hint: str) -> None:
    known = ", ".join(sorted(registry.DRIVERS))
    wanted = f"no driver named {name!r}; known: {known}{hint}"
    with pytest.raises(BenchError) as caught:
        registry.open_board_class(name)
    assert str(caught.value) == wanted
    assert registry.check_settings(name, {}) == [wanted]


@pytest.mark.parametrize(
    ("place", "message"),
    [
        ("no_such_module:Thing", "driver own: module no_such_module cannot be imported: no such module"),
        ("harness.bench.parts:Thing", "driver own: module harness.bench.parts has no Thing"),
        (
            "harness.bench.parts:Bench",
            "driver own: harness.bench.parts:Bench is not a Board; correct its entry point",
        ),
        (
            "harness.bench.wire:WIRED",
            "driver own: harness.bench.wire:WIRED is not a Board; correct its entry point",
        ),
    ],
)
def test_driver_that_cannot_be_had(monkeypatch: pytest.MonkeyPatch, place: str, message: str) -> None:
    joined(monkeypatch, own=place)
    with pytest.raises(BenchError) as caught:
        registry.open_board_class("own")
    assert str(caught.value) == message


def test_driver_whose_own_import_fails(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "own_driver.py").write_text("import not_installed_anywhere\n", encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    joined(monkeypatch, own="own_driver:Own")
    with pytest.raises(BenchError) as caught:
        registry.open_board_class("own")
    assert str(caught.value) == (
        "driver own: module own_driver cannot be imported: needs not_installed_anywhere,"
        " which is not installed"
    )
    assert isinstance(caught.value.__cause__, ImportError)


def test_driver_from_outside(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "outside_driver.py").write_text(
        "from drivers.simulated import SimulatedBoard\nclass Outside(SimulatedBoard): pass\n",
        encoding="utf-8",
    )
    monkeypatch.syspath_prepend(tmp_path)
    joined(monkeypatch, outside="outside_driver:Outside")
    spec = BoardSpec(name="IO1", driver="outside", settings={}, output_count=1, input_count=1)
    assert type(registry.make_board(spec, VirtualClock())).__name__ == "Outside"
    assert registry.check_settings("outside", {"anything": 1}) == []


def test_own_names_cannot_be_taken_over(monkeypatch: pytest.MonkeyPatch) -> None:
    joined(monkeypatch, simulated="harness.bench.parts:Bench")
    assert registry.open_board_class("simulated").__module__ == "drivers.simulated"


def test_stray_package_drivers_is_refused(tmp_path: Path) -> None:
    """A folder `drivers` in the working directory comes before the real one on Python's path."""
    (tmp_path / "drivers").mkdir()
    (tmp_path / "drivers" / "__init__.py").touch()
    (tmp_path / "drivers" / "simulated.py").write_text("print('stray code runs')\n", encoding="utf-8")
    program = (
        f"import sys; sys.path.insert(1, {str(HOUSE)!r})\n"
        "from harness.bench.registry import open_board_class\n"
        "try: open_board_class('simulated')\n"
        "except Exception as error: print(error)\n"
    )
    done = subprocess.run(
        [*PYTHON, program], cwd=tmp_path, capture_output=True, text=True, check=True, timeout=30
    )
    assert done.stdout == (
        f"driver simulated: package drivers must lie beside harness at {HOUSE / 'drivers'}, found"
        f" {tmp_path.resolve() / 'drivers'}; run from another folder or rename that one\n"
    )


def test_server_starts_from_a_folder_with_a_stray_package(tmp_path: Path) -> None:
    (tmp_path / "drivers").mkdir()
    (tmp_path / "drivers" / "__init__.py").write_text("raise SystemExit('stray')", encoding="utf-8")
    done = subprocess.run(
        [*registry.server_command(), "--help"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )
    assert done.returncode == 0, done.stderr
    assert "Serve a SIMULATED panel." in done.stdout


def test_nothing_heavy_is_imported_before_a_board_is_opened() -> None:
    program = (
        f"import sys; sys.path.insert(0, {str(HOUSE)!r})\n"
        "from harness.bench.registry import check_settings, make_board\n"
        "from harness.bench.parts import BoardSpec\n"
        "from harness.clock import RealClock\n"
        "assert check_settings('modbus-tcp', {'host': 'h'}) == []\n"
        "rest = {'settings': {'host': 'h'}, 'output_count': 1, 'input_count': 1}\n"
        "make_board(BoardSpec(name='IO1', driver='modbus-tcp', **rest), RealClock())\n"
        "heavy = ('pymodbus', 'numpy', 'pandas', 'pydantic', 'rich')\n"
        "print([name for name in heavy if name in sys.modules])\n"
    )
    done = subprocess.run([*PYTHON, program], capture_output=True, text=True, check=True, timeout=30)
    assert done.stdout == "[]\n"
