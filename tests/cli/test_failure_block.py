"""The end of a failed run: what a fitter reads to find the wire, worked out by hand from the diagrams."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from harness.cli.failed_rows import counted
from harness.cli.hint import first_missed_stop, pointer, wrong_readings
from harness.cli.main import main
from harness.cli.result import _failures
from harness.cli.screen import remark
from harness.demo_files import resolve
from harness.measure.reading import Reading, Verdict
from harness.panel.files import load_panel
from harness.panel.parts import Panel
from harness.run.engine import Result, StepResult
from harness.run.events import StepEnded

TH_G2_RETURN = "Y2:2, Y1:2, X1:29, [13 more], X1:30, L-"
TH_G2_STOP = f"K6:14, K9:32, V2:K, X1:16, Y2:1 > {TH_G2_RETURN}"


def block(tmp_path: Path, name: str, fault: str) -> list[str]:
    out = io.StringIO()
    words = ["run", f"demo:{name}.sequence.yaml", "--virtual-time", "--logs", str(tmp_path), "--fault", fault]
    assert main(words, out=out, err=io.StringIO()) == 1
    lines = out.getvalue().splitlines()
    return lines[next(n for n, line in enumerate(lines) if line.startswith("Record: ")) :]


def panel_of(name: str) -> Panel:
    return load_panel(resolve(f"demo:{name}.panel.yaml")).panel


def state(of: str, expected: str, read: str = "", note: str = "") -> Reading:
    verdict = Verdict.FAIL if read else Verdict.PASS
    return Reading(
        of=of, quantity="state", unit="", expected=expected, read=read or expected, verdict=verdict, note=note
    )


def step(title: str, positions: dict[str, str], *readings: Reading) -> StepResult:
    return StepResult(title, max(r.verdict for r in readings), readings, positions)


def of(steps: list[StepResult]) -> Result:
    return Result(simulated=True, steps=steps)


def plain(_: str, text: str) -> str:
    return text


def test_the_first_missed_stop_has_its_path_too(tmp_path: Path) -> None:
    """K5:21-22 does not open. Notch 2 feeds K1 (S2:13-14); notch 3 feeds K3, whose 21-22 then stays open."""
    lines = block(tmp_path, "th-g2", "K5.21-22 stuck closed")
    second = next(n for n, line in enumerate(lines) if line.startswith("FAIL  22. "))
    assert lines[second + 2].startswith("  Y2 (Stabilising coil): expected on, read off")
    path = "L+ > F1 > W2 > F2 > W10 > K4:31-34 > W21 > K3:21-22 > W20 > K6:13-14 > W34 > Y2 > L-"
    fed = lines.index(f"  Y2 should be fed by {path}")
    assert lines[fed + 1] == (
        "    terminals: L+, X1:1, F1:1 > F1:2, F2:1 > F2:2, K1:13, K2:13, K3:13, K4:31 > K4:34, K3:21"
        f" > K3:22, K6:13 > {TH_G2_STOP}"
    )
    cut = next(n for n, line in enumerate(lines) if line.startswith("  K1 should be cut in "))
    assert lines[cut + 1] == (
        "    terminals: L+, X1:1, F1:1 > F1:2, F2:1 > F2:2, K1:13, K2:13, K3:13, K4:31, K5:33, K5:21"
        " > K5:22, X1:3, S2:13 > S2:14, X1:4, K1:A1 > K1:A2, X1:30, L-"
    )
    assert cut < second < fed


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        ((state("K3", "off", "on"),), ""),
        ((state("K3", "off", "on"), state("Y2", "on", "off"), state("Y5", "off", "on")), "; also Y2, Y5"),
        ((state("K3", "off", "on"), state("Y2", "on"), state("K3", "on", "off")), " and 1 more"),
        (
            tuple(state(f"K{n}", "off", "on") for n in range(1, 10)),
            "; also K2, K3, K4, K5, K6, K7 and 2 more",
        ),
    ],
    ids=["one", "names", "the same again", "many"],
)
def test_the_line_of_a_step_names_what_else_is_wrong(readings: tuple[Reading, ...], said: str) -> None:
    event = StepEnded(
        at_us=0,
        index=1,
        title="row",
        verdict=Verdict.FAIL,
        rule="",
        positions={},
        readings=readings,
        longest_gap_us=0,
        missed_below_us=0,
        polls=1,
        note="",
    )
    first = readings[0]
    assert remark(event) == f" - {first.of} expected {first.expected}, read {first.read}{said}"


def test_two_faults_whose_first_rows_fail_alike_are_told_apart(tmp_path: Path) -> None:
    """Beyond the strip W20 serves the button alone; behind K6:13-14 lies the train line as well."""
    wire = block(tmp_path / "wire", "th-g2", "W20 open X1:9-K3:22")
    contact = block(tmp_path / "contact", "th-g2", "K6.13-14 stuck open")
    terminals = (
        "    terminals: L+, X1:1, F1:1 > F1:2, F2:1, F3:1 > F3:2, X1:8, S1:13 > S1:14, X1:9, K3:22, K6:13"
        f" > {TH_G2_STOP}"
    )
    assert terminals in wire
    assert terminals in contact
    assert any(line.startswith("none failed: S3 stop: 0 of ") for line in wire)
    assert any(line.startswith("failed: S1 pressed: ") and "; S3 stop: " in line for line in contact)


def test_a_seal_in_is_not_what_should_pick_its_own_relay_up(tmp_path: Path) -> None:
    lines = block(tmp_path, "th-s0", "K1 coil open")
    assert [line for line in lines if "should be" in line] == [
        "  K1 should be fed by L+ > F1 > W3 > S0:11-12 > W4 > B1:11-12 > W5 > S1:13-14 > W6 > K1 > L-"
    ]
    assert (
        "    terminals: L+, X1:1, F1:1 > F1:2, K1:23, X1:2, S0:11 > S0:12, X1:3, X1:4, B1:11"
        " > B1:12, X1:5, K1:13, X1:6, S1:13 > S1:14, X1:7, K1:14, K1:A1 > K1:A2, X1:9, L-"
    ) in lines


def test_a_missed_stop_far_down_is_shown_in_place_of_the_last_row() -> None:
    speed = [step(f"{n}. notch", {"S2": "2"}, state("K1", "on", "off")) for n in range(1, 7)]
    stop = step("7. button", {"S1": "pressed"}, state("K1", "off"), state("Y2", "on", "off"))
    lines = _failures(of([*speed, stop]), panel_of("th-g2"), plain)
    assert [line for line in lines if line.startswith("FAIL")] == [
        "FAIL  1. notch",
        "FAIL  2. notch",
        "FAIL  7. button",
    ]
    assert any(line.startswith("  Y2 should be fed by ") for line in lines)
    assert "and more steps, all of them above and in the record: 4" in lines


@pytest.mark.parametrize(
    ("readings", "missed", "order"),
    [
        ((state("K1", "off", "on"), state("Y4", "on", "off")), True, ["Y4", "K1"]),
        ((state("K1", "on", "off"), state("Y1", "off", "on"), state("Y4", "off")), False, ["Y1", "K1"]),
        ((state("K1", "on", "off"), state("Y1", "off", "on"), state("Y4", "on")), True, ["Y1", "K1"]),
        ((state("Y4", "on", "off", "after release, not within 200 ms"),), False, ["Y4"]),
    ],
    ids=["feed did not come", "off in a row that stops nothing", "one of four not off", "after the row"],
)
def test_stop_coils_come_first(readings: tuple[Reading, ...], missed: bool, order: list[str]) -> None:
    """TH-P1 stops with Y4 on and Y1, Y2 and Y3 off, all four together."""
    failed, panel = step("row", {"S1": "pressed"}, *readings), panel_of("th-p1")
    assert first_missed_stop([failed], panel) is (failed if missed else None)
    assert [reading.of for reading in wrong_readings(failed, panel)] == order


def test_a_step_whose_state_is_not_reached_from_rest_has_no_pointer() -> None:
    """Sealed in, nothing off rest: from rest K1 stays down, so no path from there tells anything."""
    held = step("sealed in", {}, state("K1", "on", "off"))
    assert pointer(held, panel_of("th-s0")) == []


def test_rows_are_counted_by_what_is_off_rest() -> None:
    good, bad = state("Y2", "on"), state("Y2", "on", "off")
    steps = [
        step("0", {}, good),
        step("1", {"S1": "pressed"}, bad),
        step("2", {"S1": "pressed", "S2": "3"}, bad),
        step("3", {"S3": "stop", "S2": "3"}, good),
        step("4", {"S3": "stop", "S2": "idle"}, good),
    ]
    assert counted(steps, panel_of("th-g2")) == [
        "failed: S1 pressed: 2 of 2; S2 not idle: 1 of 2",
        "none failed: S3 stop: 0 of 2; all at rest: 0 of 1",
    ]
    assert counted(steps[:1], panel_of("th-g2")) == []


def test_counts_take_three_lines_of_80_columns_at_most() -> None:
    panel = panel_of("th-g2")
    moves = [{tag: places[1]} for tag, places in panel.positions.items()]
    for failing in (0, 1, len(moves) // 2, len(moves)):
        reads = ["off" if n < failing else "" for n in range(len(moves))]
        lines = counted(
            [step("row", move, state("Y2", "on", r)) for move, r in zip(moves, reads, strict=True)], panel
        )
        assert sum(-(-len(line) // 80) for line in lines) <= 3
        assert len(lines) == (0 if failing == 0 else 1 if failing == len(moves) else 2)
