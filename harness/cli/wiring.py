"""`panelproof wiring`: which channel goes to which terminals, cautions first."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any, TextIO

from harness.cli.output import columns, print_json

if TYPE_CHECKING:
    from harness.bench.parts import Bench
    from harness.panel.parts import Panel


def do(args: argparse.Namespace, out: TextIO, _err: TextIO) -> int:
    """Print the hook-up list; the files must be without problems. Returns the exit status."""
    from harness.bench.cautions import cautions
    from harness.cli.loading import load_checked

    loaded = load_checked(args.sequence, args.bench)
    panel, bench = loaded.panel, loaded.bench
    if args.json:
        document = {"panel": panel.tag, "bench": bench.tag, "cautions": cautions(panel)}
        print_json(document | {"connections": _connections(bench)}, out)
        return 0
    print(f"Hook-up of panel {panel.tag} ({panel.title}) to bench {bench.tag}", file=out)
    print("\nCautions", file=out)
    for caution in cautions(panel):
        print(f"  - {caution}", file=out)
    print("", file=out)
    _print_tables(panel, bench, out)
    return 0


def _connections(bench: Bench) -> list[dict[str, Any]]:
    outputs = [
        {"channel": o.name, "board": o.board, "number": o.channel, "for": ".".join(o.imitates)}
        | {"terminals": list(o.terminals)}
        for o in bench.outputs
    ]
    inputs = [
        {"channel": i.name, "board": i.board, "number": i.channel, "for": i.watches, "proves": i.proves}
        | {"terminals": list(i.terminals), "inverted": i.inverted}
        | {"on_v": i.on_v, "off_v": i.off_v, "wetting_v": i.wetting_v}
        for i in bench.inputs
    ]
    return outputs + inputs


def _print_tables(panel: Panel, bench: Bench, out: TextIO) -> None:
    outputs = [("output", "board", "no.", "imitates", "from", "to", "bench contact")]
    for o in bench.outputs:
        kind = "break" if o.normally_closed else "make"
        outputs.append((o.name, o.board, str(o.channel), ".".join(o.imitates), *o.terminals, kind))
    inputs = [("input", "board", "no.", "watches", "from (+)", "to (-)", "proves", "on / off", "wetting")]
    for i in bench.inputs:
        proves = "spare contact" if i.proves == "contact" else f"{i.proves} voltage"
        proves += ", on while dropped out" if i.inverted else ""
        wetting = f"{i.wetting_v:g} V from the bench" if i.wetting_v else "none"
        limits = f"{i.on_v:g} V / {i.off_v:g} V"
        inputs.append((i.name, i.board, str(i.channel), i.watches, *i.terminals, proves, limits, wetting))
    for rows in (outputs, inputs):
        print("\n".join(columns(rows)), end="\n\n", file=out)
    for line in _notes(panel, bench):
        print(line, file=out)


def _notes(panel: Panel, bench: Bench) -> list[str]:
    levels = {supply.tag: supply.levels for supply in panel.supplies}
    notes = [f"set by hand: {tag}" for tag in bench.hand_set if tag not in levels]
    notes += _watchdogs(bench)
    for supply in panel.supplies:
        volts = ", ".join(f"{v:g} V {name}" for name, v in supply.levels.items())
        notes.append(f"supply {supply.tag}: + to {supply.positive}, - to {supply.negative}; {volts}")
    for name, side, channel, meaning in (
        ("supply contactor", "output", bench.contactor, "closes the panel's supply while on"),
        ("supply present", "input", bench.supply_present, "supply present"),
        ("emergency stop", "input", bench.emergency_stop, "pressed, or its loop broken,"),
    ):
        if channel is not None:
            state = "" if side == "output" else f" while {'off' if channel.inverted else 'on'}"
            notes.append(f"{name}: board {channel.board}, {side} {channel.channel}, {meaning}{state}")
    return notes + _registers(bench)


def _watchdogs(bench: Bench) -> list[str]:
    notes = []
    for board in bench.boards:
        if board.safe_on:
            notes.append(f"board {board.name}: on in the safe state: {', '.join(map(str, board.safe_on))}")
        if (watchdog := board.watchdog) is not None:
            loop = f", looped to input {watchdog.proof_input}" if watchdog.proof_input is not None else ""
            text = f"watchdog of board {board.name}: proved on output {watchdog.proof_output}{loop}"
            notes.append(f"{text}, which switches with the panel's supply off")
    return notes


def _registers(bench: Bench) -> list[str]:
    notes = []
    for measure in bench.measures:
        side = "before" if measure.before_contactor else "behind"
        of = f", supply {measure.of} {side} its contactor" if measure.of else ""
        notes.append(
            f"measure {measure.name}: board {measure.board}, {measure.table} register {measure.register}{of}"
        )
    for setting in bench.supply_settings:
        text = f"supply {setting.of}: set by the run, board {setting.board}, register {setting.register}"
        notes.append(text)
    return notes
