"""Small benches for tests of the simulated rig: one button, one resistor, one breaker, one relay."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from small_panels import breaker, button, load, panel, relay, resistor

from harness.bench.parts import Bench, BoardSpec, InputChannel, OutputChannel
from harness.panel.parts import Panel, Span


def small_panel() -> Panel:
    """F1 feeds S1:13-14 and R1, at once; S1 also the relay K1, whose make contact feeds Y4."""
    return panel(
        [
            button("S1", {"13-14": "make"}),
            button("S9", {"11-12": "break"}),
            breaker("F1"),
            relay("K1", {"13-14": "make"}),
            load("Y4"),
            resistor("R1", 1000.0),
            resistor("R9", 1000.0),
        ],
        """
        W1 L+ F1:1
        W2 F1:2 S1:13 S9:11 K1:13
        W3 S1:14 R1:1 K1:A1
        W4 K1:14 Y4:1
        W5 S9:12 R9:1
        W6 L- R1:2 K1:A2 Y4:2 R9:2
        """,
    )


def board(name: str = "IO1", **changes: Any) -> BoardSpec:
    made = BoardSpec(name=name, driver="simulated", settings={}, output_count=4, input_count=8)
    return replace(made, **changes)


def probe(name: str, channel: int, tag: str, ends: tuple[str, str], **changes: Any) -> InputChannel:
    made = InputChannel(
        name=name,
        board="IO1",
        channel=channel,
        watches=tag,
        proves="load",
        terminals=ends,
        resistance_ohm=47_000.0,
        on_v=11.0,
        off_v=5.0,
    )
    return replace(made, **changes)


def small_bench(**changes: Any) -> Bench:
    """Output 0 is S1; inputs: 0 sees R1 (at once), 1 sees Y4 (after K1)."""
    made = Bench(
        tag="TH-B9",
        title="Bench of a test",
        boards=(board(),),
        outputs=(
            OutputChannel(
                name="DO0", board="IO1", channel=0, imitates=("S1", "13-14"), terminals=("S1:13", "S1:14")
            ),
        ),
        inputs=(
            probe("DI0", 0, "R1", ("R1:1", "R1:2")),
            probe("DI1", 1, "Y4", ("Y4:1", "Y4:2")),
        ),
        simulated=True,
    )
    return replace(made, **changes)


def delays(low_s: float, high_s: float) -> Span:
    return Span(low_s, high_s)
