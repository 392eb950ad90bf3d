"""From a Source to a checked pydantic model; everything that pydantic finds wrong becomes a located line.

Base for the models of panel, bench and sequence files. Keys are written with spaces (`reset by`); what a file
means beyond its shape is checked by the module that owns the kind of file, with the same `Problems`.
"""

from __future__ import annotations

import re
import types
import typing
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from harness.errors import FileError, Problem
from harness.source import KeyPath, Source, refuse
from harness.wording import either, nearest, nearest_name, quoted

MAX_PROBLEMS = 1000
FORMAT = "1"


class Model(BaseModel):
    """Frozen, and an unknown key is an error. `reset_by` is written `reset by`; other spellings by alias."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        alias_generator=lambda name: name.replace("_", " "),
        populate_by_name=False,
    )


ModelT = TypeVar("ModelT", bound=Model)


class Problems:
    """Collects what is wrong with one source, so that everything is reported at once."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.found: list[Problem] = []

    def add(self, path: KeyPath, message: str, *, key: bool = False) -> None:
        """One more problem, at the value at `path` or at its key."""
        self.found.append(self.source.problem(path, message, key=key))

    def raise_any(self) -> None:
        """Raise FileError with all problems, if there are any."""
        if len(self.found) > MAX_PROBLEMS:
            self.found.sort()
            rest = len(self.found) - MAX_PROBLEMS
            last = self.found[MAX_PROBLEMS]
            self.found[MAX_PROBLEMS:] = [
                Problem(last.file, last.line, last.column, f"and {rest} more problems")
            ]
        if self.found:
            raise FileError(self.found)


def validate(source: Source, model: type[ModelT]) -> ModelT:
    """The model that `source` holds. Raises FileError with every problem of its shape."""
    _check_format(source)
    try:
        return model.model_validate(source.data)
    except ValidationError as error:
        problems = Problems(source)
        _collect(problems, error.errors(include_url=False), model)
        problems.raise_any()
        raise


def _check_format(source: Source) -> None:
    if not isinstance(source.data, dict):
        refuse(
            source.name, f"found {quoted(source.data)}; expected keys and values, first of all 'format: 1'"
        )
    if "format" not in source.data:
        misspelt = nearest_name("format", [key for key in source.data if len(key) < 20])
        hint = f" (found {quoted(misspelt)})" if misspelt else ""
        refuse(
            source.name,
            f"'format' is missing{hint}; this version reads 'format: {FORMAT}'",
            *source.place(()),
        )
    written = source.data["format"]
    if written != FORMAT:
        message = f"format is {quoted(written)}; this version reads 'format: {FORMAT}'"
        if isinstance(written, str) and written.isdecimal() and int(written[:9]) > 1:
            message += "; a newer version of the program wrote this file"
        refuse(source.name, message, *source.place(("format",)))


def _collect(problems: Problems, errors: list[ErrorDetails], model: type[BaseModel]) -> None:
    meant = set()
    for error in errors:
        if error["type"] == "extra_forbidden":
            near = nearest_name(str(error["loc"][-1]), _keys_at(model, error["loc"][:-1]))
            meant.add((*error["loc"][:-1], near))
    for error in errors:
        if error["type"] == "missing" and error["loc"] in meant:
            continue  # the misspelt key says it already
        path = known_path(problems.source, error["loc"])
        at_key = error["type"] == "extra_forbidden" or error["loc"][-1:] == ("[key]",)
        problems.add(path, _message(error, model, path), key=at_key)


def known_path(source: Source, loc: tuple[int | str, ...]) -> KeyPath:
    """The part of a pydantic location that the source knows; union tags and validator names are skipped."""
    path: KeyPath = ()
    for part in loc:
        if (*path, part) in source.places:
            path = (*path, part)
    return path


def _message(error: ErrorDetails, model: type[BaseModel], path: KeyPath) -> str:
    loc, kind = error["loc"], error["type"]
    if kind == "missing":
        inside = f" in {path[-1]}" if path else ""
        return f"{str(loc[-1])!r} is missing{inside}"
    if kind == "extra_forbidden":
        return _unknown_key(str(loc[-1]), _keys_at(model, loc[:-1]))
    text = _plain(error)
    name = next((part for part in reversed(path) if isinstance(part, str)), "")
    return f"{name}: {text}" if name and loc[-1:] != ("[key]",) else text


def _unknown_key(key: str, known: list[str]) -> str:
    hint = nearest(key, known)
    if not hint and 0 < len(known) <= 12:
        hint = f"; known here: {', '.join(known)}"
    return f"unknown key {quoted(key)}{hint}"


_MAPPING = "found {found}; expected keys and values"
_LIST = "found {found}; expected a list such as [a, b]"
_WORDINGS = {
    "value_error": "{error}",
    "model_type": _MAPPING,
    "model_attributes_type": _MAPPING,
    "dict_type": _MAPPING,
    "list_type": _LIST,
    "tuple_type": _LIST,
    "too_short": "found {actual_length} entries; expected at least {min_length}",
    "too_long": "found {actual_length} entries; expected at most {max_length}",
}


def _plain(error: ErrorDetails) -> str:
    """What pydantic found, in the words of a person with a file."""
    found = quoted(error["input"])
    context: dict[str, Any] = error.get("ctx", {})
    listed = context.get("expected") or context.get("expected_tags")
    if listed:
        words = re.findall(r"'([^']*)'", str(listed))
        return f"found {found}; expected {either(words)}{_hint(context.get('tag', error['input']), words)}"
    wording = _WORDINGS.get(error["type"], "{message} (found {found})")
    return wording.format(found=found, message=error["msg"], **context)


def _hint(word: object, words: list[str]) -> str:
    return nearest(word, words) if isinstance(word, str) else ""


def _keys_at(model: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    """The keys that a file may have at a pydantic location, in the order of the models."""
    kinds: list[Any] = [model]
    for part in loc:
        stepped = [inner for kind in kinds for inner in _inside(kind, part)]
        kinds = stepped or kinds  # a union tag steps into nothing: stay
    models = [kind for kind in kinds if isinstance(kind, type) and issubclass(kind, BaseModel)]
    return [field.alias or name for kind in models for name, field in kind.model_fields.items()]


def _inside(kind: Any, part: int | str) -> list[Any]:
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        fields = {field.alias or name: field for name, field in kind.model_fields.items()}
        return _choices(fields[part].annotation) if part in fields else []
    if typing.get_origin(kind) in (dict, list, tuple):
        return _choices(typing.get_args(kind)[-1 if typing.get_origin(kind) is dict else 0])
    return []


def _choices(kind: Any) -> list[Any]:
    """The plain types of an annotation: without Annotated, each arm of a union."""
    origin = typing.get_origin(kind)
    if origin is typing.Annotated:
        return _choices(typing.get_args(kind)[0])
    if origin in (typing.Union, types.UnionType):
        return [choice for arm in typing.get_args(kind) for choice in _choices(arm)]
    return [kind]
