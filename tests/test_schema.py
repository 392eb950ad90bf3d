"""JSON Schema: what the loader takes an editor takes too, and what an editor can find it finds."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml
from file_examples import BENCH, PANEL, edited
from jsonschema import Draft202012Validator

from harness.bench.files import read_bench
from harness.demo_files import demo_folder
from harness.errors import UsageError
from harness.panel.files import read_panel
from harness.sequence.schema import KINDS, schema
from harness.source import load_text

READERS: dict[str, Any] = {"panel": read_panel, "bench": read_bench}


class EditorLoader(yaml.SafeLoader):
    """What an editor makes of YAML: the core schema of YAML 1.2.2, chapter 10.3.2."""


EditorLoader.yaml_implicit_resolvers = {}
CORE = [
    ("null", r"null|Null|NULL|~|"),
    ("bool", r"true|True|TRUE|false|False|FALSE"),
    ("int", r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+"),
    ("float", r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?|[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)"),
]
for _kind, _shape in CORE:
    EditorLoader.add_implicit_resolver(f"tag:yaml.org,2002:{_kind}", re.compile(f"(?:{_shape})\\Z"), None)


def editor_keys(data: Any) -> Any:
    """Keys of a mapping are text in JSON."""
    if isinstance(data, dict):
        return {str(key): editor_keys(value) for key, value in data.items()}
    return [editor_keys(item) for item in data] if isinstance(data, list) else data


@cache
def validator(kind: str) -> Draft202012Validator:
    return Draft202012Validator(schema(kind))


def complaints(kind: str, text: str) -> list[str]:
    data = editor_keys(yaml.load(text, EditorLoader))
    return [error.message for error in validator(kind).iter_errors(data)]


def test_the_editor_of_these_tests_reads_yaml_1_2() -> None:
    found = yaml.load("[on, yes, 12:30, 1, 1e3, 1.0, true, ~, 0x10]", EditorLoader)
    assert found == ["on", "yes", "12:30", 1, 1000.0, 1.0, True, None, 16]


@pytest.mark.parametrize("kind", KINDS)
def test_each_schema_is_a_schema(kind: str) -> None:
    made = schema(kind)
    Draft202012Validator.check_schema(made)
    assert made["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert made["title"] == f"panelproof {kind} file, format 1"


def demo_of(kind: str) -> list[Path]:
    return sorted(demo_folder().glob(f"*.{kind}.yaml"))


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_of_file_is_shipped(kind: str) -> None:
    assert demo_of(kind)


@pytest.mark.parametrize(
    ("kind", "path"),
    [pytest.param(kind, path, id=path.name) for kind in KINDS for path in demo_of(kind)],
)
def test_the_shipped_files_fit_their_schema(kind: str, path: Path) -> None:
    assert complaints(kind, path.read_text(encoding="utf-8")) == []


# what the loader takes: names that an editor reads as numbers and truth values, and every other spelling
TAKEN: list[tuple[str, str, tuple[str, str]]] = [
    ("every key of a panel", "panel", ("format: 1", "format: 1")),
    ("every key of a bench", "bench", ("format: 1", "format: 1")),
    ("format in quotes", "panel", ("format: 1", "format: '1'")),
    ("revision a number", "panel", ("revision: C", "revision: 1.0")),
    ("diagram number a number", "panel", ("number: TH-D-9", "number: 114")),
    ("title a truth value", "panel", ("title: Run relay", "title: true")),
    ("modification a number", "panel", ("[M2]", "[2]")),
    ("positions true and false", "panel",
     ("{positions: ['0', 1, 2], contacts: {1-2: {closed in: [1, 2]}}",
      "{positions: [false, true], contacts: {1-2: {closed in: [true]}}")),
    ("ohm sign", "panel", ("R1: 60 ohm", "R1: 60 \u03a9")),
    ("no space", "panel", ("R1: 60 ohm", "R1: 60ohm")),
    ("tag that looks like a number", "panel", ("W8: [PE, X1:20", "1e3: [PE, X1:20")),
    ("nothing for a rating", "panel", ("rating: 6 A}", "rating: }")),
    ("suppression left out", "panel", (", suppression: 900 ohm", "")),
    ("channel in quotes", "bench", ("channel: 14", "channel: '14'")),
    ("settings of every kind", "bench", ("{host: io2}", "{host: io2, port: '502', unit: 1}")),
    ("true in quotes", "bench", ("channel: 31, inverted: true", "channel: 31, inverted: 'true'")),
    ("forbidden number", "bench", ("S4: '1'", "S4: 1")),
]  # fmt: skip
EXAMPLES = {"panel": PANEL, "bench": BENCH}


@pytest.mark.parametrize(("kind", "edit"), [row[1:] for row in TAKEN], ids=[row[0] for row in TAKEN])
def test_what_the_loader_takes_the_editor_takes(kind: str, edit: tuple[str, str]) -> None:
    text = edited(EXAMPLES[kind], edit)
    READERS[kind](load_text(text.encode(), "f"))
    assert complaints(kind, text) == []


FOUND: list[tuple[str, str, tuple[str, str]]] = [
    ("unknown key", "panel", ("resistors: {", "resistor: {")),
    ("missing key", "panel", ("nominal: 72 V, ", "")),
    ("no unit", "panel", ("nominal: 72 V", "nominal: 72")),
    ("wrong unit", "panel", ("nominal: 72 V", "nominal: 72 A")),
    ("decimal comma", "panel", ("nominal: 72 V", "nominal: '72,5 V'")),
    ("range of one", "panel", ("range: [50 V, 90 V]", "range: [50 V]")),
    ("range end without a unit", "panel", ("range: [50 V, 90 V]", "range: [50 V, 90]")),
    ("unknown kind", "panel", ("kind: latching", "kind: latched")),
    ("terminal", "panel", ("K1:22, R1:2", "K1 22, R1:2")),
    ("other format", "panel", ("format: 1", "format: 2")),
    ("state", "panel", ("{Y4: on", "{Y4: true")),
    ("channel below zero", "bench", ("channel: 14", "channel: -1")),
    ("flag", "bench", ("channel: 31, inverted: true", "channel: 31, inverted: yes")),
    ("imitated contact", "bench", ("S1.21-22", "S1:21-22")),
]


@pytest.mark.parametrize(("kind", "edit"), [row[1:] for row in FOUND], ids=[row[0] for row in FOUND])
def test_what_an_editor_can_find_it_finds(kind: str, edit: tuple[str, str]) -> None:
    assert complaints(kind, edited(EXAMPLES[kind], edit))


def test_no_default_stands_in_si_units() -> None:
    for kind in KINDS:
        made = schema(kind)
        for part in (made, *made["$defs"].values()):
            defaults = [
                value["default"] for value in part.get("properties", {}).values() if "default" in value
            ]
            assert {type(default) for default in defaults} <= {str}


def test_another_kind() -> None:
    with pytest.raises(UsageError) as caught:
        schema("panels")
    assert str(caught.value) == (
        "no kind of file is called 'panels'; expected panel, bench or sequence; did you mean panel?"
    )
