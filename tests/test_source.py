"""YAML files: what is text stays text, everything has its place, and what is not plain data is refused."""

from __future__ import annotations

import os
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from harness import source as source_module
from harness.errors import FileError
from harness.source import MAX_BYTES, MAX_LEVELS, MAX_VALUES, Source, load_file, load_text


@pytest.fixture(params=["CSafeLoader", "SafeLoader"])
def parser(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Each test that asks for it runs on libyaml's parser and on the pure one."""
    monkeypatch.setattr(source_module, "_Loader", getattr(yaml, request.param))
    return str(request.param)


def refusal(text: bytes) -> str:
    with pytest.raises(FileError) as caught:
        load_text(text, "a.yaml")
    return str(caught.value)


def nested(levels: int) -> bytes:
    return b"[" * levels + b"]" * levels


KEPT = [
    ("on and off as keys and values", b"on: off\noff: on", {"on": "off", "off": "on"}),
    ("yes and no", b"yes: no", {"yes": "no"}),
    ("true and false", b"a: true\nb: False", {"a": "true", "b": "False"}),
    ("base sixty", b"a: 12:30\nb: 1:30.5", {"a": "12:30", "b": "1:30.5"}),
    ("leading zero", b"a: 010\n010: 0o7", {"a": "010", "010": "0o7"}),
    ("numbers", b"1: 1e3\n2: 0x1F\n3: .5", {"1": "1e3", "2": "0x1F", "3": ".5"}),
    ("dates", b"a: 2024-05-06", {"a": "2024-05-06"}),
    ("not a number", b"a: .nan\nb: .inf", {"a": ".nan", "b": ".inf"}),
    ("nothing", b"a:\nb: ~\nc: null\nd: {}\ne: []", {"a": None, "b": None, "c": None, "d": {}, "e": []}),
    ("quoted nothing is text", b"a: ''\nb: \"~\"\nc: 'null'", {"a": "", "b": "~", "c": "null"}),
    ("comments", b"# one\na: 1 # two\n", {"a": "1"}),
    ("block text", b"a: |\n  one\n  two\n", {"a": "one\ntwo\n"}),
    ("byte order mark", b"\xef\xbb\xbfa: 1", {"a": "1"}),
    ("two-byte letters", "a: gr\u00fcn \u03a9".encode(), {"a": "gr\u00fcn \u03a9"}),
    ("quoted merge sign is a key", b"'<<': 1", {"<<": "1"}),
    (
        "a terminal is text, not a mapping",
        b"a: [L+, K1:21, {b: X1:7}]",
        {"a": ["L+", "K1:21", {"b": "X1:7"}]},
    ),
    ("explicit document", b"---\na: 1\n...\n", {"a": "1"}),
    ("deepest allowed", nested(MAX_LEVELS + 1), None),
]


@pytest.mark.parametrize(("text", "data"), [row[1:] for row in KEPT], ids=[row[0] for row in KEPT])
def test_scalars_stay_the_text_that_was_written(text: bytes, data: object, parser: str) -> None:
    if data is None:
        data = []
        for _ in range(MAX_LEVELS):
            data = [data]
    assert load_text(text, "a.yaml").data == data


DEEP = "nested deeper than 50 levels; no file needs that"
INDENT = "indentation that fits no line above; entries of one list start in one column"
START = "a value that starts with a tab, @, % or `; indent with spaces, quote such text"
REFUSED = [
    ("empty", b"", "1:1: the file is empty; expected keys and values, first of all 'format: 1'"),
    (
        "only a comment",
        b"# x\n",
        "1:1: the file is empty; expected keys and values, first of all 'format: 1'",
    ),
    ("null", b"~", "1:1: the file is empty; expected keys and values, first of all 'format: 1'"),
    (
        "tag",
        b"a: !!python/name:os.system x",
        "1:4: tag '!!python/name:os.system'; tags are not allowed, YAML is data only",
    ),
    ("tag on a list", b"a:\n  - !!set {b: 1}", "2:5: tag '!!set'; tags are not allowed, YAML is data only"),
    ("bare tag", b"a: ! 1", "1:4: tag '!'; tags are not allowed, YAML is data only"),
    ("tag on a key", b"!!str a: 1", "1:1: tag '!!str'; tags are not allowed, YAML is data only"),
    ("tag line", b"%TAG ! tag:x,2000:\n---\na: 1", "1:1: a %TAG line; tags are not allowed"),
    ("anchor", b"a: 1\nb: &here 2", "2:4: anchor '&here'; anchors are not allowed"),
    ("anchor on a key", b"&here a: 1", "1:1: anchor '&here'; anchors are not allowed"),
    ("alias", b"a: *here", "1:4: alias '*here'; aliases are not allowed, write the value out"),
    ("alias as a key", b"{*here : 1}", "1:2: alias '*here'; aliases are not allowed, write the value out"),
    ("merge", b"a:\n  <<: {b: 1}", "2:3: merge key '<<'; merging is not allowed, write the values out"),
    ("key twice", b"a: 1\nb: 2\na: 3", "3:1: key 'a' given twice (first on line 1)"),
    ("key twice inside", b"a: {b: 1,\n    b: 2}", "2:5: key 'b' given twice (first on line 1)"),
    ("quoted key twice", b'on: 1\n"on": 2', "2:1: key 'on' given twice (first on line 1)"),
    ("list as a key", b"? [a, b]\n: 1", "1:3: a key that is a list; expected text"),
    ("mapping as a key", b"{{a: 1}: 2}", "1:2: a key that is a list; expected text"),
    ("null as a key", b"~: 1", "1:1: a key without text; expected 'key: value'"),
    ("empty key", b"'': 1", "1:1: a key without text; expected 'key: value'"),
    ("second document", b"a: 1\n---\nb: 2", "2:1: a second document ('---'); expected one document per file"),
    ("100,000 brackets, stopped by a bracket at most 1024 further", b"[" * 100_000, None),
    ("100,000 blocks", b"- " * 100_000, f"1:103: {DEEP}"),
    ("100,000 mappings", b"{a: " * 100_000, f"1:205: {DEEP}"),
    ("binary", b"\x7fELF\x02\x01\x01\x00\x00\x05\x07\x09", "1:8: a zero byte: a binary file, not YAML text"),
    ("zero byte on line 2", b"a: 1\nb: \x00", "2:4: a zero byte: a binary file, not YAML text"),
    ("control character", b"a: 1\nb: x\x07", "2:5: control character U+0007 in the text; remove it"),
    ("escaped control character", b'a: "\\e[2J"', "1:4: control character U+001B in quotes; remove it"),
    ("escaped zero in a key", b'"a\\0": 1', "1:1: control character U+0000 in quotes; remove it"),
    (
        "UTF-16, little end",
        "a: 1\n".encode("utf-16-le").join([b"\xff\xfe", b""]),
        "1:1: text in UTF-16; save the file as UTF-8",
    ),
    (
        "UTF-16, big end",
        b"\xfe\xff" + "a: 1\n".encode("utf-16-be"),
        "1:1: text in UTF-16; save the file as UTF-8",
    ),
    (
        "UTF-16 without a mark",
        "a: 1\n".encode("utf-16-le"),
        "1:1: text in UTF-16 without its mark; save the file as UTF-8",
    ),
    (
        "UTF-32",
        b"\xff\xfe\x00\x00" + "a: 1".encode("utf-32-le"),
        "1:1: text in UTF-32; save the file as UTF-8",
    ),
    ("Latin-1", b"a: 1\ntitle: gr\xfcn", "2:10: byte 0xfc is not UTF-8; save the file as UTF-8"),
    (
        "Latin-1 after two-byte letters",
        "title: \u00fc".encode() + b"\xfc",
        "1:9: byte 0xfc is not UTF-8; save the file as UTF-8",
    ),
    ("surrogate", b"a: \xed\xa0\x80", "1:4: byte 0xed is not UTF-8; save the file as UTF-8"),
    ("second colon", b"a: b: c", "1:5: a second ': ' in one line; put text that holds ': ' in quotes"),
    (
        "bracket left open",
        b"a: 1\nb: [c, d",
        "2:4: '[' that is not closed or lacks a comma; expected ',' or ']'",
    ),
    (
        "brace left open",
        b"a: {b: 1\nc: 2",
        "1:4: '{' that is not closed or lacks a comma; expected ',' or '}'",
    ),
    ("bracket closed twice", b"a: ]", "1:4: no value where one is expected; check commas and brackets"),
    ("two commas", b"a: [1,,2]", "1:7: no value where one is expected; check commas and brackets"),
    ("quotes left open", b"a: 1\nb: 'c\nd: 2", "2:4: quotes that are not closed before the end of the file"),
    ("no colon", b"a: 1\nfoo\nb: 2", "2:1: text without 'key: value'; expected ': ' after the key"),
    ("indentation", b"a:\n  b: 1\n c: 2", f"3:2: {INDENT}"),
    ("tab at the start", b"\ta: 1", f"1:1: {START}"),
    ("entry inside a line", b"a: - b", "1:4: a '- ' entry inside a line; start each entry on its own line"),
    (
        "text after a list",
        b"[a]\nb: 1",
        "2:1: a line that belongs to nothing above it; expected 'key: value' in the first column",
    ),
    ("at sign", b"a: @x", f"1:4: {START}"),
]


@pytest.mark.parametrize(("text", "message"), [row[1:] for row in REFUSED], ids=[row[0] for row in REFUSED])
def test_refusals_are_one_located_line(text: bytes, message: str | None, parser: str) -> None:
    found = refusal(text)
    if message is None:
        where, _, what = found.removeprefix("a.yaml:1:").partition(": ")
        assert (what, int(where) in range(MAX_LEVELS, 1100)) == (DEEP, True)
    else:
        assert found == f"a.yaml:{message}"


def test_a_tab_that_indents_is_refused_with_its_place() -> None:
    assert refusal(b"a: 1\n\tb: 2\n") == "a.yaml:2:1: a tab at the start of a line; indent with spaces"


def test_at_the_edge_of_size() -> None:
    text = b"a: " + b"x" * (MAX_BYTES - 3)
    assert len(text) == MAX_BYTES
    assert load_text(text, "a.yaml").data == {"a": "x" * (MAX_BYTES - 3)}
    assert refusal(text + b"x") == "a.yaml:1:1: larger than 1000000 bytes; no file of this kind is"


def test_at_the_edge_of_number_of_values() -> None:
    assert len(load_text(b"[" + b"a," * (MAX_VALUES - 1) + b"]", "a.yaml").data) == MAX_VALUES - 1  # type: ignore[arg-type]
    message = refusal(b"[" + b"a," * MAX_VALUES + b"]")
    assert message == f"a.yaml:1:{2 * MAX_VALUES}: more than 200000 values; no file needs that"


def test_one_level_too_deep() -> None:
    assert refusal(nested(MAX_LEVELS + 2)) == f"a.yaml:1:{MAX_LEVELS + 2}: {DEEP}"


def test_a_long_word_is_shortened_in_messages() -> None:
    message = refusal(b"k" * 500 + b": 1\n" + b"k" * 500 + b": 2")
    assert message == f"a.yaml:2:1: key '{'k' * 54}...' given twice (first on line 1)"


def test_a_bomb_of_aliases_costs_nothing() -> None:
    lines = ["a: &a [x, x, x, x, x, x, x, x, x]"]
    lines += [f"{b}: &{b} [{','.join(['*' + a] * 9)}]" for a, b in zip("abcdefgh", "bcdefghi", strict=True)]
    assert refusal("\n".join(lines).encode()) == "a.yaml:1:4: anchor '&a'; anchors are not allowed"


def test_every_key_and_value_has_its_place() -> None:
    found = load_text(b"# top\na: 1\nb:\n  - c: [x, y]\n    d: 'z'\n", "a.yaml")
    assert found.place(()) == (2, 1)
    assert (found.place(("a",)), found.place(("a",), key=True)) == ((2, 4), (2, 1))
    assert (found.place(("b",)), found.place(("b",), key=True)) == ((4, 3), (3, 1))
    assert found.place(("b", 0)) == (4, 5)
    assert found.place(("b", 0, "c", 1)) == (4, 12)
    assert (found.place(("b", 0, "d")), found.place(("b", 0, "d"), key=True)) == ((5, 8), (5, 5))
    assert str(found.problem(("b", 0, "d"), "wrong")) == "a.yaml:5:8: wrong"
    assert str(found.problem(("b", 0, "d"), "wrong", key=True)) == "a.yaml:5:5: wrong"


def test_what_is_not_there_has_the_place_of_what_holds_it() -> None:
    found = load_text(b"a:\n  b: {c: 1}", "a.yaml")
    assert found.place(("a", "b", "missing", 3)) == (2, 6)
    assert found.place(("a", "b", "missing"), key=True) == (2, 3)
    assert found.place(("missing",)) == (1, 1)


def test_columns_count_letters_not_bytes() -> None:
    assert load_text("{\u00e9\u00e9: 1, b: 2}".encode(), "a.yaml").place(("b",)) == (1, 12)


def file_refusal(path: Path) -> str:
    with pytest.raises(FileError) as caught:
        load_file(path)
    return str(caught.value).replace(str(path.parent), "DIR")


def test_a_file_on_disk(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    path.write_bytes(b"a: 1")
    found = load_file(path)
    assert (found.name, found.data) == (str(path), {"a": "1"})


def test_100_megabytes_are_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "large.yaml"
    with path.open("wb") as stream:
        stream.truncate(100_000_000)
    tracemalloc.start()
    try:
        assert file_refusal(path) == "DIR/large.yaml:1:1: larger than 1000000 bytes; no file of this kind is"
        assert tracemalloc.get_traced_memory()[1] < 1_000_000
    finally:
        tracemalloc.stop()


def make_nothing(path: Path) -> None:
    (path.parent / "th-p1.panel.yaml").touch()


def make_locked(path: Path) -> None:
    path.write_bytes(b"a: 1")
    path.chmod(0)


NOT_FILES: list[tuple[str, Callable[[Path], object], str]] = [
    ("missing", make_nothing, "no such file; did you mean th-p1.panel.yaml?"),
    ("directory", Path.mkdir, "is a directory; expected a file"),
    ("pipe", os.mkfifo, "is a device or a pipe; expected an ordinary file"),
    (
        "loop of links",
        lambda path: path.symlink_to(path),
        "cannot be read: Too many levels of symbolic links",
    ),
    ("empty", Path.touch, "the file is empty; expected keys and values, first of all 'format: 1'"),
]


@pytest.mark.parametrize(
    ("make", "message"), [row[1:] for row in NOT_FILES], ids=[row[0] for row in NOT_FILES]
)
def test_paths_that_hold_no_file(make: Callable[[Path], object], message: str, tmp_path: Path) -> None:
    path = tmp_path / "thp1.panel.yaml"
    make(path)
    assert file_refusal(path) == f"DIR/thp1.panel.yaml:1:1: {message}"


@pytest.mark.skipif(os.geteuid() == 0, reason="the super-user may read everything")
def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    make_locked(path)
    assert file_refusal(path) == "DIR/a.yaml:1:1: cannot be read: Permission denied"


def test_missing_folder_and_impossible_name(tmp_path: Path) -> None:
    assert file_refusal(tmp_path / "none" / "a.yaml") == "DIR/a.yaml:1:1: no such file"
    assert file_refusal(tmp_path / ("x" * 300)) == f"DIR/{'x' * 300}:1:1: cannot be read: File name too long"
    assert file_refusal(tmp_path / "a\0b").endswith(":1:1: cannot be read: embedded null byte")


MARKS = st.sampled_from(
    [b": ", b"- ", b"[", b"]", b"{", b"}", b"\n", b"  ", b"'", b'"', b"&a", b"*a", b"!!", b"|", b"\t"]
)
SOUP = st.lists(st.one_of(MARKS, st.binary(max_size=3), st.sampled_from([b"a", b"on", b"1"])), max_size=40)


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.binary(max_size=200), SOUP.map(b"".join)))
@example(b"a: &a [*a]")
@example("\ufeff\ufeffa: 1".encode())
@example("a: \u0085b\u2028c".encode())
def test_any_bytes_give_data_or_a_file_error(text: bytes) -> None:
    found = source_or_refusal(text)
    if isinstance(found, FileError):
        assert [problem.file for problem in found.problems] == ["a.yaml"]
        assert min(found.problems[0].line, found.problems[0].column) >= 1
        assert "\n" not in str(found)
    else:
        assert {type(leaf) for leaf in leaves(found.data)} <= {str, type(None)}
        assert found.places.keys() == set(paths(found.data))


def source_or_refusal(text: bytes) -> Source | FileError:
    try:
        return load_text(text, "a.yaml")
    except FileError as error:
        return error


def leaves(data: object) -> list[object]:
    if isinstance(data, dict | list):
        inner = data.values() if isinstance(data, dict) else data
        return [leaf for value in inner for leaf in leaves(value)]
    return [data]


def paths(data: object, here: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    pairs: list[tuple[str | int, object]] = []
    if isinstance(data, dict):
        pairs = list(data.items())
    elif isinstance(data, list):
        pairs = list(enumerate(data))
    return [here, *(path for key, value in pairs for path in paths(value, (*here, key)))]
