"""The house rules that a tool does not check: sizes, first lines, who touches time, names, what is light."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import harness

ROOT = Path(harness.__file__).resolve().parents[1]  # the copy under test, a checkout or an installed one
MODULES = sorted([*(ROOT / "harness").rglob("*.py"), *(ROOT / "drivers").rglob("*.py")])
LONGEST_MODULE = 400
LONGEST_FUNCTION = 50
FORBIDDEN_NAMES = {"utils", "helpers", "common", "base", "manager", "core", "misc"}
HEAVY = {"numpy", "pandas", "pymodbus", "pydantic", "rich", "yaml", "serial", "scipy", "asyncio"}


def ids(path: Path) -> str:
    return str(path.relative_to(ROOT))


def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", MODULES, ids=ids)
def test_a_module_is_small_and_says_what_it_is(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST_MODULE
    assert ast.get_docstring(tree(path)) is not None
    assert path.stem not in FORBIDDEN_NAMES
    assert path.stem not in sys.stdlib_module_names


@pytest.mark.parametrize("path", MODULES, ids=ids)
def test_functions_are_short(path: Path) -> None:
    long = [
        node.name
        for node in ast.walk(tree(path))
        if isinstance(node, ast.FunctionDef) and (node.end_lineno or 0) - node.lineno + 1 > LONGEST_FUNCTION
    ]
    assert long == []


def test_the_median_function_is_about_ten_lines() -> None:
    lengths = sorted(
        (node.end_lineno or 0) - node.lineno + 1
        for path in MODULES
        for node in ast.walk(tree(path))
        if isinstance(node, ast.FunctionDef)
    )
    assert lengths[len(lengths) // 2] <= 10


@pytest.mark.parametrize("path", MODULES, ids=ids)
def test_public_functions_and_classes_say_what_they_do(path: Path) -> None:
    silent = [
        node.name
        for node in tree(path).body
        if isinstance(node, (ast.FunctionDef, ast.ClassDef))
        and not node.name.startswith("_")
        and ast.get_docstring(node) is None
    ]
    assert silent == []


@pytest.mark.parametrize("path", MODULES, ids=ids)
def test_only_the_clock_touches_time(path: Path) -> None:
    if path.name == "clock.py":
        return
    assert imported(path).isdisjoint({"time", "datetime"})


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            names |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module.partition(".")[0])
    return names


def test_imported_finds_what_it_looks_for() -> None:
    assert {"ast", "pathlib", "pytest"} <= imported(Path(__file__))


def test_front_doors_import_nothing() -> None:
    for package in MODULES:
        if package.name == "__init__.py":
            assert imported(package) <= {"__future__"}, package


@pytest.mark.parametrize("words", [["--help"], ["run", "--help"], ["--version"]], ids=" ".join)
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    found = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "harness", *words],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )
    loaded = {line.rpartition("|")[2].strip().partition(".")[0] for line in found.stderr.splitlines()}
    assert "argparse" in loaded
    assert loaded.isdisjoint(HEAVY)
