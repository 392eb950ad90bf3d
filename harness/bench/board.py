"""The contract that every board keeps. A driver writes the hooks; callers use the public methods.

A board has `output_count` outputs and `input_count` inputs, numbered from 0. A set of outputs is written in
one transaction, all inputs are read in one transaction. Both are stamped with the clock just before sending
and just after receiving. Every call takes an explicit time-out. `close` makes safe first and may be called
twice. One thread owns a board. Registers, a watchdog and an open descriptor to hand on are for boards that
have them: a driver that writes none of those hooks says so in one line when it is asked.

A question that got no answer, or a garbled one, is asked again as often as the bench file's `retries` says.
Reading inputs or outputs changes nothing, and a command states every output, so both may be sent again; a
driver whose commands say "the other way" instead sets `repeatable` to False. What a board is, and its
registers, are asked once only: an identity that comes in pieces is no identity, and a register may count or
clear by being read.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from types import TracebackType
from typing import ClassVar, Literal, NamedTuple, Self, TypeVar

from harness.bench.bus_trace import Trace
from harness.bench.parts import BoardSpec, SettingValue
from harness.clock import Clock
from harness.errors import BenchError, BoardClosed, BoardGarbled, BoardTimeout

Done = TypeVar("Done")


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

    repeatable: ClassVar[bool] = True
    """Whether the same command sent twice does what it does once; making safe is always sent again."""

    tells_answers_apart: ClassVar[bool] = False
    """Whether a late answer to an earlier question can never be taken for the answer to a later one. Where it
    can, a reading got by asking again is stamped from the first asking on, because it may be as old."""

    def __init__(self, spec: BoardSpec, clock: Clock) -> None:
        self.spec = spec
        self.name = spec.name
        self.clock = clock
        self.trace: Trace | None = None  # set before open; drivers with a bus give it every frame
        self.failing = False  # whether the last call to the board failed: others are made safe before it
        self.retried = 0  # how often a question or command has been sent again so far
        self._open = False
        self._image = spec.safe_image

    def prepare(self) -> None:
        """Import what opening needs, for who may have to open at once. Touches no transport."""
        self._do_prepare()

    @staticmethod
    def moves_at_once(settings: Mapping[str, SettingValue], outputs: int) -> bool:  # noqa: ARG004 - a default
        """Whether all outputs of a board with these settings change in one transaction."""
        return True

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
        before_ns = self.clock.now_ns()
        if self.spec.retries and self.repeatable:
            stamp = self._write_again(image, limit_s)
        else:
            stamp = self._do_write(image, limit_s)
        self._refuse_stamp(before_ns, stamp)
        self.failing = False
        self._image = image
        return stamp

    def read(self, timeout_s: float | None = None) -> Sample:
        """Read all inputs in one transaction."""
        limit_s = self._ready(timeout_s)
        self.failing = True
        before_ns = self.clock.now_ns()
        sample = self._read_again(limit_s) if self.spec.retries else self._do_read(limit_s)
        self._refuse_stamp(before_ns, sample)
        if sample.bits >> self.spec.input_count:
            raise BoardGarbled(
                f"board {self.name}: reads {sample.bits:#x} on {self.spec.input_count} inputs; not used:"
                f" driver {self.spec.driver} is at fault, or `inputs` in the bench file"
            )
        self.failing = False
        return sample

    def read_back(self, timeout_s: float | None = None) -> int | None:
        """The outputs as the board reports them, bit k for output k; None where it cannot."""
        limit_s = self._ready(timeout_s)
        return self._again(lambda: self._do_read_back(limit_s))

    def make_safe(self, timeout_s: float | None = None) -> Stamp:
        """All outputs safe: off but for `safe_on`. The image is so afterwards even when the write fails."""
        self._image = self.spec.safe_image
        limit_s = self._ready(timeout_s)
        self.failing = True
        stamp = self._write_again(self._image, limit_s)
        self.failing = False
        return stamp

    def read_registers(
        self, table: Literal["holding", "input"], address: int, count: int, timeout_s: float | None = None
    ) -> tuple[int, ...]:
        """`count` registers from `address` on the wire, each 0 to 65535. BenchError where it has none."""
        return self._do_read_registers(table, address, count, self._ready(timeout_s))

    def write_registers(self, address: int, values: Sequence[int], timeout_s: float | None = None) -> Stamp:
        """Write holding registers. BenchError where it has none."""
        return self._do_write_registers(address, values, self._ready(timeout_s))

    def arm_watchdog(self, timeout_s: float | None = None) -> float:
        """Clear and arm the board's watchdog with the time-out of `spec.watchdog`.

        Returns the time-out as read back from the board, s. Raises BenchError where it has none.
        """
        return self._do_arm_watchdog(self._ready(timeout_s))

    def feed_watchdog(self, timeout_s: float | None = None) -> None:
        """Feed it, where reading and writing alone do not."""
        limit_s = self._ready(timeout_s)
        self._again(lambda: self._do_feed_watchdog(limit_s))

    @property
    def descriptor(self) -> int | None:
        """The file descriptor of the open transport, for another process to take over; None if none.

        Together with `connections`: a driver that connects anew counts that up.
        """
        return self._descriptor() if self._open else None

    @property
    def connections(self) -> int:
        """How often the transport has been opened so far."""
        return self._connections()

    @property
    def remarks(self) -> tuple[str, ...]:
        """What to know of the open transport, for the record: how coarse its times are. None for most."""
        return self._remarks() if self._open else ()

    def adopt(self, descriptor: int) -> None:
        """Open on the descriptor that a process now dead had open. It is drained before the first request.

        The board owns the descriptor from here on, even when this raises. Raises BenchError.
        """
        if self._open:
            raise BenchError(
                f"board {self.name}: is open already; a descriptor is adopted instead of opening"
            )
        self._do_adopt(descriptor, self.spec.timeout_s)
        self._open = True

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

    def _refuse_stamp(self, before_ns: int, stamp: Stamp | Sample) -> None:
        """A transaction lies within the call that made it; all times, and every wait, are built on that."""
        if not before_ns <= stamp.sent_ns <= stamp.received_ns <= self.clock.now_ns():
            raise BenchError(
                f"board {self.name}: driver {self.spec.driver} states a transaction from {stamp.sent_ns} to"
                f" {stamp.received_ns} ns that cannot be; not used: correct the driver"
            )

    def _ready(self, timeout_s: float | None) -> float:
        if not self._open:
            raise BoardClosed(f"board {self.name}: used while closed; open it first")
        limit_s = self.spec.timeout_s if timeout_s is None else timeout_s
        if not 0 < limit_s < inf:
            raise ValueError(f"{self.name}: time-out {limit_s} s; a finite number above 0 is needed")
        return limit_s

    def _again(self, act: Callable[[], Done]) -> Done:
        """Do it, and once more for each retry allowed while no answer or a garbled one comes."""
        for left in range(self.spec.retries, -1, -1):
            try:
                return act()
            except (BoardTimeout, BoardGarbled) as error:
                if not self.spec.retries:
                    raise
                if not left:
                    raise type(error)(f"{error} (asked {self.spec.retries + 1} times)") from error
                self.retried += 1
        raise AssertionError("at least one attempt is made")

    def _read_again(self, limit_s: float) -> Sample:
        first_ns, before = self.clock.now_ns(), self.retried
        sample = self._again(lambda: self._do_read(limit_s))
        if self.retried == before or self.tells_answers_apart:
            return sample
        return sample._replace(sent_ns=first_ns)

    def _write_again(self, image: int, limit_s: float) -> Stamp:
        """The stamp of a repeated write runs from the first sending: nobody knows when it took effect."""
        first_ns, before = self.clock.now_ns(), self.retried
        stamp = self._again(lambda: self._do_write(image, limit_s))
        return stamp if self.retried == before else Stamp(first_ns, stamp.received_ns)

    def _do_prepare(self) -> None:  # noqa: B027 - most drivers import nothing heavy
        pass

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

    def _do_read_registers(
        self,
        table: Literal["holding", "input"],
        address: int,
        count: int,  # noqa: ARG002 - a hook's default
        timeout_s: float,  # noqa: ARG002
    ) -> tuple[int, ...]:
        raise self._lacks(f"{table} register {address}")

    def _do_write_registers(self, address: int, values: Sequence[int], timeout_s: float) -> Stamp:  # noqa: ARG002
        raise self._lacks(f"holding register {address}")

    def _do_arm_watchdog(self, timeout_s: float) -> float:  # noqa: ARG002
        raise self._lacks("watchdog")

    def _do_feed_watchdog(self, timeout_s: float) -> None:  # noqa: B027 - any request feeds most
        pass

    def _descriptor(self) -> int | None:
        return None

    def _connections(self) -> int:
        return 0

    def _remarks(self) -> tuple[str, ...]:
        return ()

    def _do_adopt(self, descriptor: int, timeout_s: float) -> None:  # noqa: ARG002
        raise self._lacks("transport that can be handed on")

    def _lacks(self, what: str) -> BenchError:
        return BenchError(
            f"board {self.name}: driver {self.spec.driver} has no {what}; take it out of the bench file"
        )
