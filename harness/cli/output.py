"""Printing JSON documents and plain columns; no colour, no heavy import."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, TextIO

FORMAT = 1


def print_json(document: Mapping[str, Any], out: TextIO) -> None:
    """One JSON document, `format` first."""
    print(json.dumps({"format": FORMAT} | dict(document), ensure_ascii=False, indent=2), file=out)


def columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows as lines with aligned columns, two spaces between."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in rows]


def program_version() -> str:
    """The installed version; `0+checkout` when run from files that were never installed."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("panelproof")
    except PackageNotFoundError:
        return "0+checkout"
