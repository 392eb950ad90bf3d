"""The contract that every board keeps. A driver writes the hooks; callers use the public methods.

A board has `output_count` outputs and `input_count` inputs, numbered from 0. A set of outputs is written in
one transaction, all inputs are read in one transaction. Both are stamped with the clock just before sending
and just after receiving. Every call takes an explicit time-out. `close` makes safe first and may be called
twice. One thread owns a board.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from math import inf
from types import TracebackType
from typing import NamedTuple, Self

from harness.bench.bus_trace import Trace
from harness.bench.parts import BoardSpec
from harness.clock import Clock
from harness.errors import BenchError, BoardClosed


@dataclass(frozen=True, slots=True)
class Stamp:
    """A transaction: clock just before sending and just after receiving, ns."""

    sent_ns: int
    received_ns: int


class Sample(NamedTuple):
    """All inputs of a board in one transaction. Bit k of `bits` is input k.

    A named tuple, because one is made at every poll and a frozen dataclass takes twice as long to make.
    """

    sent_ns: int
    received_ns: int
    bits: int


@dataclass(frozen=True, slots=True)
class Identity:
    """What a board says it is. Empty text where it cannot say. `simulated` only if the board says so."""

    maker: str = ""
    product: str = ""
    revision: str = ""
    simulated: bool = False


class Board(ABC):
    """Public methods own checks, the output image and lifecycle; hooks own the transport."""

    def __init__(self, spec: BoardSpec, clock: Clock) -> None:
        self.spec = spec
        self.name = spec.name
        self.clock = clock
        self.trace: Trace | None = None  # set before open; drivers with a bus give it every frame
        self.failing = False  # whether the last call to the board failed: others are made safe before it
        self._open = False
        self._image = 0

    def open(self) -> None:
        """Open the transport. Moves no output. Raises BoardAbsent."""
        if self._open:
            return
        self._do_open(self.spec.timeout_s)
        self._open = True

    def identify(self, timeout_s: float | None = None) -> Identity:
        """Ask the board what it is; an Identity with empty text where it cannot say."""
        return self._do_identify(self._ready(timeout_s))

    def write(self, states: Mapping[int, bool], timeout_s: float | None = None) -> Stamp:
        """Set outputs, those not named unchanged, in one transaction. Raises ValueError for a bad channel."""
        limit_s = self._ready(timeout_s)
        image = self._image
        for channel, on in states.items():
            if not 0 <= channel < self.spec.output_count:
                raise ValueError(f"{self.name}: no output {channel} (0 to {self.spec.output_count - 1})")
            image = image | 1 << channel if on else image & ~(1 << channel)
        self.failing = True
        stamp = self._do_write(image, limit_s)
        self.failing = False
        self._image = image
        return stamp

    def read(self, timeout_s: float | None = None) -> Sample:
        """Read all inputs in one transaction."""
        limit_s = self._ready(timeout_s)
        self.failing = True
        sample = self._do_read(limit_s)
        self.failing = False
        return sample

    def read_back(self, timeout_s: float | None = None) -> int | None:
        """The outputs as the board reports them, bit k for output k; None where it cannot."""
        return self._do_read_back(self._ready(timeout_s))

    def make_safe(self, timeout_s: float | None = None) -> Stamp:
        """All outputs off. The image is off afterwards even when the write fails."""
        self._image = 0
        limit_s = self._ready(timeout_s)
        self.failing = True
        stamp = self._do_write(0, limit_s)
        self.failing = False
        return stamp

    @property
    def outputs(self) -> int:
        """The outputs as last commanded, bit k for output k."""
        return self._image

    def close(self) -> None:
        """Make safe if it can be reached, then close the transport. May be called twice."""
        if not self._open:
            return
        try:
            self.make_safe()
        except BenchError:
            pass  # the caller has already been told why the board cannot be reached
        finally:
            self._open = False
            self._do_close()

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _ready(self, timeout_s: float | None) -> float:
        if not self._open:
            raise BoardClosed(f"board {self.name}: used while closed; open it first")
        limit_s = self.spec.timeout_s if timeout_s is None else timeout_s
        if not 0 < limit_s < inf:
            raise ValueError(f"{self.name}: time-out {limit_s} s; a finite number above 0 is needed")
        return limit_s

    @abstractmethod
    def _do_open(self, timeout_s: float) -> None: ...

    @abstractmethod
    def _do_identify(self, timeout_s: float) -> Identity: ...

    @abstractmethod
    def _do_write(self, image: int, timeout_s: float) -> Stamp: ...

    @abstractmethod
    def _do_read(self, timeout_s: float) -> Sample: ...

    @abstractmethod
    def _do_close(self) -> None: ...

    def _do_read_back(self, timeout_s: float) -> int | None:  # noqa: ARG002 - a hook's default
        return None
