"""What the guardian says on standard error: how the run ended, what is not safe, and why it gives up."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from harness.cli.guardian_report import BEGINNING, UNSAFE, Patience, Report
from harness.clock import VirtualClock
from harness.run.guard_plan import Plan
from harness.run.guard_safe import UNREACHED
from harness.run.guard_watch import Ending

REFUSES = "refuses the command (exception 02 (illegal data address))"
REAL, SIMULATED, UNARMED = Patience(None, True), Patience(3.0, True), Patience(5.0, False)


def reporting(folder: Path, patience: Patience) -> tuple[Report, io.StringIO]:
    plan = Plan(
        boards=(),
        contactor=None,
        deadline_s=3.0,
        patience_s=5.0,
        ephemeral=False,
        runner=1,
        folder=str(folder),
        start_ns=0,
        program="1",
        identity={},
    )
    err = io.StringIO()
    clock = VirtualClock()
    return Report(plan, Ending("the run's process ended", 0), err, clock, patience), err


def test_on_a_real_bench_every_line_says_what_to_do_by_hand(tmp_path: Path) -> None:
    report, err = reporting(tmp_path, REAL)
    for left in ({"IO1": UNREACHED, "IO2": UNREACHED}, {"IO1": UNREACHED}, {"IO1": REFUSES}):
        report.waiting(left)
        report.waiting(left)  # no news: said once
    lines = err.getvalue().splitlines()
    assert len(lines) == 3
    for line in lines:
        assert line.startswith("panelproof guardian: the run's process ended; ")
        assert "NOT SAFE as far as is known: switch the panel's supply off by hand; " in line
        assert "It keeps trying (process " in line
        assert "simulated" not in line
    assert "IO1 cannot be reached; IO2 cannot be reached. " in lines[0]
    assert f"IO1 {REFUSES}. " in lines[2]
    assert "cannot be reached" not in lines[2]


@pytest.mark.parametrize(
    ("patience", "left", "said", "unsafe"),
    [
        pytest.param(
            SIMULATED,
            {"IO1": UNREACHED},
            "given up on IO1 after 3 s, because it is simulated and no panel is there;"
            " on a real bench it keeps trying",
            False,
            id="simulated, one",
        ),
        pytest.param(
            SIMULATED,
            {"IO1": UNREACHED, "IO2": UNREACHED},
            "given up on IO1, IO2 after 3 s, because they are simulated and no panel is there;",
            False,
            id="simulated, two",
        ),
        pytest.param(
            SIMULATED,
            {"IO1": REFUSES},
            f"given up on IO1, which {REFUSES}, after 3 s, because the bench is simulated; on a real bench",
            False,
            id="simulated, refusing",
        ),
        pytest.param(
            UNARMED,
            {"IO1": UNREACHED},
            "given up on IO1, which cannot be reached, after 5 s, because the run had switched nothing;",
            True,
            id="nothing switched yet",
        ),
    ],
)
def test_giving_up_says_why(
    patience: Patience, left: dict[str, str], said: str, unsafe: bool, tmp_path: Path
) -> None:
    report, err = reporting(tmp_path, patience)
    report.ended(left, [])
    assert said in err.getvalue()
    assert (UNSAFE in err.getvalue()) == unsafe
    assert err.getvalue().startswith(BEGINNING)
    assert said in (tmp_path / "guardian.jsonl").read_text(encoding="utf-8")
