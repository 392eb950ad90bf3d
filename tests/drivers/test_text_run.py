"""Whole runs over a text line in a language of the bench file's own: a console with echo and prompt."""

from __future__ import annotations

from pathlib import Path

import pytest
from line_benches import bench_folder, place_of, serve
from wire_benches import run

pytest.importorskip("pty", reason="this system has no pseudo terminals")

CONSOLE = {
    "write one": "relay {unit}:{channel} {state}",
    "write reply": "relay {unit}:{channel} is {state}",
    "on word": "closed",
    "off word": "open",
    "read outputs": "relays {unit}",
    "outputs reply": "relays {unit}: {image}",
    "read one input": "sense {unit}:{channel}",
    "one input reply": "sense {unit}:{channel} is {state}",
    "identify": "who {unit}",
    "identify reply": "board {unit}: {maker}, {product}, {revision}",
    "image base": "binary",
    "first channel": "left",
    "echo": "true",
    "prompt": "ready> ",
    "line end": "CR",
}


@pytest.mark.parametrize(
    ("fault", "status", "verdict"),
    [((), 0, "pass"), (("--fault", "K1 coil open"), 1, "fail")],
    ids=["good", "faulty"],
)
def test_a_console_that_switches_and_senses_one_channel_at_a_time(
    tmp_path: Path, fault: tuple[str, ...], status: int, verdict: str
) -> None:
    folder = bench_folder(tmp_path)
    own = "".join(f"\n      {key}: {value!r}" for key, value in CONSOLE.items())
    benches = (folder / "th-s0.bench.yaml", folder / "served/th-s0.bench.yaml")
    text = benches[0].read_text().replace("simulated: true\n", "")
    text = text.replace("driver: simulated", f"driver: text-line\n    settings:\n      port: PORT{own}")
    for bench in benches:
        bench.write_text(text)
    with serve(folder, "--text-line", "pty", "--unpaced", *fault) as process:
        benches[0].write_text(text.replace("PORT", place_of(process)))
        found, document, messages = run(folder / "short.sequence.yaml", folder / "logs")
    assert (found, document.get("verdict"), document.get("simulated")) == (status, verdict, True), messages
