"""Verification finds every change to a record, says where, and claims nothing that it cannot show."""

from __future__ import annotations

import json
import random
import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from harness.record.canonical import canonical
from harness.record.journal import FIRST_PREV, LONGEST_LINE, NAME, Journal, line_text
from harness.record.verify import LIMITS, Verification, as_json, exit_status, verify_run, verify_runs

LINES = 14


def write_run(folder: Path, *, seal: bool = True) -> Path:
    """A run of 14 lines (13 and the seal) and three files."""
    (folder / "samples").mkdir(parents=True)
    (folder / "panel.yaml").write_text("format: 1\npanel: TH-P1\n")
    (folder / "bench.yaml").write_text("format: 1\nbench: TH-B1\n")
    (folder / "samples" / "io1.csv").write_bytes(b"0,00ff\n" * 100)
    wall = datetime(2026, 11, 25, 8, 56, tzinfo=UTC)
    with Journal(folder, start_ns=0, wall=wall, version="0.1.0", identity={"panel": "TH-P1"}) as journal:
        for number in range(LINES - 2):
            data = {"board": "IO1", "title": "Knopf gedrückt €", "states": {"Y4": number % 2 == 0}}
            journal.append("inputs changed", data | {"received_us": 1000 * number}, 1_000_000 * number)
        if seal:
            journal.seal("pass", 99_000_000, {"steps": 3})
    return folder


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return (write_run(tmp_path_factory.mktemp("run") / "a") / NAME).read_bytes()


@pytest.fixture(scope="module")
def unsealed(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return (write_run(tmp_path_factory.mktemp("run") / "a", seal=False) / NAME).read_bytes()


@pytest.fixture
def run(tmp_path: Path) -> Path:
    return write_run(tmp_path / "run")


def with_journal(run: Path, text: bytes) -> Verification:
    (run / NAME).write_bytes(text)
    return verify_run(run)


def edit(text: bytes, number: int, change: Callable[[bytes], bytes]) -> bytes:
    """`text` with line `number` (from 1) changed."""
    lines = text.splitlines(keepends=True)
    lines[number - 1] = change(lines[number - 1])
    return b"".join(lines)


def rehashed(line: bytes, **members: Any) -> bytes:
    """The line with members changed and a hash that matches again: what a careful forger does."""
    content = json.loads(line) | members
    return line_text(content["seq"], content["prev"], content["at_us"], content["kind"], content["data"])[0]


def test_an_untouched_run(run: Path) -> None:
    found = verify_run(run)
    assert (found.ok, found.state, found.exit_status, found.problems) == (True, "sealed", 0, ())
    assert (found.lines, found.verdict) == (LINES, "pass")
    assert found.last_hash == json.loads((run / NAME).read_bytes().splitlines()[-1])["hash"]
    assert verify_run(run / NAME).state == "sealed", "the journal's own path does as well"


def test_a_copied_or_renamed_folder_is_the_same_run(run: Path, tmp_path: Path) -> None:
    shutil.copytree(run, tmp_path / "elsewhere")
    assert verify_run(tmp_path / "elsewhere").ok


def test_an_interrupted_run(tmp_path: Path) -> None:
    found = verify_run(write_run(tmp_path / "run", seal=False))
    assert (found.ok, found.state, found.exit_status, found.verdict) == (False, "interrupted", 3, "")
    assert found.problems == ("interrupted: no seal; 13 lines intact; what happened after cannot be shown",)


# ---- several hundred random changes by seed: each must be seen


def random_edit(text: bytes, chance: random.Random) -> bytes:
    """Another value of one member, in valid JSON; half of the time with a hash that matches again, but not
    for the last line, which no line holds (`test_a_seal_made_anew_is_not_seen_but_its_hash_differs`)."""
    number = chance.randrange(1, LINES + 1)
    member, value = chance.choice(
        [
            ("at_us", 77),
            ("kind", "other"),
            ("data", {"a": 1}),
            ("seq", 99),
            ("prev", "f" * 64),
            ("hash", "0" * 64),
        ]
    )
    plain = canonical(json.loads(text.splitlines()[number - 1]) | {member: value}) + b"\n"
    forged = rehashed(text.splitlines()[number - 1], **{member: value})
    forge = member != "hash" and number < LINES and chance.random() < 0.5
    return edit(text, number, lambda line: forged if forge else plain)


def random_deletion(text: bytes, chance: random.Random) -> bytes:
    lines = text.splitlines(keepends=True)
    start = chance.randrange(LINES)
    return b"".join(lines[:start] + lines[start + chance.randint(1, LINES - start) :])


def random_swap(text: bytes, chance: random.Random) -> bytes:
    lines = text.splitlines(keepends=True)
    a, b = chance.sample(range(LINES), 2)
    lines[a], lines[b] = lines[b], lines[a]
    return b"".join(lines)


def random_insertion(text: bytes, chance: random.Random) -> bytes:
    """A line of the right form, made to fit the line before it."""
    lines = text.splitlines(keepends=True)
    at = chance.randrange(LINES + 1)
    prev = json.loads(lines[at - 1])["hash"] if at else FIRST_PREV
    return b"".join([*lines[:at], line_text(at, prev, 5, "inputs changed", {"board": "IO1"})[0], *lines[at:]])


def random_duplicate(text: bytes, chance: random.Random) -> bytes:
    lines = text.splitlines(keepends=True)
    return b"".join([*lines[: (at := chance.randrange(LINES + 1))], chance.choice(lines), *lines[at:]])


def random_cut(text: bytes, chance: random.Random) -> bytes:
    return text[: chance.randrange(len(text))]


def random_cut_of_the_beginning(text: bytes, chance: random.Random) -> bytes:
    return text[chance.randrange(1, len(text)) :]


def random_byte(text: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(text))
    return text[:at] + bytes([text[at] ^ chance.randrange(1, 256)]) + text[at + 1 :]


def random_bytes_inside(text: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(text) + 1)
    return text[:at] + chance.randbytes(chance.randint(1, 20)) + text[at:]


def random_space(text: bytes, chance: random.Random) -> bytes:
    """White space that changes no meaning: between members, or at either end of the line."""
    number = chance.randrange(1, LINES + 1)
    blank = chance.choice([b" ", b"\t", b"\r"])
    kinds: list[Callable[[bytes], bytes]] = [
        lambda line: line.replace(b",", b"," + blank, 1),
        lambda line: blank + line,
        lambda line: line[:-1] + blank + b"\n",
    ]
    return edit(text, number, chance.choice(kinds))


@pytest.mark.parametrize(
    "change",
    [
        random_edit,
        random_deletion,
        random_swap,
        random_insertion,
        random_duplicate,
        random_cut,
        random_cut_of_the_beginning,
        random_byte,
        random_bytes_inside,
        random_space,
    ],
    ids=lambda change: change.__name__,
)
def test_every_random_change_is_seen(
    run: Path, sealed: bytes, change: Callable[[bytes, random.Random], bytes]
) -> None:
    assert with_journal(run, sealed).ok
    missed = []
    for seed in range(60):
        text = change(sealed, random.Random(seed))
        found = with_journal(run, text)
        if text != sealed and (found.ok or not found.problems):
            missed.append(seed)
    assert missed == []


def test_every_flipped_bit_is_seen(run: Path, sealed: bytes) -> None:
    """One bit of every seventh byte, and of every byte of the seal."""
    seal = len(sealed) - len(sealed.splitlines(keepends=True)[-1])
    places = sorted({*range(0, seal, 7), *range(seal, len(sealed))})
    missed = [
        at
        for at in places
        if with_journal(run, sealed[:at] + bytes([sealed[at] ^ 1 << at % 8]) + sealed[at + 1 :]).ok
    ]
    assert missed == []


def test_a_changed_sealed_journal_is_called_interrupted_only_when_its_end_is_gone(
    run: Path, sealed: bytes
) -> None:
    for seed in range(200):
        found = with_journal(run, random_byte(sealed, random.Random(seed)))
        assert (found.state, found.exit_status) == ("altered", 1)


# ---- what is said, and of which line


def flip_state(line: bytes) -> bytes:
    return line.replace(b'"Y4":true', b'"Y4":false')


@pytest.mark.parametrize(
    ("change", "problems"),
    [
        pytest.param(
            lambda text: edit(text, 6, flip_state),
            ["line 6: altered: its hash does not match its content"],
            id="edited",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: rehashed(line, data={"a": 1})),
            ["line 7: does not follow line 6: one of the two was altered or replaced"],
            id="edited with a new hash",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: line.replace(b":", b": ", 1)),
            ["line 6: altered: not in canonical text (spacing, order of keys, escapes, or a key twice)"],
            id="other spacing",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: line.replace("€".encode(), b"\\u20ac")),
            ["line 6: altered: not in canonical text (spacing, order of keys, escapes, or a key twice)"],
            id="other escapes",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: line.replace(b'"seq":5', b'"seq":5,"seq":5')),
            ["line 6: altered: not in canonical text (spacing, order of keys, escapes, or a key twice)"],
            id="a key twice",
        ),
        pytest.param(
            lambda text: edit(
                text, 6, lambda line: line.replace(b'"received_us":4000', b'"received_us":4000.0')
            ),
            ["line 6: altered: 4000.0 is a float; state it as a whole number of us or mV, or as text"],
            id="a float",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: line[:20] + b"\n"),
            ["line 6: altered: not JSON (Expecting ':' delimiter, column 21)"],
            id="a line cut",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: b"\n"),
            ["line 6: altered: not JSON (Expecting value, column 1)"],
            id="a line emptied",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: line.replace(b"IO1", b"\xff\xfe")),
            ["line 6: altered: not UTF-8 (byte 32)"],
            id="not UTF-8",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: b'{"seq":5}\n'),
            ["line 6: altered: not a line of a journal (its members are not those of one)"],
            id="not a line",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: line.replace(b'"seq":5', b'"seq":true')),
            ["line 6: altered: not a line of a journal (seq is not int)"],
            id="a member of another type",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: b"[" * 100_000 + b"\n"),
            ["line 6: altered: not a line of a journal (a huge number, or nested too deep)"],
            id="nested deep",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: line.replace(b"4000", b"4" * 5000)),
            ["line 6: altered: not a line of a journal (a huge number, or nested too deep)"],
            id="a huge number",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: b"x" * (2 * LONGEST_LINE) + b"\n"),
            [f"line 6: altered: longer than {LONGEST_LINE} bytes, which no journal writes"],
            id="a huge line",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: b""),
            [
                "line 6: entry 6 where entry 5 is due: 1 missing before it",
                "line 13: the seal counts 13 lines before it; there are 12",
            ],
            id="one missing",
        ),
        pytest.param(
            lambda text: edit(text, 6, lambda line: line + line),
            [
                "line 7: entry 5 where entry 6 is due: out of order, or twice",
                "line 15: the seal counts 13 lines before it; there are 14",
            ],
            id="one twice",
        ),
        pytest.param(
            lambda text: edit(text, 1, lambda line: b""),
            [
                "line 1: entry 1 where entry 0 is due: 1 missing before it",
                "line 1: does not open the journal",
                "line 13: the seal counts 13 lines before it; there are 12",
            ],
            id="the first missing",
        ),
        pytest.param(
            lambda text: edit(text, 1, lambda line: rehashed(line, prev="a" * 64)),
            [
                "line 1: does not begin a journal: it follows another line",
                "line 2: does not follow line 1: one of the two was altered or replaced",
            ],
            id="the first follows another",
        ),
        pytest.param(
            lambda text: text + text.splitlines(keepends=True)[-1],
            [
                "line 15: added: it comes after the seal",
                "line 15: entry 13 where entry 14 is due: out of order, or twice",
                "line 15: the seal counts 13 lines before it; there are 14",
            ],
            id="a second seal",
        ),
        pytest.param(
            lambda text: text + b"garbage",
            ["line 15: added: it comes after the seal"],
            id="bytes after the seal",
        ),
        pytest.param(
            lambda text: text[:-1],
            [
                "line 14: altered: not what an interrupted writing leaves of a line",
                "no seal: the run was interrupted, or its end was cut off",
            ],
            id="the seal without its newline",
        ),
        pytest.param(
            lambda text: b"",
            [
                "line 1: missing: the journal is empty",
                "no seal: the run was interrupted, or its end was cut off",
            ],
            id="empty",
        ),
        pytest.param(
            lambda text: b"\n",
            [
                "line 1: altered: not JSON (Expecting value, column 1)",
                "no seal: the run was interrupted, or its end was cut off",
            ],
            id="one empty line",
        ),
    ],
)
def test_what_is_said(
    run: Path, sealed: bytes, change: Callable[[bytes], bytes], problems: list[str]
) -> None:
    found = with_journal(run, change(sealed))
    assert list(found.problems) == problems
    assert (found.ok, found.state, found.exit_status) == (False, "altered", 1)


@pytest.mark.parametrize(
    ("encoding", "problem"),
    [
        pytest.param("utf-16", "line 1: altered: not UTF-8 (byte 1)", id="UTF-16"),
        pytest.param("utf-8-sig", "line 1: altered: not JSON (Unexpected UTF-8 BOM", id="UTF-8 with a mark"),
        pytest.param("cp1252", "line 2: altered: not UTF-8", id="code page"),
    ],
)
def test_another_encoding(run: Path, sealed: bytes, encoding: str, problem: str) -> None:
    found = with_journal(run, sealed.decode().encode(encoding))
    assert found.problems[0].startswith(problem)
    assert found.state == "altered"


def test_line_ends_of_another_system(run: Path, sealed: bytes) -> None:
    found = with_journal(run, sealed.replace(b"\n", b"\r\n"))
    assert len(found.problems) == LINES
    assert found.problems[0].startswith("line 1: altered: not in canonical text")


def test_a_file_of_garbage_gives_a_bounded_answer(run: Path) -> None:
    found = with_journal(run, b"{}\n" * 100_000)
    assert len(found.problems) == 102
    assert found.problems[100] == "and more"


# ---- files of the run


def test_files_are_held_against_the_seal(run: Path) -> None:
    (run / "panel.yaml").write_text("format: 1\npanel: TH-P2\n")
    (run / "samples" / "io1.csv").unlink()
    (run / "note.txt").write_text("")
    (run / "bench.yaml").rename(run.parent / "bench.yaml")
    (run / "bench.yaml").symlink_to(run.parent / "bench.yaml")  # the same bytes, for now
    found = verify_run(run)
    assert sorted(found.problems) == [
        "bench.yaml: changed since the seal",
        "note.txt: added; the seal does not list it",
        "panel.yaml: changed since the seal",
        "samples/io1.csv: missing; the seal lists it",
    ]
    assert (found.state, found.exit_status, found.lines) == ("altered", 1, LINES)


def test_a_file_of_the_same_size_is_compared_by_content(run: Path) -> None:
    (run / "panel.yaml").write_text("format: 1\npanel: TH-P9\n")
    assert verify_run(run).problems == ("panel.yaml: changed since the seal",)


def test_a_name_from_outside_cannot_write_on_the_screen(run: Path) -> None:
    (run / "a\x1b[2J\nline 1: ok").write_text("")
    (problem,) = verify_run(run).problems
    assert problem.isprintable()


def forged_seal(sealed: bytes, change: Callable[[dict[str, Any]], object]) -> bytes:
    """The journal with another seal that fits the chain."""
    line = json.loads(sealed.splitlines()[-1])
    change(line["data"])
    return edit(sealed, LINES, lambda old: rehashed(old, data=line["data"]))


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda data: data.pop("files"), id="no files"),
        pytest.param(lambda data: data.update(files="abc"), id="files are text"),
        pytest.param(lambda data: data.update(files=None), id="files are null"),
        pytest.param(lambda data: data["files"][0].update(path=5), id="a path is a number"),
        pytest.param(lambda data: data["files"][0].update(size="5"), id="a size is text"),
        pytest.param(lambda data: data["files"].append([1]), id="a file is a list"),
        pytest.param(lambda data: data.pop("verdict"), id="no verdict"),
    ],
)
def test_a_seal_of_another_form(run: Path, sealed: bytes, change: Callable[[dict[str, Any]], object]) -> None:
    found = with_journal(run, forged_seal(sealed, change))
    assert "line 14: altered: not a seal of this format" in found.problems


def test_a_seal_that_names_a_file_outside_the_run_opens_nothing(run: Path, sealed: bytes) -> None:
    outside = {"path": "../../etc/hostname", "sha256": "0" * 64, "size": 1}
    found = with_journal(run, forged_seal(sealed, lambda data: data["files"].append(outside)))
    assert found.problems == ("../../etc/hostname: missing; the seal lists it",)


# ---- torn and interrupted


def test_every_cut_of_a_sealed_journal(run: Path, sealed: bytes) -> None:
    """Never sealed. At the end of a line it is interrupted; inside a line it is torn and interrupted; a seal
    that lacks only its newline is altered. Every ninth place, and those beside the ends of lines."""
    ends = {len(b"".join(sealed.splitlines(keepends=True)[:count])) for count in range(LINES + 1)}
    beside = {end + step for end in ends for step in (-2, -1, 0, 1, 9)}
    for at in sorted({*range(1, len(sealed), 9), *beside} & set(range(1, len(sealed) - 1))):
        found = with_journal(run, sealed[:at])
        assert (found.state, found.exit_status) == ("interrupted", 3)
        assert any(": torn: " in problem for problem in found.problems) == (at not in ends)
    assert with_journal(run, sealed[:-1]).state == "altered"


def test_a_torn_line(run: Path, unsealed: bytes) -> None:
    found = with_journal(run, unsealed[:-30])
    assert found.problems == (
        "line 13: torn: the writing of it did not finish",
        "interrupted: no seal; 12 lines intact; what happened after cannot be shown",
    )


@pytest.mark.parametrize(
    "garbage",
    [b"garbage", b"\x00" * 50, b'{"at_us":1}garbage', b"\xff"],
    ids=["text", "zeros", "after a line", "byte"],
)
def test_what_is_not_a_torn_line(run: Path, unsealed: bytes, garbage: bytes) -> None:
    found = with_journal(run, unsealed + garbage)
    assert found.problems[0] == "line 14: altered: not what an interrupted writing leaves of a line"
    assert found.state == "altered"


# ---- what cannot be shown, shown


def test_a_cut_of_an_unsealed_journal_at_a_line_is_not_seen(run: Path, unsealed: bytes) -> None:
    """The first limit of `LIMITS`: 13 lines or 5 of them are told apart by nothing but their number."""
    whole = with_journal(run, unsealed)
    cut = with_journal(run, b"".join(unsealed.splitlines(keepends=True)[:5]))
    assert (whole.state, cut.state) == ("interrupted", "interrupted")
    assert "5 lines intact" in cut.problems[0]
    assert "cut off at the end of a line" in LIMITS


def test_a_seal_made_anew_is_not_seen_but_its_hash_differs(run: Path, sealed: bytes) -> None:
    """The third limit: nothing holds the last line but its own hash, so one new hash turns a verdict."""
    honest = with_journal(run, sealed)
    found = with_journal(run, forged_seal(sealed, lambda data: data.update(verdict="fail")))
    assert (found.ok, found.verdict) == (True, "fail")
    assert found.last_hash != honest.last_hash
    assert "for the seal alone" in LIMITS


def test_a_run_rewritten_as_a_whole_is_not_seen_but_its_last_hash_differs(run: Path, sealed: bytes) -> None:
    """The third limit: a forger who makes every hash anew passes; a hash kept elsewhere gives him away."""
    honest = with_journal(run, sealed)
    prev, forged = FIRST_PREV, b""
    for line in map(json.loads, sealed.splitlines()):
        data = line["data"] | ({"states": {"Y4": True}} if "states" in line["data"] else {})
        text, prev = line_text(line["seq"], prev, line["at_us"], line["kind"], data)
        forged += text
    found = with_journal(run, forged)
    assert found.ok
    assert found.last_hash != honest.last_hash
    assert "computed anew every hash" in LIMITS


# ---- runs that are not there, cannot be read, or are of another format


@pytest.mark.parametrize("name", ["gone", "run/panel.yaml", "run/samples"])
def test_no_run_there(run: Path, tmp_path: Path, name: str) -> None:
    found = verify_run(tmp_path / name)
    assert (found.state, found.exit_status) == ("absent", 2)
    assert found.problems == (
        f"{tmp_path / name}: no run there; give the folder of a run, or the {NAME} in it",
    )


@pytest.mark.skipif(not Path("/proc/self/mem").exists(), reason="needs a file that the kernel will not read")
def test_a_journal_that_cannot_be_read(tmp_path: Path) -> None:
    """The kernel refuses to read /proc/self/mem from its beginning, whoever asks."""
    (tmp_path / NAME).symlink_to("/proc/self/mem")
    found = verify_run(tmp_path)
    assert (found.state, found.exit_status) == ("unreadable", 4)
    assert "cannot be read: Input/output error" in found.problems[0]


def test_another_format_is_not_called_altered(run: Path) -> None:
    data = {"format": 2, "identity": {}, "version": "9", "wall": "2036-11-25T08:56:00.000Z"}
    found = with_journal(run, line_text(0, FIRST_PREV, 0, "opened", data)[0])
    assert (found.state, found.exit_status) == ("unreadable", 4)
    assert found.problems == (f"{run}: journal of format 2; this program verifies format 1",)


# ---- several runs


def test_several_runs(run: Path, tmp_path: Path) -> None:
    interrupted = write_run(tmp_path / "b", seal=False)
    altered = write_run(tmp_path / "c")
    (altered / "panel.yaml").write_text("")
    gone = tmp_path / "gone"
    assert exit_status(verify_runs([run, run])) == 0
    assert exit_status(verify_runs([run, interrupted])) == 3
    assert exit_status(verify_runs([run, interrupted, gone])) == 2
    assert exit_status(verify_runs([run, interrupted, gone, altered])) == 1
    assert exit_status([]) == 2


def test_as_json(run: Path, tmp_path: Path) -> None:
    interrupted = write_run(tmp_path / "b", seal=False)
    document = as_json(verify_runs([run, interrupted]))
    assert json.loads(json.dumps(document)) == document
    assert (document["format"], document["ok"]) == (1, False)
    assert [entry["ok"] for entry in document["runs"]] == [True, False]
    last_hash = json.loads((run / NAME).read_bytes().splitlines()[-1])["hash"]
    assert document["runs"][0] == {
        "path": str(run),
        "ok": True,
        "state": "sealed",
        "lines": LINES,
        "verdict": "pass",
        "last hash": last_hash,
        "problems": [],
        "guardian": "",
    }
    assert as_json([])["ok"] is False
