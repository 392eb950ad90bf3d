"""`panelproof table`: the truth table from the circuit, compared with a written one, and explanations."""

from __future__ import annotations

import argparse
import csv
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, TextIO

from harness.cli.output import columns, print_json
from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.panel.parts import Panel
    from harness.panel.table import DerivedRow, DerivedTable

WORDS = {True: "on", False: "off", None: "?"}


def do(args: argparse.Namespace, out: TextIO, _err: TextIO) -> int:
    """Print what is asked for; 1 when a written table differs from the circuit, else 0."""
    panel = _panel(args)
    how: dict[str, Any] = {
        "volts": _volts(panel, args.supply),
        "coil_temperature_c": _celsius(args.temperature),
    }
    places = _positions(panel, args.positions)
    if args.explain:
        return _explain(args, panel, places, how, out)
    if args.against:
        return _compare(args, panel, how, out)
    from harness.panel.table import derive_table

    table = derive_table(panel, fixed=places, with_breakers=args.breakers, **how)
    chosen = "json" if args.json else args.format
    if chosen == "text":
        print(_conditions(args, panel), file=out)
    _PRINTERS[chosen](panel, table, out)
    return 0


def _conditions(args: argparse.Namespace, panel: Panel) -> str:
    """At what supply and coil temperature, with which faults; and whether that supply is in range."""
    nominal = ", ".join(f"{supply.nominal_v:g} V" for supply in panel.supplies)
    words = [f"supply {args.supply or nominal}", f"coils at {args.temperature}", *args.fault]
    words += [] if args.breakers else ["breakers closed unless said"]
    volts = _volts(panel, args.supply) or {}
    for supply in panel.supplies:
        low, high = supply.range_v.low, supply.range_v.high
        if not low <= volts.get(supply.tag, low) <= high:
            words.append(f"OUTSIDE the range of {low:g} to {high:g} V")
    return ", ".join(words)


def _panel(args: argparse.Namespace) -> Panel:
    from harness.demo_files import resolve
    from harness.panel.faults import apply_all
    from harness.panel.files import load_panel

    return apply_all(load_panel(resolve(args.panel)).panel, args.fault)


def _volts(panel: Panel, text: str | None) -> dict[str, float] | None:
    from harness.units import VOLTAGE, parse

    if text is None:
        return None
    try:
        volts = parse(text, VOLTAGE)
    except ValueError as error:
        raise UsageError(f"--supply: {error}") from error
    return {supply.tag: volts for supply in panel.supplies}


def _celsius(text: str) -> float:
    from harness.units import TEMPERATURE, parse

    try:
        return parse(text, TEMPERATURE)
    except ValueError as error:
        raise UsageError(f"--temperature: {error}") from error


def _positions(panel: Panel, words: list[str]) -> dict[str, str]:
    places: dict[str, str] = {}
    for word in words:
        tag, equals, position = word.partition("=")
        if not equals or tag in places:
            raise UsageError(f"{word!r}: write DEVICE=POSITION, each device once, as in S1=pressed")
        allowed = panel.positions.get(tag)
        if allowed is None:
            raise UsageError(f"{word!r}: panel {panel.tag} has no {tag}; it has {', '.join(panel.positions)}")
        if position not in allowed:
            raise UsageError(f"{word!r}: {tag} can be {', '.join(allowed)}")
        places[tag] = position
    return places


def _explain(
    args: argparse.Namespace, panel: Panel, places: dict[str, str], how: dict[str, Any], out: TextIO
) -> int:
    from harness.panel.explain import explain

    explanation = explain(panel, args.explain, places, **how)
    if args.json or args.format == "json":
        print_json(explanation.as_json(), out)
    else:
        print("\n".join(explanation.lines), file=out)
    return 0


def _compare(args: argparse.Namespace, panel: Panel, how: dict[str, Any], out: TextIO) -> int:
    from harness.demo_files import resolve
    from harness.panel.compare import compare
    from harness.panel.table_file import load_table

    written = load_table(resolve(args.against), panel)
    differences = compare(panel, written, **how)
    if args.json or args.format == "json":
        listed = [difference.as_json() for difference in differences]
        print_json({"panel": panel.tag, "rows": len(written.rows), "differences": listed}, out)
        return 1 if differences else 0
    for difference in differences:
        print(f"{args.against}:{difference.line}: {difference}", file=out)
    count = f"differences: {len(differences)}" if differences else "no difference"
    print(
        f"{panel.tag}: {len(written.rows)} rows of {args.against} compared with the circuit, {count}",
        file=out,
    )
    return 1 if differences else 0


def _as_text(panel: Panel, table: DerivedTable, out: TextIO) -> None:
    noted = any(row.notes for row in table.rows)
    head = (*table.devices, "|", *table.outputs, *(("notes",) if noted else ()))
    rows = [head]
    for row in table.rows:
        notes = (", ".join(row.notes),) if noted else ()
        rows.append((*row.positions.values(), "|", *_cells(row, table), *notes))
    print(f"{panel.tag} {panel.title}: {len(table.rows)} rows from its circuit", file=out)
    print("Each row from rest: all devices move at the same moment, then the panel settles.", file=out)
    print("\n".join(columns(rows)), file=out)


def _cells(row: DerivedRow, table: DerivedTable) -> list[str]:
    return [WORDS[row.states[tag]] for tag in table.outputs]


def _as_csv(_panel: Panel, table: DerivedTable, out: TextIO) -> None:
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["row", *table.devices, *table.outputs, "note"])
    for number, row in enumerate(table.rows, start=1):
        cells = ["-" if row.states[tag] is None else WORDS[row.states[tag]] for tag in table.outputs]
        writer.writerow([f"row {number}", *row.positions.values(), *cells, ", ".join(row.notes)])


def _as_json(panel: Panel, table: DerivedTable, out: TextIO) -> None:
    print_json({"panel": panel.tag} | table.as_json(), out)


def _as_yaml(panel: Panel, table: DerivedTable, out: TextIO) -> None:
    """JSON flow values, one row a line: YAML that any reader takes, and that a person can edit."""
    print(f"format: 1\npanel: {json.dumps(panel.tag)}\nrows:", file=out)
    for row in table.rows:
        states = {
            tag: "undecided" if row.states[tag] is None else WORDS[row.states[tag]] for tag in table.outputs
        }
        entry: Mapping[str, Any] = {"positions": row.positions, "states": states, "notes": list(row.notes)}
        print(f"- {json.dumps(entry, ensure_ascii=False)}", file=out)


_PRINTERS = {"text": _as_text, "csv": _as_csv, "json": _as_json, "yaml": _as_yaml}
