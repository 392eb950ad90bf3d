"""The shipped sequences run in virtual time: a sound panel passes, each described fault does not."""

from __future__ import annotations

from pathlib import Path

import pytest
from demo_runs import SEQUENCES, run

from harness.panel.faults import single_faults
from harness.panel.files import load_panel

SHIPPED = {
    "th-s0": "th-s0",
    "th-p1": "th-p1",
    "th-p1-lowest": "th-p1",
    "th-p1-notches": "th-p1",
    "th-p1-soak": "th-p1",
}
TH_G2 = {"th-g2", "th-g2-lowest", "th-g2-notches"}
"""Run in test_th_g2."""


def coil_faults() -> list[tuple[str, str]]:
    pairs = []
    for sequence, panel in SHIPPED.items():
        relays = load_panel(SEQUENCES / f"{panel}.panel.yaml").panel
        pairs += [(sequence, fault.name) for fault in single_faults(relays) if fault.kind == "coil open"]
    return pairs


def test_every_shipped_sequence_is_run() -> None:
    shipped = {path.name.removesuffix(".sequence.yaml") for path in SEQUENCES.glob("*.sequence.yaml")}
    assert shipped == set(SHIPPED) | TH_G2


def test_every_relay_has_an_open_coil_to_find() -> None:
    assert len(coil_faults()) == 1 + 4 * 4


@pytest.mark.parametrize("name", SHIPPED)
def test_sound_panel_passes_and_is_called_simulated(name: str, tmp_path: Path) -> None:
    done = run(name, tmp_path)
    assert (done.status, done.answer["verdict"], done.wrong()) == (0, "pass", [])
    assert done.answer["simulated"] is True


@pytest.mark.parametrize(("name", "fault"), coil_faults(), ids=str)
def test_open_coil_is_found(name: str, fault: str, tmp_path: Path) -> None:
    done = run(name, tmp_path, fault)
    assert (done.status, done.answer["verdict"]) == (1, "fail")


# Sequence, fault, end of the title of the first step that fails, and a load or relay that reads wrong there.
DESCRIBED = [
    ("th-p1", "K1.51-52 stuck open", "button at idle", "Y4"),
    ("th-p1", "W20 open X1:3-K2:13", "button at idle", "Y4"),
    ("th-p1", "K1.13-14 stuck closed", "button in notch 2", "Y1"),
    ("th-p1", "K4.17-18 stuck open", "Start bypass time of the low oil alarm", "P1"),
    ("th-p1", "K4.17-18 stuck closed", "Start bypass time of the low oil alarm", "P1"),
    ("th-p1-lowest", "R1 wrong value high", "lowest train line at idle", "Y4"),
    ("th-p1", "K3.21-22 stuck open", "notch 2", "Y1"),
    ("th-p1", "K2 coil open", "coolant low at idle", "Y4"),
    ("th-p1", "V1 shorted", "coolant low at idle", "P1"),
    ("th-p1", "W32-W33 exchanged", "notch 3", "Y2"),
    ("th-p1", "W34-W21 shorted", "Inputs at rest", "Y4"),
    ("th-s0", "K1.13-14 stuck open", "Start button let go, the seal-in holds", "K1"),
    ("th-s0", "K1.13-14 stuck closed", "Inputs at rest", "K1"),
    ("th-s0", "K1 coil open", "start", "P1"),
]


@pytest.mark.parametrize(("name", "fault", "title", "of"), DESCRIBED, ids=str)
def test_described_fault_fails_first_where_the_readme_says(
    name: str, fault: str, title: str, of: str, tmp_path: Path
) -> None:
    done = run(name, tmp_path, fault)
    assert (done.status, done.answer["verdict"]) == (1, "fail")
    assert done.wrong()[0].endswith(title)
    assert of in {reading["of"] for reading in done.readings(title)}


def test_a_wrong_r1_passes_at_nominal_supply(tmp_path: Path) -> None:
    assert run("th-p1", tmp_path, "R1 wrong value high").answer["verdict"] == "pass"


def test_an_open_stop_wire_leaves_the_coolant_stop_whole(tmp_path: Path) -> None:
    wrong = run("th-p1", tmp_path, "W20 open X1:3-K2:13").wrong()
    assert any("button in notch 8" in title for title in wrong)
    assert not [title for title in wrong if "Low coolant" in title]


def test_a_lost_speed_feed_is_seen_as_y4_alone_in_notch_5(tmp_path: Path) -> None:
    done = run("th-p1-notches", tmp_path, "K3.21-22 stuck open")
    watches = [r for r in done.readings("Up, notch by notch: notch 5") if r["quantity"] == "watch"]
    assert [r["expected"].startswith("never Y4 on, Y1 off") for r in watches] == [True]


def test_a_run_relay_that_is_slow_to_release_is_late_with_its_time(tmp_path: Path) -> None:
    late = run("th-p1", tmp_path, "K1 slow to release").readings("Button to Y4 in notch 8")
    assert late
    assert all(reading["late"] for reading in late)


@pytest.mark.parametrize("contact", ["13-14", "23-24", "33-34", "43-44", "51-52"])
def test_a_burnt_contact_that_starves_a_solenoid_does_not_read_as_energised(
    contact: str, tmp_path: Path
) -> None:
    """500 ohm leave 16.6 V of 72 V, but all of it stands across the coil while the current rises."""
    assert run("th-p1", tmp_path, f"K1.{contact} high resistance").answer["verdict"] == "fail"
