"""The recorder turns the runner's events into lines of the journal, whatever events there are.

The kind of a line is the event's class name in lower-case words (`InputsChanged`: `inputs changed`), its data
are the event's fields. A field becomes text, a whole number, true, false, null, a list or an object; anything
else, a float above all, is refused, so that nothing goes in whose text depends on the program that writes it.
"""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from typing import Any

from harness.errors import RecordError
from harness.record.canonical import canonical
from harness.record.journal import Journal
from harness.run.events import Event


class Recorder:
    """A sink for events that appends each to `journal`; after one of the kinds `sync_after` all are on the
    disk. Events that are for the screen alone are left out.

    A journal that cannot be written is complained about once, which ends the run; what follows, the bench
    being made safe above all, must not stumble over it again and is not recorded.
    """

    def __init__(self, journal: Journal, sync_after: frozenset[str] = frozenset()) -> None:
        self._journal = journal
        self._sync_after = sync_after
        self.failed = False

    def __call__(self, event: Event) -> None:
        """Raises ValueError for an event without canonical text, RecordError when it cannot be written."""
        if self.failed or not event.recorded:
            return
        kind = kind_of(type(event))
        data = to_data(event)
        del data["at_us"]  # it is the line's own
        try:
            self._journal.append_at(kind, data, event.at_us)
            if kind in self._sync_after:
                self._journal.sync()
        except RecordError:
            self.failed = True
            raise


def kind_of(event: type) -> str:
    """The class name in lower-case words: `InputsChanged` gives `inputs changed`."""
    return _in_words(event.__name__)


@cache
def _in_words(name: str) -> str:
    return re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", name).lower()


def to_data(value: Any, where: str = "") -> Any:
    """`value` as dicts, lists, text, whole numbers, true, false and null.

    Dataclasses become dicts, enums their names in lower case, tuples and lists lists, sets sorted lists.
    Raises ValueError, which names the field, for a float and for every other type.
    """
    kind = type(value)
    if value is None or kind in {str, int, bool}:
        return value
    if isinstance(value, Enum):
        return value.name.lower()
    if kind in {tuple, list}:
        return [to_data(item, f"{where}[{index}]") for index, item in enumerate(value)]
    if kind in {set, frozenset}:
        return sorted((to_data(item, f"{where}[]") for item in value), key=canonical)
    if kind is dict:
        return {_key(key, where): to_data(item, f"{where}.{key}") for key, item in value.items()}
    if is_dataclass(kind):
        return {name: to_data(getattr(value, name), f"{where}.{name}") for name in _field_names(kind)}
    hint = "; state it in whole us or mV" if kind is float else ""
    raise ValueError(f"{where.lstrip('.') or 'value'}: {value!r} ({kind.__name__}) cannot be recorded{hint}")


@cache
def _field_names(kind: type) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind))


def _key(key: Any, where: str) -> str:
    if type(key) is str:
        return key
    raise ValueError(f"{where.lstrip('.') or 'value'}: key {key!r} ({type(key).__name__}) is not text")
