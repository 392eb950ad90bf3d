"""A small invented panel with its bench, table and sequence as file texts, for tests of loading and review.

XS-1: the controller S2 picks up the run relay K1 in notches 1 and 2, which feeds Y1. The stop button S1 drops
K1 and then feeds the shutdown solenoid Y4 through K1's break contact.
"""

from __future__ import annotations

from pathlib import Path

PANEL = """\
format: 1
panel: XS-1
title: Small stop panel
diagram: {number: XD-1, revision: A}
supplies:
  main: {positive: L+, negative: L-, nominal: 72 V, range: [50 V, 90 V]}
devices:
  S1:
    positions: [released, pressed]
    contacts: {13-14: {closed in: [pressed]}, 21-22: {closed in: [released]}}
  S2: {positions: [idle, 1, 2], contacts: {13-14: {closed in: [1, 2]}}}
breakers:
  F1: {poles: [1-2]}
relays:
  K1:
    coil: {resistance: 900 ohm, inductance: 4 H, pick-up: 36 V, drop-out: 8 V, suppression: diode}
    operate: [15 ms, 35 ms]
    release: [20 ms, 50 ms]
    contacts: {13-14: make, 21-22: break, 33-34: make, 41-42: break, 51-52-54: change-over}
loads:
  Y1: {resistance: 150 ohm, inductance: 1.2 H, pick-up: 28 V, drop-out: 6 V}
  Y4: {resistance: 120 ohm, inductance: 1.2 H, pick-up: 28 V, drop-out: 6 V}
wires:
  W1: [L+, F1:1]
  W2: [F1:2, X1:1, S1:21, S1:13, K1:13]
  W3: [S1:22, X1:2, S2:13]
  W4: [S2:14, X1:3, K1:A1]
  W5: [K1:14, X1:4, Y1:1]
  W6: [S1:14, X1:5, K1:21]
  W7: [K1:22, X1:6, Y4:1]
  W9: [L-, X1:9, K1:A2, Y1:2, Y4:2]
stopped: {Y4: on, Y1: off}
"""

BENCH = """\
format: 1
bench: XB-1
simulated: true
boards:
  IO1:
    driver: simulated
    outputs: 8
    inputs: 8
    poll: 5 ms
    input age: 1 ms
    output delay: [2 ms, 8 ms]
    ratings: {highest voltage: 150 V, breaking current: 1 A}
    input: {on: 28 V, off: 12 V, resistance: 47 kohm, filter: 3 ms, highest voltage: 150 V}
outputs:
  DO0: {board: IO1, channel: 0, imitates: S1.13-14, terminals: [X1:1, X1:5]}
  DO1: {board: IO1, channel: 1, imitates: S1.21-22, terminals: [X1:2, X1:1], contact: break}
  DO2: {board: IO1, channel: 2, imitates: S2.13-14}
inputs:
  DI0: {board: IO1, channel: 0, watches: Y1, proves: load, terminals: [X1:4, X1:9]}
  DI1: {board: IO1, channel: 1, watches: Y4, proves: load, terminals: [X1:6, X1:9]}
  DI2:
    {board: IO1, channel: 2, watches: K1, proves: contact, terminals: [K1:33, K1:34],
     wetting: 24 V, on: 15 V, off: 5 V}
hand: [F1, main]
"""

TABLE = """\
# panel: xs-1.panel.yaml
row,S1,S2,F1,K1,Y1,Y4,stop from
idle,,,,off,off,off,
notch 1,,1,,on,on,off,
notch 2,,2,,on,on,off,
button at idle,pressed,,,off,off,on,idle
button in notch 1,pressed,1,,off,off,on,notch 1
F1 open,,,open,off,off,off,
"""

HEAD = """\
format: 1
title: Stops
panel: xs-1.panel.yaml
bench: xs-1.bench.yaml
expected: {table: xs-1.table.csv}
"""


def write_files(
    folder: Path,
    steps: str = "steps: [rows: all]\n",
    *,
    head: str = HEAD,
    panel: str = PANEL,
    bench: str = BENCH,
    table: str = TABLE,
) -> Path:
    """Write all four files into `folder` and return the path of the sequence."""
    for name, text in (("panel.yaml", panel), ("bench.yaml", bench), ("table.csv", table)):
        (folder / f"xs-1.{name}").write_text(text, encoding="utf-8")
    path = folder / "xs-1.sequence.yaml"
    path.write_text(head + steps, encoding="utf-8")
    return path


def changed(text: str, *changes: tuple[str, str]) -> str:
    """`text` with each (old, new) replaced; the old text must be there exactly once."""
    for old, new in changes:
        if text.count(old) != 1:
            raise ValueError(f"{old!r} stands {text.count(old)} times in the text")
        text = text.replace(old, new)
    return text


MARK = "\N{REFERENCE MARK}"


def marked(text: str) -> tuple[str, str]:
    """Text with its one mark taken out, and `line:column` of where the mark stood."""
    before, mark, after = text.partition(MARK)
    if not mark or MARK in after:
        raise ValueError("expected exactly one mark in the text")
    lines = before.split("\n")
    return before + after, f"{len(lines)}:{len(lines[-1]) + 1}"
