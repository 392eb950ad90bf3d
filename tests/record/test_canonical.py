"""Canonical text: RFC 8785 for the closed value set, and everything outside it refused."""

from __future__ import annotations

import json
from enum import IntEnum

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.record.canonical import LARGEST, canonical, digest

# RFC 8785, 3.2.2: the worked sample, without its member "numbers". That member holds fractions and powers of
# ten, whose text only the number rules of ECMAScript settle; the set refuses every fraction, so the number
# part cannot apply (test_the_number_part_of_the_sample_is_refused holds the other side of this).
SAMPLE = r"""{"string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/", "literals": [null, true, false]}"""
SAMPLE_TEXT = '{"literals":[null,true,false],"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'.encode()


def test_the_sample_of_rfc_8785() -> None:
    assert canonical(json.loads(SAMPLE)) == SAMPLE_TEXT


def test_the_number_part_of_the_sample_is_refused() -> None:
    numbers = json.loads("[333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001]")
    for number in numbers:
        with pytest.raises(ValueError, match=r"is a float; state it as a whole number of us or mV"):
            canonical({"numbers": [number]})


def test_keys_sort_by_utf_16_code_units() -> None:
    """RFC 8785, 3.2.3: the order of its sample keys; U+1F600 (units D83D DE00) comes before U+FB33."""
    keys = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    order = list(json.loads(canonical(dict.fromkeys(keys))))
    assert order == ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    assert sorted(keys) != order, "by code points the two last would be the other way round"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        pytest.param(None, b"null", id="null"),
        pytest.param(True, b"true", id="true"),
        pytest.param([], b"[]", id="empty list"),
        pytest.param({}, b"{}", id="empty object"),
        pytest.param(0, b"0", id="zero"),
        pytest.param(9007199254740991, b"9007199254740991", id="largest"),
        pytest.param(-9007199254740991, b"-9007199254740991", id="lowest"),
        pytest.param("\b\t\n\f\r", rb'"\b\t\n\f\r"', id="short escapes"),
        pytest.param("\x00\x1f\x7f", b'"\\u0000\\u001f\x7f"', id="other controls, DEL as it is"),
        pytest.param("/é\u2028", '"/é\u2028"'.encode(), id="nothing else is escaped"),
        pytest.param({"b": [1, {"d": 0, "c": 0}], "a": ""}, b'{"a":"","b":[1,{"c":0,"d":0}]}', id="nested"),
    ],
)
def test_text(value: object, text: bytes) -> None:
    assert canonical(value) == text


class Level(IntEnum):
    HIGH = 1


class Text(str):
    __slots__ = ()


def _circle() -> list[object]:
    circle: list[object] = []
    circle.append(circle)
    return circle


@pytest.mark.parametrize(
    ("value", "message"),
    [
        pytest.param(1.0, "1.0 is a float", id="whole float"),
        pytest.param({"a": [float("nan")]}, "nan is a float", id="nan inside"),
        pytest.param(float("inf"), "inf is a float", id="infinity"),
        pytest.param(LARGEST + 1, "54 bits", id="above the largest"),
        pytest.param(-LARGEST - 1, "54 bits", id="below the lowest"),
        pytest.param("a\ud800b", r"lone surrogate \(U\+D800\)", id="surrogate in text"),
        pytest.param({"\udfff": 1}, r"lone surrogate \(U\+DFFF\)", id="surrogate in key"),
        pytest.param({1: "a"}, "key 1 is not text", id="key not text"),
        pytest.param({None: "a"}, "key None is not text", id="key null"),
        pytest.param((1, 2), "tuple has no canonical text", id="tuple"),
        pytest.param(b"a", "bytes has no canonical text", id="bytes"),
        pytest.param(Level.HIGH, "Level has no canonical text", id="enum"),
        pytest.param(Text("a"), "Text has no canonical text", id="kind of text"),
        pytest.param(_circle(), "nested too deep, or contains itself", id="circle"),
    ],
)
def test_refused(value: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        canonical(value)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-LARGEST, LARGEST) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(VALUES)
def test_reading_it_back_gives_the_value(value: object) -> None:
    assert json.loads(canonical(value)) == value


@given(VALUES)
def test_one_text_for_one_value(value: object) -> None:
    """Reading and writing again changes nothing, and neither does the order in which keys were put in."""
    text = canonical(value)
    assert canonical(json.loads(text, object_pairs_hook=lambda pairs: dict(reversed(pairs)))) == text
    assert not (set(text) & set(b"\n\r\t")), "one line"


def test_digest_is_sha_256() -> None:
    """FIPS 180-2, appendix B.1: the one-block message "abc"."""
    assert digest(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
