"""The journal's writer: chained lines, one way only, sealed once, plain words when the disk says no."""

from __future__ import annotations

import hashlib
import json
import os
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from harness.clock import VirtualClock, rfc3339
from harness.errors import RecordError
from harness.record.journal import FIRST_PREV, LONGEST_LINE, Journal, new_run_folder

WALL = datetime(2026, 11, 25, 8, 56, tzinfo=UTC)


def make(folder: Path, *, start_ns: int = 5_000_000_000) -> Journal:
    return Journal(folder, start_ns=start_ns, wall=WALL, version="0.1.0", identity={"panel": "TH-P1"})


def read(folder: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (folder / "journal.jsonl").read_bytes().splitlines()]


def recomputed_hash(line: dict[str, Any]) -> str:
    """SHA-256 of the line without `hash`, by Python's own JSON writer: for ASCII keys the same text."""
    rest = {key: value for key, value in line.items() if key != "hash"}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def test_lines_are_chained_and_numbered(tmp_path: Path) -> None:
    with make(tmp_path) as journal:
        journal.append("wrote", {"board": "IO1", "to": "Türe"}, 5_000_012_999)
        journal.append("read", {"bits": "0f", "of": [None, True]}, 6_000_000_000)
        journal.seal("pass", 7_000_000_000, {"steps": 1})
    lines = read(tmp_path)
    assert [line["seq"] for line in lines] == [0, 1, 2, 3]
    assert [line["kind"] for line in lines] == ["opened", "wrote", "read", "sealed"]
    assert [line["at_us"] for line in lines] == [0, 12, 1_000_000, 2_000_000]
    assert [line["prev"] for line in lines] == [FIRST_PREV, *(line["hash"] for line in lines[:-1])]
    assert [line["hash"] for line in lines] == [recomputed_hash(line) for line in lines]
    assert lines[0]["data"] == {
        "format": 1,
        "identity": {"panel": "TH-P1"},
        "version": "0.1.0",
        "wall": "2026-11-25T08:56:00.000Z",
    }


def test_the_seal_names_every_other_file(tmp_path: Path) -> None:
    (tmp_path / "samples").mkdir()
    (tmp_path / "samples" / "b.csv").write_bytes(b"abc")
    (tmp_path / "panel.yaml").write_bytes(b"")
    journal = make(tmp_path)
    journal.seal("fail", 5_000_000_000)
    seal = read(tmp_path)[-1]["data"]
    assert seal == {
        "files": [  # digests of FIPS 180-2, appendix B.1 ("abc"), and of the empty text
            {
                "path": "panel.yaml",
                "sha256": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
                "size": 0,
            },
            {
                "path": "samples/b.csv",
                "sha256": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
                "size": 3,
            },
        ],
        "lines": 1,
        "summary": {},
        "verdict": "fail",
    }


def test_nothing_can_be_added_after_the_seal(tmp_path: Path) -> None:
    journal = make(tmp_path)
    journal.seal("pass", 5_000_000_000)
    before = journal.path.read_bytes()
    for attempt in (
        lambda: journal.append("read", {}, 6_000_000_000),
        lambda: journal.seal("pass", 6_000_000_000),
        journal.sync,
    ):
        with pytest.raises(RecordError, match="the journal is sealed; nothing more can be added"):
            attempt()
    journal.close()
    assert journal.path.read_bytes() == before


def test_leaving_without_a_seal_keeps_the_lines_and_no_seal(tmp_path: Path) -> None:
    def interrupted(journal: Journal) -> None:
        with journal:
            journal.append("read", {}, 6_000_000_000)
            raise KeyboardInterrupt

    journal = make(tmp_path)
    with pytest.raises(KeyboardInterrupt):
        interrupted(journal)
    assert [line["kind"] for line in read(tmp_path)] == ["opened", "read"]
    with pytest.raises(RecordError, match="the journal is closed"):
        journal.append("read", {}, 7_000_000_000)


def test_sync_puts_lines_on_the_disk_and_append_alone_does_not(tmp_path: Path) -> None:
    with make(tmp_path) as journal:
        assert len(read(tmp_path)) == 1, "the first line is there from the start"
        journal.append("read", {}, 5_000_000_000)
        assert len(read(tmp_path)) == 1
        assert journal.lines == 2
        journal.sync()
        assert len(read(tmp_path)) == 2


def test_a_long_journal_does_not_wait_in_memory(tmp_path: Path) -> None:
    with make(tmp_path) as journal:
        for number in range(1000):
            journal.append("read", {"bits": "f" * 100, "number": number}, 5_000_000_000)
        assert journal.path.stat().st_size > 200_000
    assert [line["seq"] for line in read(tmp_path)] == list(range(1001))


def test_it_never_reopens(tmp_path: Path) -> None:
    make(tmp_path).close()
    before = (tmp_path / "journal.jsonl").read_bytes()
    with pytest.raises(RecordError, match=r"journal\.jsonl: exists already; a journal is never reopened"):
        make(tmp_path)
    assert (tmp_path / "journal.jsonl").read_bytes() == before


@pytest.mark.parametrize(
    ("kind", "data", "message"),
    [
        pytest.param("read", {"volts": 71.9}, "71.9 is a float", id="float"),
        pytest.param("read", {"at": ("a",)}, "tuple has no canonical text", id="tuple"),
        pytest.param("sealed", {}, "the kind 'sealed' is the journal's own", id="seal by hand"),
        pytest.param("opened", {}, "the kind 'opened' is the journal's own", id="second opening"),
        pytest.param("read", {"text": "x" * LONGEST_LINE}, "write a file of the run", id="too long"),
    ],
)
def test_a_refused_line_leaves_the_journal_whole(
    tmp_path: Path, kind: str, data: dict[str, Any], message: str
) -> None:
    with make(tmp_path) as journal:
        with pytest.raises(ValueError, match=message):
            journal.append(kind, data, 5_000_000_000)
        journal.append("read", {}, 5_000_000_000)
    assert [(line["seq"], line["kind"]) for line in read(tmp_path)] == [(0, "opened"), (1, "read")]


def test_the_same_run_writes_the_same_bytes(tmp_path: Path) -> None:
    """Two virtual clocks that started at different readings: no clock, path or chance is in the text."""
    texts = []
    for name, start_ns in (("a", 0), ("b", 987_654_321_000)):
        (tmp_path / name).mkdir()
        (tmp_path / name / "panel.yaml").write_text("format: 1\n")
        clock = VirtualClock(start_ns=start_ns)
        with make(tmp_path / name, start_ns=clock.now_ns()) as journal:
            for number in range(50):
                clock.advance(1_234_567)
                journal.append("read", {"number": number}, clock.now_ns())
            journal.seal("pass", clock.now_ns())
        texts.append(journal.path.read_bytes())
    assert texts[0] == texts[1]


def test_the_start_counts_from_a_whole_microsecond(tmp_path: Path) -> None:
    with make(tmp_path, start_ns=1_999) as journal:
        journal.append("read", {}, 2_001)
    assert read(tmp_path)[1]["at_us"] == 1, "2.001 us, floored, less 1 us"


@contextmanager
def files_no_longer_than(size: int) -> Iterator[None]:
    """A disk that is full for this process: the kernel refuses to grow any file beyond `size` bytes."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_is_one_line_and_final(tmp_path: Path) -> None:
    journal = make(tmp_path)
    with files_no_longer_than(1000):
        journal.append("read", {"text": "x" * 2000}, 5_000_000_000)
        with pytest.raises(
            RecordError, match=r"journal\.jsonl: cannot write the journal: .*free space"
        ) as caught:
            journal.sync()
    assert "\n" not in str(caught.value)
    with pytest.raises(RecordError, match="a write failed; nothing more can be added"):
        journal.append("read", {}, 5_000_000_000)
    with pytest.raises(RecordError, match="a write failed"):
        journal.seal("pass", 5_000_000_000)
    journal.close()
    assert b"sealed" not in journal.path.read_bytes()


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def test_a_full_disk_at_the_start_leaves_no_open_file(tmp_path: Path) -> None:
    before = open_files()
    with files_no_longer_than(10), pytest.raises(RecordError, match="cannot write the journal"):
        make(tmp_path)
    assert open_files() == before


def test_a_full_disk_does_not_hide_the_first_failure(tmp_path: Path) -> None:
    def stumble() -> None:
        with make(tmp_path) as journal:
            journal.append("read", {"text": "x" * 2000}, 5_000_000_000)
            raise ZeroDivisionError

    with files_no_longer_than(1000), pytest.raises(ZeroDivisionError) as caught:
        stumble()
    assert "cannot write the journal" in caught.value.__notes__[0]


def test_a_missing_folder(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="cannot create the journal: No such file or directory"):
        make(tmp_path / "gone")


@pytest.mark.skipif(not Path("/proc/version").exists(), reason="needs a folder in which nobody may write")
def test_a_folder_in_which_nobody_may_write() -> None:
    with pytest.raises(RecordError, match=r"/proc/journal\.jsonl: cannot create the journal"):
        make(Path("/proc"))
    with pytest.raises(RecordError, match="cannot make the folder of the run"):
        new_run_folder(Path("/proc/logs"), WALL, "th-p1")


def test_a_link_in_the_folder_is_not_sealed(tmp_path: Path) -> None:
    (tmp_path / "panel.yaml").symlink_to("/etc/hostname")
    with make(tmp_path) as journal, pytest.raises(RecordError, match=r"panel\.yaml: not a plain file"):
        journal.seal("pass", 5_000_000_000)
    assert [line["kind"] for line in read(tmp_path)] == ["opened"]


def test_a_file_name_that_is_not_utf_8_is_not_sealed(tmp_path: Path) -> None:
    Path(os.fsdecode(os.fsencode(tmp_path) + b"/\xff.csv")).write_bytes(b"")
    with make(tmp_path) as journal, pytest.raises(RecordError, match="not UTF-8 cannot be sealed"):
        journal.seal("pass", 5_000_000_000)


def test_run_folders_are_unique_and_sort_by_time(tmp_path: Path) -> None:
    first = new_run_folder(tmp_path / "logs", WALL, "TH-P1 Stops")
    second = new_run_folder(tmp_path / "logs", WALL, "th-p1-stops")
    later = new_run_folder(tmp_path / "logs", WALL.replace(second=1, microsecond=5), "a/../b")
    assert [folder.name for folder in (first, second, later)] == [
        "20261125T085600Z-th-p1-stops-1",
        "20261125T085600Z-th-p1-stops-2",
        "20261125T085601Z-a-b-1",
    ]
    assert sorted((tmp_path / "logs").iterdir()) == [first, second, later]


def test_a_file_where_the_logs_should_be(tmp_path: Path) -> None:
    (tmp_path / "logs").write_text("")
    with pytest.raises(RecordError, match="logs"):
        new_run_folder(tmp_path / "logs", WALL, "a")


@pytest.mark.parametrize(
    ("text", "expected"),
    [  # RFC 3339, 5.8: the examples, the second one in UTC as that text gives it
        pytest.param("1985-04-12T23:20:50.52+00:00", "1985-04-12T23:20:50.520Z", id="fraction"),
        pytest.param("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57.000Z", id="another zone"),
        pytest.param("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870Z", id="20 minutes"),
    ],
)
def test_wall_time_is_rfc_3339(text: str, expected: str) -> None:
    assert rfc3339(datetime.fromisoformat(text)) == expected


def test_wall_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="has no time zone"):
        rfc3339(datetime(2026, 11, 25))  # noqa: DTZ001 - the case
