"""Words of messages: a value in quotes, a choice of words, the nearest name to one that is misspelt."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from itertools import takewhile

MANY = 300  # of more names than this only those that begin like a word are compared with it


def quoted(value: object, limit: int = 60) -> str:
    """`value` as it may stand in a message: one line, in quotes, shortened to about `limit` characters."""
    if value is None:
        return "nothing"
    if isinstance(value, dict):
        return "keys and values"
    if isinstance(value, list | tuple):
        return "a list"
    text = repr(value)
    return text if len(text) <= limit else f"{text[: limit - 5]}...{text[-1]}"


def either(words: Sequence[str]) -> str:
    """`a`, `a or b`, `a, b or c`; `nothing` for no words at all."""
    if len(words) < 2:
        return words[0] if words else "nothing"
    return f"{', '.join(words[:-1])} or {words[-1]}"


def listed(words: Iterable[str], most: int = 20) -> str:
    """`a, b, c`, or the first `most` of them and how many more there are; `none` for no words at all."""
    names = list(words)
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more or "none"


def with_article(noun: str) -> str:
    """`a voltage`, `an inductance`."""
    return f"{'an' if noun[:1] in 'aeiou' else 'a'} {noun}"


def nearest(word: str, choices: Iterable[str]) -> str:
    """`; did you mean K12?` for the choice most like `word` whatever its case, or empty text."""
    found = nearest_name(word, choices)
    return f"; did you mean {found}?" if found else ""


def nearest_name(word: str, choices: Iterable[str]) -> str:
    """The choice most like `word` whatever its case, or empty text where none is like it.

    Of several that are equally like it, the one that begins like it, then the first.
    """
    wanted = word.casefold()
    folded = {choice.casefold(): choice for choice in reversed(list(choices))}
    if len(folded) > MANY:
        alike = [name for name in reversed(folded) if name[:1] == wanted[:1]]
        folded = {name: folded[name] for name in reversed(alike[:MANY])}
    if len(word) > 100:
        return ""
    found = difflib.get_close_matches(wanted, folded, n=5)
    if not found:
        return ""

    def likeness(name: str) -> tuple[float, int, int]:
        ratio = difflib.SequenceMatcher(None, name, wanted).ratio()
        same = takewhile(lambda pair: pair[0] == pair[1], zip(name, wanted, strict=False))
        return ratio, len(list(same)), list(folded).index(name)

    return folded[max(found, key=likeness)]
