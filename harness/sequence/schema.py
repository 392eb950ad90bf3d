"""JSON Schema of each kind of file, from the models that read it, so that editors complete and check.

A schema is never stricter than the loader for what an editor's YAML reader makes of a file: `1` there is a
number where the loader keeps text. It is less strict: names, voltages and wires only the loader checks.
"""

from __future__ import annotations

import importlib
from typing import Any

from harness.errors import UsageError
from harness.wording import either, nearest

DRAFT = "https://json-schema.org/draft/2020-12/schema"
_MODELS = {
    "panel": "harness.panel.file_shape:PanelShape",
    "bench": "harness.bench.file_shape:BenchShape",
    "sequence": "harness.sequence.file_shape:SequenceShape",
}
KINDS = tuple(_MODELS)


def schema(kind: str) -> dict[str, Any]:
    """The JSON Schema of `panel`, `bench` or `sequence` files. Raises UsageError for another kind."""
    if kind not in _MODELS:
        raise UsageError(
            f"no kind of file is called {kind!r}; expected {either(KINDS)}{nearest(kind, KINDS)}"
        )
    module, _, name = _MODELS[kind].partition(":")
    model: Any = getattr(importlib.import_module(module), name)
    made = _tidy(model.model_json_schema(by_alias=True))
    made["$defs"] = {key: _tidy(part) for key, part in made.get("$defs", {}).items()}
    return {"$schema": DRAFT, "title": f"panelproof {kind} file, format 1"} | made


def _tidy(part: dict[str, Any]) -> dict[str, Any]:
    """Without what would mislead a person: made-up titles, and defaults in SI units instead of file text."""
    kept = {key: value for key, value in part.items() if key != "title"}
    if "properties" in kept:
        kept["properties"] = {key: _tidy_property(value) for key, value in kept["properties"].items()}
    return kept


def _tidy_property(part: dict[str, Any]) -> dict[str, Any]:
    default = part.get("default")
    drop = {"title"} if isinstance(default, str) else {"title", "default"}
    return {key: value for key, value in part.items() if key not in drop}
