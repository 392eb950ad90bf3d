"""A relay and input board on Modbus, on whatever line: outputs are coils, inputs are discrete inputs.

All outputs go in one transaction (function 15, or 5 for a board with one output), all inputs come in one
(function 2); outputs are read back with function 1. Where there are more than the protocol, or `most at once`
of the bench file, allows in one request, they go in several: the stamp then runs from before the first to
after the last, and A SPLIT WRITE IS NOT ONE MOMENT: outputs of different parts move one after the other, so
what must move together must lie in one part. To make safe, every part is tried even when one fails.

Holding registers are read with function 3, input registers with 4, one register is written with 6, several
with 16. A board's watchdog is one register that holds its time-out in counts, with optional registers to
clear it after it has tripped, and to feed it where not every request does. `identification: no` in the
settings is for boards that keep silent when they are asked what they do not know.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Literal, Protocol

from drivers.modbus_settings import Settings, channel_problems, values_of, watchdog_problems
from harness.bench.board import Board, Identity, Sample, Stamp
from harness.bench.parts import BoardSpec
from harness.clock import NS, Clock
from harness.errors import BenchError, BenchUnsafe, BoardRefused, BoardTimeout

if TYPE_CHECKING:
    from drivers.modbus_question import Question

MOST_AT_ONCE = 1968  # outputs in one request, MODBUS Application Protocol V1.1b3, 6.11
_CANNOT_SAY = (1, 2, 3)  # exceptions of a board that has no identification
Table = Literal["holding", "input"]


class Asking(Protocol):
    """An exchange: one question and its answer at a time."""

    def connect(self, timeout_s: float) -> None: ...

    def adopt(self, descriptor: int, timeout_s: float) -> None: ...

    def ask(
        self, question: Question, timeout_s: float, *, insist: bool = False
    ) -> tuple[int, int, bytes]: ...

    def close(self) -> None: ...

    @property
    def descriptor(self) -> int | None: ...

    @property
    def connections(self) -> int: ...


class ModbusBoard(Board):
    """One unit. A driver says how its exchange is made, and how it is taken over."""

    def __init__(self, spec: BoardSpec, clock: Clock, problems: Sequence[str]) -> None:
        """`problems` are those of the settings. Raises BenchError where the bench file's data are wrong."""
        super().__init__(spec, clock)
        if wrong := problems or channel_problems(spec):
            raise BenchError(f"board {spec.name}: {wrong[0]}")
        self._values = values_of(spec.settings)
        self._mask = (1 << spec.input_count) - 1
        self._line: Asking
        self._polls: list[tuple[Question, int]] = []
        self._only_poll: Question | None = None

    @staticmethod
    def check_watchdog(settings: Settings) -> list[str]:
        """Why a board with these settings cannot have its watchdog armed; empty when it can."""
        return watchdog_problems(settings)

    @staticmethod
    def moves_at_once(settings: Settings, outputs: int) -> bool:
        """Not where one request cannot hold them all."""
        most = str(settings.get("most at once", MOST_AT_ONCE))
        return outputs <= min(MOST_AT_ONCE, int(most) if most.isdecimal() else 0)

    @abstractmethod
    def _make_exchange(self) -> Asking: ...

    def _do_prepare(self) -> None:
        # pymodbus costs 67 ms to import: only a board that is opened pays
        from drivers import modbus_question  # noqa: PLC0415

        self._questions = modbus_question

    def _do_open(self, timeout_s: float) -> None:
        self._begin()
        self._line.connect(timeout_s)

    def _do_adopt(self, descriptor: int, timeout_s: float) -> None:
        self._begin()
        self._line.adopt(descriptor, timeout_s)

    def _begin(self) -> None:
        """Make the exchange, and prepare what is asked at every poll."""
        self._do_prepare()
        spec, values = self.spec, self._values
        self._line = self._make_exchange()
        self._polls = [
            (self._questions.read_bits(2, values.first_input + at, count, values.unit), at)
            for at, count in self._parts(2, spec.input_count)
        ]
        self._only_poll = self._polls[0][0] if len(self._polls) == 1 else None

    def _parts(self, function: int, count: int) -> list[tuple[int, int]]:
        """Where each request begins, and how many it is for."""
        most = min(self._questions.MOST[function], self._values.most)
        return [(at, min(most, count - at)) for at in range(0, count, most)]

    def _do_identify(self, timeout_s: float) -> Identity:
        objects: dict[int, bytes] = {}
        wanted: int | None = 0 if self._values.identifies else None
        try:
            while wanted is not None:
                answer = self._line.ask(self._questions.identify(self._values.unit, wanted), timeout_s)
                new, wanted = self._questions.objects_of(answer[2])
                if not new.keys() - objects.keys():
                    break
                objects |= new
        except BoardRefused as error:
            if error.code not in _CANNOT_SAY:
                raise
        except BoardTimeout as error:
            if isinstance(error.__cause__, BoardTimeout):  # it was silent to the question before it, too
                raise
            raise BoardTimeout(f"{error}; if it is silent to this alone, set `identification: no`") from error
        maker, product, revision = (objects.get(k, b"").decode("latin-1").strip("\0 ") for k in range(3))
        return Identity(maker, product, revision, simulated=product == "SIMULATED BOARD")

    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        safe = image == self.spec.safe_image
        stamps, failure = [], None
        for question in self._writes(image):
            try:
                sent_ns, received_ns, _ = self._line.ask(question, timeout_s, insist=safe)
                stamps.append(Stamp(sent_ns, received_ns))
            except BenchError as error:
                failure = failure or error
                if not safe:
                    break
        if failure is not None:
            raise failure
        return _over(stamps, self.clock)

    def _writes(self, image: int) -> list[Question]:
        values, parts = self._values, self._parts(15, self.spec.output_count)
        if parts and max(count for _, count in parts) == 1:
            return [
                self._questions.write_coil(values.first_output + at, bool(image >> at & 1), values.unit)
                for at, _ in parts
            ]
        return [
            self._questions.write_coils(values.first_output + at, count, image >> at, values.unit)
            for at, count in parts
        ]

    def _do_read(self, timeout_s: float) -> Sample:
        if self._only_poll is not None:
            sent_ns, received_ns, answer = self._line.ask(self._only_poll, timeout_s)
            return Sample(sent_ns, received_ns, int.from_bytes(answer[2:], "little") & self._mask)
        stamp, bits = self._bits(self._polls, timeout_s)
        return Sample(stamp.sent_ns, stamp.received_ns, bits & self._mask)

    def _do_read_back(self, timeout_s: float) -> int | None:
        count, values = self.spec.output_count, self._values
        parts = [
            (self._questions.read_bits(1, values.first_output + at, part, values.unit), at)
            for at, part in self._parts(1, count)
        ]
        return self._bits(parts, timeout_s)[1] & ((1 << count) - 1)

    def _bits(self, parts: Sequence[tuple[Question, int]], timeout_s: float) -> tuple[Stamp, int]:
        stamps, bits = [], 0
        for question, at in parts:
            sent_ns, received_ns, answer = self._line.ask(question, timeout_s)
            stamps.append(Stamp(sent_ns, received_ns))
            bits = bits & ~(-1 << at) | self._questions.bits_of(answer) << at
        return _over(stamps, self.clock), bits

    def _do_read_registers(self, table: Table, address: int, count: int, timeout_s: float) -> tuple[int, ...]:
        function: Literal[3, 4] = 3 if table == "holding" else 4
        found: tuple[int, ...] = ()
        for at, part in self._parts(function, count):
            make = partial(self._questions.read_registers, function, address + at, part, self._values.unit)
            question = self._made(make)
            found += self._questions.values_of(self._line.ask(question, timeout_s)[2])
        return found

    def _do_write_registers(self, address: int, values: Sequence[int], timeout_s: float) -> Stamp:
        unit, stamps = self._values.unit, []
        for at, part in self._parts(16, len(values)):
            make = partial(self._questions.write_registers, address + at, values[at : at + part], unit)
            if len(values) == 1:
                make = partial(self._questions.write_register, address, values[0], unit)
            question = self._made(make)
            sent_ns, received_ns, _ = self._line.ask(question, timeout_s)
            stamps.append(Stamp(sent_ns, received_ns))
        return _over(stamps, self.clock)

    def _made(self, make: Callable[[], Question]) -> Question:
        try:
            return make()
        except ValueError as error:
            raise BenchError(f"board {self.name}: registers: {error}") from error

    def _do_arm_watchdog(self, timeout_s: float) -> float:
        wanted, place = self.spec.watchdog, self._values.watchdog
        if wanted is None or place is None:
            raise self._lacks("watchdog")
        if place.clear is not None:
            self._do_write_registers(place.clear[0], [place.clear[1]], timeout_s)
        counts = max(1, round(wanted.time_out_s * NS) // place.count_ns)
        if counts > 0xFFFF:
            raise BenchError(
                f"board {self.name}: watchdog time-out {wanted.time_out_s:g} s is {counts} counts of"
                f" {place.count_ns / NS:g} s; 65535 are the most; shorten it in the bench file"
            )
        self._do_write_registers(place.register, [counts], timeout_s)
        armed = self._do_read_registers("holding", place.register, 1, timeout_s)[0]
        if armed != counts:
            raise BenchUnsafe(
                f"board {self.name}: watchdog register {place.register} reads back {armed}, written {counts};"
                " the watchdog is not armed as wanted; check the register in the board's manual"
            )
        return armed * place.count_ns / NS

    def watchdog_time_out(self) -> float:
        """As the register holds it now, s."""
        place = self._values.watchdog
        if place is None:
            raise self._lacks("watchdog")
        counts = self._again(lambda: self.read_registers("holding", place.register, 1))[0]
        return counts * place.count_ns / NS

    def _do_feed_watchdog(self, timeout_s: float) -> None:
        place = self._values.watchdog
        if place is not None and place.feed is not None:
            self._do_write_registers(place.feed[0], [place.feed[1]], timeout_s)

    def _descriptor(self) -> int | None:
        return self._line.descriptor

    def _connections(self) -> int:
        return self._line.connections

    def _do_close(self) -> None:
        self._line.close()


def _over(stamps: Sequence[Stamp], clock: Clock) -> Stamp:
    """From before the first to after the last; now where there was nothing to ask."""
    if not stamps:
        return Stamp(clock.now_ns(), clock.now_ns())
    return Stamp(stamps[0].sent_ns, stamps[-1].received_ns)
