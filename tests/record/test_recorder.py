"""Events become lines of the journal, generically, and what has no one text is refused by name."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from harness.measure.reading import Reading, Verdict
from harness.record.journal import Journal
from harness.record.recorder import Recorder, kind_of, to_data
from harness.run import events
from harness.run.events import Event, InputsChanged, Progress, StepEnded, StepStarted

READING = Reading(
    of="Y4",
    quantity="time",
    unit="us",
    expected="at most 120 ms",
    read="25 to 48 ms",
    verdict=Verdict.PASS,
    low_us=25_000,
)
STEP_ENDED = StepEnded(
    at_us=2_500_000,
    index=3,
    title="Button in notch 8",
    verdict=Verdict.INCONCLUSIVE,
    rule="guarded",
    positions={"S1": "pressed"},
    readings=(READING,),
    longest_gap_us=9_000,
    missed_below_us=12_000,
    polls=250,
    note="",
)


@dataclass(frozen=True)
class Odd(Event):
    value: Any


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    wall = datetime(2026, 11, 25, tzinfo=UTC)
    with Journal(tmp_path, start_ns=1_500, wall=wall, version="0", identity={}) as journal:
        yield journal


def lines(journal: Journal) -> list[dict[str, Any]]:
    journal.sync()
    return [json.loads(line) for line in journal.path.read_bytes().splitlines()][1:]


def test_an_event_becomes_a_line(journal: Journal) -> None:
    Recorder(journal)(
        InputsChanged(at_us=70, board="IO1", inputs={"DI3": "on"}, before_us=50, sent_us=60, received_us=70)
    )
    (line,) = lines(journal)
    assert (line["kind"], line["at_us"]) == ("inputs changed", 70)
    assert line["data"] == {
        "board": "IO1",
        "inputs": {"DI3": "on"},
        "before_us": 50,
        "sent_us": 60,
        "received_us": 70,
    }


def test_readings_and_verdicts_inside_an_event(journal: Journal) -> None:
    Recorder(journal)(STEP_ENDED)
    data = lines(journal)[0]["data"]
    assert (data["verdict"], data["positions"]) == ("inconclusive", {"S1": "pressed"})
    assert data["readings"] == [
        {
            "of": "Y4",
            "quantity": "time",
            "unit": "us",
            "expected": "at most 120 ms",
            "read": "25 to 48 ms",
            "verdict": "pass",
            "low_us": 25_000,
            "high_us": None,
            "late_us": None,
            "note": "",
        }
    ]


def test_what_is_for_the_screen_alone_is_left_out(journal: Journal) -> None:
    record = Recorder(journal)
    record(Progress(at_us=1, index=0, doing="settling", states={"Y4": True}))
    record(StepStarted(at_us=2, index=0, title="Rest"))
    assert [line["kind"] for line in lines(journal)] == ["step started"]


def test_a_step_is_on_the_disk_when_it_ends(journal: Journal) -> None:
    record = Recorder(journal, sync_after=frozenset({"step ended"}))
    record(StepStarted(at_us=1, index=0, title="Rest"))
    assert journal.path.read_bytes().count(b"\n") == 1
    record(STEP_ENDED)
    assert journal.path.read_bytes().count(b"\n") == 3


@pytest.mark.parametrize(
    ("make", "kind"),
    [
        pytest.param(lambda: InputsChanged, "inputs changed", id="two words"),
        pytest.param(lambda: Event, "event", id="one word"),
        pytest.param(lambda: type("IO1Found", (), {}), "io1 found", id="digits"),
    ],
)
def test_kind(make: Callable[[], type], kind: str) -> None:
    assert kind_of(make()) == kind


def test_no_two_events_of_the_runner_share_a_kind_and_none_takes_the_journals_own() -> None:
    classes = [c for c in vars(events).values() if isinstance(c, type) and issubclass(c, Event)]
    kinds = [kind_of(event) for event in classes]
    assert len(classes) > 5
    assert len(set(kinds)) == len(kinds)
    assert not {"opened", "sealed"} & set(kinds)


@pytest.mark.parametrize(
    ("value", "data"),
    [
        pytest.param((1, (2, "a")), [1, [2, "a"]], id="tuples"),
        pytest.param(frozenset({"b", "a"}), ["a", "b"], id="set in order"),
        pytest.param({2, "a", None}, ["a", 2, None], id="mixed set, in the order of its texts"),
        pytest.param({"a": None, "b": (True,)}, {"a": None, "b": [True]}, id="dict"),
        pytest.param(Verdict.ERROR, "error", id="verdict"),
    ],
)
def test_values(value: object, data: object) -> None:
    assert to_data(value) == data


class Word(str):
    __slots__ = ()


@pytest.mark.parametrize(
    ("value", "message"),
    [
        pytest.param(
            0.3, r"value: 0\.3 \(float\) cannot be recorded; state it in whole us or mV", id="float"
        ),
        pytest.param({"S1": (1, 2.5)}, r"value\.S1\[1\]: 2\.5 \(float\)", id="float inside"),
        pytest.param(Path("a"), r"\(PosixPath\) cannot be recorded", id="path"),
        pytest.param(b"a", r"\(bytes\) cannot be recorded", id="bytes"),
        pytest.param({1: "a"}, r"value: key 1 \(int\) is not text", id="key"),
        pytest.param(Word("a"), r"\(Word\) cannot be recorded", id="kind of text"),
    ],
)
def test_refused_by_name_and_nothing_written(journal: Journal, value: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Recorder(journal)(Odd(at_us=1, value=value))
    assert lines(journal) == []
