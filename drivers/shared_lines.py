"""One exchange for all boards on one port: taken by the first board, let go of by the last.

Several boards may hang on one serial line; each asks in its turn, in one thread, and a port is opened once.
So the exchange is kept here under the port's name, with the settings that it was opened with.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, TypeVar, cast

from harness.errors import BenchError


class Closing(Protocol):
    """What can be closed."""

    def close(self) -> None: ...


@dataclass(slots=True)
class _Held:
    thing: Closing
    settings: dict[str, Any]
    holders: int = 1


Shared = TypeVar("Shared", bound=Closing)
_held: dict[tuple[str, Hashable], _Held] = {}
_lock = threading.Lock()


def take(
    key: str, settings: Mapping[str, object], make: Callable[[], Shared], *, world: Hashable = None
) -> Shared:
    """What is shared under `key`, made by `make` for the first who asks. Each `take` needs a `release`.

    `settings`, by the words of the bench file, must be the same for all. `world` keeps apart what only bears
    the same name, as lines in memory do. Raises BenchError when settings differ, and whatever `make` raises.
    """
    with _lock:
        held = _held.get((key, world))
        if held is None:
            thing = make()
            _held[key, world] = _Held(thing, dict(settings))
            return thing
        _check_same(key, held.settings, settings)
        held.holders += 1
        return cast(Shared, held.thing)


def port_key(port: str) -> str:
    """One name for a port that has several, as /dev/serial/by-id has for /dev/ttyUSB0."""
    path = Path(port)
    return str(path.resolve()) if path.exists() else port


def release(key: str, *, world: Hashable = None) -> None:
    """Let go of what was taken; the last one closes it. Does nothing when it is not held."""
    with _lock:
        held = _held.get((key, world))
        if held is None:
            return
        held.holders -= 1
        if held.holders:
            return
        del _held[key, world]
    held.thing.close()


def _check_same(key: str, have: Mapping[str, object], asked: Mapping[str, object]) -> None:
    for name in {**have, **asked}:
        if have.get(name) != asked.get(name):
            raise BenchError(
                f"port {key}: is open already with {name} {_said(have.get(name))}, asked"
                f" {_said(asked.get(name))}; boards on one port need the same settings in the bench file"
            )


def _said(value: object) -> str:
    return "not given" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
