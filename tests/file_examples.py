"""A panel and a bench file that use every key, and the tools to change them at one place."""

from __future__ import annotations

from hypothesis import strategies as st

PANEL = """\
format: 1
panel: TH-T1
title: Panel of every part
diagram: {number: TH-D-9, revision: C, modifications: [M2]}
supplies:
  main: {positive: L+, negative: L-, nominal: 72 V, range: [50 V, 90 V]}
  lamps: {positive: N+, negative: L-, nominal: 24 V, range: [18 V, 30 V]}
earth: PE
devices:
  S1:
    title: Stop push-button
    positions: [released, pressed]
    contacts: {13-14: {closed in: [pressed]}, 21-22: {closed in: [released]}}
  S2: {positions: ['0', 1, 2], contacts: {1-2: {closed in: [1, 2]}}, change: overlap}
breakers:
  F1: {title: Control breaker, poles: [1-2, 3-4], rating: 6 A}
relays:
  K1:
    title: Run relay
    coil: {resistance: 900 ohm, inductance: 4 H, pick-up: 36 V, drop-out: 8 V, suppression: diode}
    operate: [15 ms, 35 ms]
    release: [20 ms, 50 ms]
    bounce: 2 ms
    gap: 3 ms
    contacts: {13-14: make, 21-22: break, 31-32-34: change-over}
  K2:
    kind: delayed pick-up
    coil: {resistance: 1.8 kohm, inductance: 6 H, pick-up: 40 V, drop-out: 9 V, suppression: 900 ohm}
    operate: [20 ms, 30 ms]
    release: [20 ms, 40 ms]
    delay: [4 s, 6 s]
    contacts: {17-18: make}
  K3:
    kind: latching
    coils:
      A1-A2: {resistance: 500 ohm, inductance: 1 H, pick-up: 40 V, drop-out: 5 V}
      B1-B2: {resistance: 400 ohm, inductance: 1 H, pick-up: 30 V, drop-out: 5 V}
    operate: [12 ms, 30 ms]
    release: [14 ms, 30 ms]
  K4:
    kind: hand-reset
    coil: {resistance: 900 ohm, inductance: 4 H, pick-up: 36 V, drop-out: 8 V}
    operate: [15 ms, 35 ms]
    release: [0 ms, 50 ms]
    reset by: {S1: [pressed]}
loads:
  Y4: {title: Shutdown solenoid, resistance: 150 ohm, inductance: 1.2 H, pick-up: 28 V, drop-out: 6 V}
  P1: {kind: lamp, resistance: 240 ohm, pick-up: 15 V, drop-out: 10 V}
resistors: {R1: 60 ohm}
diodes: {V1: {}, V2: {forward: 0.6 V, resistance: 0.1 ohm}}
wires:
  W1: [L+, F1:1, X1:1]
  W2: [F1:2, S1:13, S1:21, K2:A1, K3:A1, K3:B1, K4:A1]
  W3: [S1:14, X1:7, K1:21]
  W4: [K1:22, R1:2, X1:12, Y4:1, V1:K]
  W5: [S1:22, K1:A1]
  W6: [L-, K1:A2, K2:A2, K3:A2, K3:B2, K4:A2, Y4:2, P1:2, V1:A]
  W7: [N+, P1:1, V2:A]
  W8: [PE, X1:20]
stopped: {Y4: on, K1: off}
not proved: ["The governor's own part"]
"""

BENCH = """\
format: 1
bench: TH-B1
title: Bench of every key
boards:
  IO1:
    driver: modbus-tcp
    outputs: 16
    inputs: 32
    settings: {host: 127.0.0.1, port: 502, unit: 1, first output: 0, first input: 0}
    timeout: 250 ms
    poll: 5 ms
    input age: 1 ms
    output delay: [2 ms, 8 ms]
    ratings: {highest voltage: 150 V, breaking current: 1 A}
    input: {on: 35 V, off: 15 V, resistance: 47 kohm, filter: 3 ms, highest voltage: 150 V}
  IO2: {driver: modbus-tcp, settings: {host: io2}, inputs: 8}
outputs:
  DO0: {board: IO1, channel: 0, imitates: S1.13-14, terminals: [X1:6, X1:7], contact: break}
  DO1: {board: IO1, channel: 14, imitates: S1.21-22}
inputs:
  DI0: {board: IO1, channel: 0, watches: Y4, proves: load, terminals: [X1:12, L-]}
  DI1:
    board: IO2
    channel: 7
    watches: K1
    proves: contact
    terminals: [K1:13, K1:14]
    on: 12 V
    off: 6 V
    resistance: 4.7 kohm
    filter: 0 ms
    wetting: 24 V
    highest voltage: 60 V
    both polarities: true
    inverted: true
hand: [F1, main]
supply: {contactor: {board: IO1, channel: 15}, present: {board: IO1, channel: 30}}
emergency stop: {board: IO1, channel: 31, inverted: true}
forbidden: [{S3: low, S4: '1'}]
longest on: {Y4: 10 s}
"""


def edited(text: str, *edits: tuple[str, str]) -> str:
    """`text` with each first text, which stands there exactly once, replaced by the second."""
    for old, new in edits:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
        text = text.replace(old, new)
    return text


def place(text: str, needle: str) -> str:
    """Line and column at which `needle`, which stands there exactly once, begins."""
    assert text.count(needle) == 1, f"{needle!r} stands {text.count(needle)} times"
    before = text[: text.index(needle)]
    return f"{before.count(chr(10)) + 1}:{len(before) - before.rfind(chr(10))}"


_BITS = [
    "",
    "~",
    "[]",
    "{}",
    "'",
    "K1",
    "X1:7",
    "0 V",
    "1e3",
    ": ",
    ", ",
    "[",
    "}",
    "\n",
    "  ",
    "on",
    "x" * 90,
    "-",
]


@st.composite
def damaged(draw: st.DrawFn, text: str) -> str:
    """`text` with up to three short stretches of it replaced by something that stands in files."""
    for _ in range(draw(st.integers(1, 3))):
        begin = draw(st.integers(0, len(text)))
        end = begin + draw(st.integers(0, 12))
        text = text[:begin] + draw(st.sampled_from(_BITS)) + text[end:]
    return text
