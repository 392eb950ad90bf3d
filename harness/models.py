"""From a Source to a checked pydantic model; everything that pydantic finds wrong becomes a located line.

Base for the models of panel, bench and sequence files. Keys are written with spaces (`reset by`); what a file
means beyond its shape is checked by the module that owns the kind of file, with the same `Problems`.
"""

from __future__ import annotations

import re
import types
import typing
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, Tag, ValidationError
from pydantic_core import ErrorDetails

from harness.errors import FileError, Problem
from harness.source import KeyPath, Source, refuse
from harness.wording import either, listed, nearest, nearest_name, quoted

MAX_PROBLEMS = 1000
FORMAT = "1"
_AFTER_COMMA = re.compile("[0-9]+ ?[^0-9 ]{1,4}")  # what `{nominal: 72,5 V}` makes a key: `5 V`


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

    def hint(self, word: str, choices: Iterable[str], otherwise: Callable[[], str]) -> str:
        """`; did you mean K12?`, or `otherwise`; none once there are more problems than anyone reads."""
        return nearest(word, choices) or otherwise() if len(self.found) < MAX_PROBLEMS else ""

    def raise_any(self) -> None:
        """Raise FileError with all problems, if there are any."""
        if len(self.found) > MAX_PROBLEMS:
            self.found.sort()
            last = self.found[MAX_PROBLEMS]
            self.found[MAX_PROBLEMS:] = [Problem(last.file, last.line, last.column, "and more problems")]
        if self.found:
            raise FileError(self.found)


def validate(source: Source, model: type[ModelT]) -> ModelT:
    """The model that `source` holds. Raises FileError with every problem of its shape."""
    problems = Problems(source)
    found, _ = attempt(problems, model)
    problems.raise_any()
    assert found is not None
    return found


def attempt(problems: Problems, model: type[ModelT]) -> tuple[ModelT | None, list[KeyPath]]:
    """The model that the source holds, or None; problems of its shape are added, their paths returned.

    Raises FileError at once where the file is of another format.
    """
    _check_format(problems.source)
    try:
        return model.model_validate(problems.source.data), []
    except ValidationError as error:
        return None, _collect(problems, error.errors(include_url=False), model)


def rest_of(data: object, model: type[ModelT]) -> ModelT | None:
    """The model of data whose problems are known already; None where it has more of them."""
    try:
        return model.model_validate(data)
    except ValidationError:
        return None


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


def _collect(problems: Problems, errors: list[ErrorDetails], model: type[BaseModel]) -> list[KeyPath]:
    meant, paths = set(), []
    for error in errors[:MAX_PROBLEMS]:
        if error["type"] == "extra_forbidden":
            _, known = _walk(model, error["loc"][:-1], problems.source)
            meant.add((*error["loc"][:-1], nearest_name(str(error["loc"][-1]), known)))
    for error in errors[: MAX_PROBLEMS + 1]:
        if error["type"] == "missing" and error["loc"] in meant:
            continue  # the misspelt key says it already
        path, _ = _walk(model, error["loc"], problems.source)
        problems.add(path, _message(error, model, problems.source), key=_at_key(error, path))
        paths.append(path)
    return paths


def _at_key(error: ErrorDetails, path: KeyPath) -> bool:
    if error["type"] == "missing":
        return bool(path) and isinstance(path[-1], str)
    return error["type"] == "extra_forbidden" or error["loc"][-1:] == ("[key]",)


def _message(error: ErrorDetails, model: type[BaseModel], source: Source) -> str:
    loc, kind = error["loc"], error["type"]
    path, _ = _walk(model, loc, source)
    name = next((part for part in reversed(path) if isinstance(part, str)), "")
    if kind == "missing":
        return f"{str(loc[-1])!r} is missing{f' in {name}' if name else ''}"
    if kind == "extra_forbidden" and error["input"] is None and _AFTER_COMMA.fullmatch(str(loc[-1])):
        return f"a comma before {quoted(loc[-1])}; write a decimal point, as in '72.5 V'"
    if kind == "extra_forbidden":
        return _unknown_key(str(loc[-1]), _walk(model, loc[:-1], source)[1])
    text = _plain(error)
    return f"{name}: {text}" if name and loc[-1:] != ("[key]",) else text


def _unknown_key(key: str, known: list[str]) -> str:
    hint = nearest(key, known)
    if not hint and known:
        hint = f"; known here: {listed(known)}"
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


def _walk(model: type[BaseModel], loc: tuple[int | str, ...], source: Source) -> tuple[KeyPath, list[str]]:
    """The part of a pydantic location that the source knows, and the keys that a file may have there.

    Where a value has several shapes, pydantic puts the tag of the shape into the location: that is no key.
    """
    path: KeyPath = ()
    arms = _arms(model)
    tagged = False
    for part in loc:
        if len(arms) > 1 and not tagged:
            arms = [arm for arm in arms if arm[0] == part] or arms
            tagged = True
            continue
        if (*path, part) in source.places:
            path = (*path, part)
        arms = [inner for _, kind in arms for inner in _inside(kind, part)]
        tagged = False
    models = [kind for _, kind in arms if isinstance(kind, type) and issubclass(kind, BaseModel)]
    return path, [field.alias or name for kind in models for name, field in kind.model_fields.items()]


_Arm = tuple[str, Any]  # the tag of a shape, empty where there is none, and its type


def _inside(kind: Any, part: int | str) -> list[_Arm]:
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        fields = {field.alias or name: field for name, field in kind.model_fields.items()}
        return _arms(fields[part].annotation) if part in fields else []
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in (dict, list, tuple):
        return _arms(arguments[1 if origin is dict else 0])
    return []


def _arms(kind: Any, tag: str = "") -> list[_Arm]:
    """The shapes that an annotation allows: without Annotated and None, each arm of a union with its tag."""
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin is typing.Annotated:
        tags = [extra.tag for extra in arguments[1:] if isinstance(extra, Tag)]
        return _arms(arguments[0], tags[0] if tags else tag)
    if origin in (typing.Union, types.UnionType):
        return [arm for choice in arguments if choice is not type(None) for arm in _arms(choice, tag)]
    return [(tag, kind)]
