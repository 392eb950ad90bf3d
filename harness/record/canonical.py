"""Canonical text of a closed set of values, so that equal values have equal bytes and equal digests.

RFC 8785 (JSON Canonicalization Scheme) for null, true, false, text, whole numbers, lists and objects: no
white space, keys sorted by UTF-16 code units, UTF-8. Numbers with a fraction are refused: their text is
where writers of JSON differ, so a measured value is a whole number of microseconds or millivolts, or text.
"""

from __future__ import annotations

import hashlib
from json.encoder import encode_basestring as _quoted
from typing import Any

LARGEST = 2**53 - 1
"""Largest whole number that every JSON reader keeps exactly (RFC 8785, Appendix D)."""

_WORDS = {None: "null", True: "true", False: "false"}


def canonical(value: object) -> bytes:
    """The one text of `value`, UTF-8.

    Raises ValueError for anything outside the set: a float, a whole number beyond +-(2**53 - 1), a lone
    surrogate, a key that is not text, another type, nesting too deep or circular.
    """
    try:
        return _text(value).encode("utf-8")
    except UnicodeEncodeError as error:
        raise ValueError(f"text with a lone surrogate (U+{ord(error.object[error.start]):04X})") from error
    except RecursionError as error:
        raise ValueError("nested too deep, or contains itself") from error


def digest(text: bytes) -> str:
    """SHA-256 of `text` as 64 lower-case hexadecimal digits."""
    return hashlib.sha256(text).hexdigest()


def _text(value: Any) -> str:
    kind = type(value)  # exact: a subclass may write itself differently
    if kind is str:
        return _quoted(value)
    if kind is int:
        return _whole(value)
    if kind is dict:
        return _object(value)
    if kind is list:
        return "[" + ",".join([_text(item) for item in value]) + "]"
    if value is None or kind is bool:
        return _WORDS[value]
    if kind is float:
        raise ValueError(f"{value!r} is a float; state it as a whole number of us or mV, or as text")
    raise ValueError(f"{kind.__name__} has no canonical text; allowed: null, bool, text, int, list, dict")


def _whole(value: int) -> str:
    if -LARGEST <= value <= LARGEST:
        return str(value)
    raise ValueError(f"whole number of {value.bit_length()} bits; allowed: -(2**53 - 1) to 2**53 - 1")


def _object(value: dict[Any, Any]) -> str:
    for key in value:
        if type(key) is not str:
            raise ValueError(f"key {key!r} is not text")
    keys = sorted(value)
    if not "".join(keys).isascii():
        keys.sort(key=_utf16)
    return "{" + ",".join([_quoted(key) + ":" + _text(value[key]) for key in keys]) + "}"


def _utf16(key: str) -> bytes:
    return key.encode("utf-16-be")
