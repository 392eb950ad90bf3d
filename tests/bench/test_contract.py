"""The contract suite finds every broken promise, and nothing in a board that keeps them all."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from harness.bench.board import Board, Identity, Sample, Stamp
from harness.bench.contract import check_board
from harness.bench.parts import BoardSpec
from harness.clock import VirtualClock
from harness.errors import BoardAbsent, BoardClosed

SPEC = BoardSpec(name="IO1", driver="list", settings={}, output_count=3, input_count=5)


class Relays:
    """What stays when a board object is thrown away: the outputs, and how often it was opened."""

    def __init__(self) -> None:
        self.outputs = 0
        self.asked = 0


class ListBoard(Board):
    """A board in memory that keeps every promise; each transaction takes 2 us."""

    def __init__(self, relays: Relays, clock: VirtualClock, spec: BoardSpec = SPEC) -> None:
        super().__init__(spec, clock)
        self.relays, self.virtual = relays, clock

    def _stamp(self) -> Stamp:
        sent_ns = self.virtual.now_ns()
        self.virtual.advance(2_000)
        return Stamp(sent_ns, self.virtual.now_ns())

    def _do_open(self, timeout_s: float) -> None:
        pass

    def _do_identify(self, timeout_s: float) -> Identity:
        return Identity("maker", "product")

    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        self.relays.outputs = image
        return self._stamp()

    def _do_read(self, timeout_s: float) -> Sample:
        stamp = self._stamp()
        return Sample(stamp.sent_ns, stamp.received_ns, 0b10110)

    def _do_read_back(self, timeout_s: float) -> int | None:
        return self.relays.outputs

    def _do_close(self) -> None:
        pass


class CannotReadBack(ListBoard):
    def _do_read_back(self, timeout_s: float) -> int | None:
        return None


class NoOutputs(ListBoard):
    def __init__(self, relays: Relays, clock: VirtualClock) -> None:
        spec = BoardSpec(name="IN1", driver="list", settings={}, output_count=0, input_count=5)
        super().__init__(relays, clock, spec)


class OpenTurnsOn(ListBoard):
    def _do_open(self, timeout_s: float) -> None:
        self.relays.outputs = 1


class OpenAlwaysReopens(ListBoard):
    def open(self) -> None:
        super().open()
        self._image = self.relays.outputs = 0


class WorksWhileClosed(ListBoard):
    def _ready(self, timeout_s: float | None) -> float:
        return self.spec.timeout_s if timeout_s is None else super()._ready(timeout_s)


class ClosedAsKeyError(ListBoard):
    def _ready(self, timeout_s: float | None) -> float:
        if not self._open:
            raise KeyError("line")
        return super()._ready(timeout_s)


class ForgetsItsName(ListBoard):
    def _do_identify(self, timeout_s: float) -> Identity:
        self.relays.asked += 1
        return Identity("maker", f"product {self.relays.asked}")


class IdentifiesAsText(ListBoard):
    def _do_identify(self, timeout_s: float) -> Any:
        return "product"


class DropsOneOutput(ListBoard):
    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        return super()._do_write(image & ~0b100, timeout_s)


class SwapsOutputs(ListBoard):
    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        return super()._do_write(image & 4 | image >> 1 & 1 | (image & 1) << 1, timeout_s)


class NeverSwitchesOff(ListBoard):
    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        return super()._do_write(image | self.relays.outputs if image else 0, timeout_s)


class WritesOnlyWhatIsNamed(ListBoard):
    """Forgets the outputs that a write does not name."""

    def write(self, states: Mapping[int, bool], timeout_s: float | None = None) -> Stamp:
        self._ready(timeout_s)
        self._image = 0
        return super().write(states, timeout_s)


class TakesAnyChannel(ListBoard):
    def write(self, states: Mapping[int, bool], timeout_s: float | None = None) -> Stamp:
        known = {k: on for k, on in states.items() if 0 <= k < self.spec.output_count}
        return super().write(known, timeout_s)


class MovesBeforeItRefuses(ListBoard):
    def write(self, states: Mapping[int, bool], timeout_s: float | None = None) -> Stamp:
        stamp = self._stamp()
        for channel, on in states.items():
            stamp = super().write({channel: on}, timeout_s)
        return stamp if states else super().write({}, timeout_s)


class TakesAnyTimeout(ListBoard):
    def _ready(self, timeout_s: float | None) -> float:
        return super()._ready(None)


class TakesEndlessTimeout(ListBoard):
    def _ready(self, timeout_s: float | None) -> float:
        return super()._ready(None if timeout_s == float("inf") else timeout_s)


class StampsBackwards(ListBoard):
    def _do_read(self, timeout_s: float) -> Sample:
        sample = super()._do_read(timeout_s)
        return Sample(sample.received_ns, sample.sent_ns, sample.bits)


class StampsBeforeItWasAsked(ListBoard):
    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        stamp = super()._do_write(image, timeout_s)
        return Stamp(stamp.sent_ns - 1, stamp.received_ns)


class StampsTheFuture(ListBoard):
    def _do_read(self, timeout_s: float) -> Sample:
        sample = super()._do_read(timeout_s)
        return Sample(sample.sent_ns, sample.received_ns + 1, sample.bits)


class PadsItsSample(ListBoard):
    def _do_read(self, timeout_s: float) -> Sample:
        sample = super()._do_read(timeout_s)
        return Sample(sample.sent_ns, sample.received_ns, 0xE0)


class MakesOnlyTheImageSafe(ListBoard):
    def make_safe(self, timeout_s: float | None = None) -> Stamp:
        self._ready(timeout_s)
        self._image = 0
        return self._stamp()


class KeepsTheImage(ListBoard):
    def make_safe(self, timeout_s: float | None = None) -> Stamp:
        return self._do_write(0, self._ready(timeout_s))


class ClosesWithOutputsOn(ListBoard):
    def close(self) -> None:
        self._open = False


class ClosesOnce(ListBoard):
    def close(self) -> None:
        self._ready(None)
        super().close()


class LeavesTheBlockOpen(ListBoard):
    def __exit__(self, *_: object) -> None:
        self._open = False


class OpensOnce(ListBoard):
    def _do_open(self, timeout_s: float) -> None:
        if getattr(self, "used", False):
            raise BoardAbsent("board IO1: gone after the first use")
        self.used = True


class NeverThere(ListBoard):
    def _do_open(self, timeout_s: float) -> None:
        raise BoardAbsent("board IO1: nothing there")


class LetsLibraryErrorsOut(ListBoard):
    def _do_read(self, timeout_s: float) -> Sample:
        raise ConnectionResetError("reset")


def check(board_class: type[ListBoard]) -> list[str]:
    relays, clock = Relays(), VirtualClock()
    return check_board(lambda: board_class(relays, clock))  # type: ignore[call-arg, arg-type]


@pytest.mark.parametrize("board_class", [ListBoard, CannotReadBack, NoOutputs])
def test_board_that_keeps_its_promises(board_class: type[ListBoard]) -> None:
    assert check(board_class) == []


@pytest.mark.parametrize(
    ("board_class", "promise"),
    [
        (OpenTurnsOn, "open leaves outputs not safe, although the board was made safe before"),
        (OpenAlwaysReopens, "open of an open board moves outputs"),
        (WorksWhileClosed, "read before open does not raise BoardClosed"),
        (WorksWhileClosed, "make_safe after close does not raise BoardClosed"),
        (ClosedAsKeyError, "closed before open: KeyError, not a BenchError: 'line'"),
        (ForgetsItsName, "identify says something else the second time"),
        (IdentifiesAsText, "identify does not return an Identity"),
        (DropsOneOutput, "after output 2 written on the board reads back 0x0, not 0x4"),
        (SwapsOutputs, "after output 0 written on the board reads back 0x2, not 0x1"),
        (
            NeverSwitchesOff,
            "after output 0 written off among others that are on the board reads back 0x7, not 0x6",
        ),
        (WritesOnlyWhatIsNamed, "after outputs written on one by one the output image is 0x4, not 0x7"),
        (TakesAnyChannel, "write of output 3 does not raise ValueError"),
        (TakesAnyChannel, "write of output -1 does not raise ValueError"),
        (MovesBeforeItRefuses, "after a write refused for output 3 the board reads back 0x7, not 0x0"),
        (TakesAnyTimeout, "read with time-out 0.0 does not raise ValueError"),
        (TakesAnyTimeout, "make_safe with time-out nan does not raise ValueError"),
        (TakesEndlessTimeout, "identify with time-out inf does not raise ValueError"),
        (StampsBackwards, "stamps in order: board IO1: driver list states a transaction from "),
        (StampsBeforeItWasAsked, "stamps in order: board IO1: driver list states a transaction from "),
        (StampsTheFuture, "stamps in order: board IO1: driver list states a transaction from "),
        (PadsItsSample, "samples fit: board IO1: reads 0xe0 on 5 inputs; not used"),
        (MakesOnlyTheImageSafe, "after make_safe the board reads back 0x7, not 0x0"),
        (KeepsTheImage, "after make_safe the output image is 0x7, not 0x0"),
        (ClosesWithOutputsOn, "close leaves outputs not safe"),
        (ClosesOnce, "closes safe and twice: board IO1: used while closed; open it first"),
        (LeavesTheBlockOpen, "the end of a with block leaves outputs not safe"),
        (OpensOnce, "opens again: board IO1: gone after the first use"),
        (NeverThere, "samples fit: board IO1: nothing there"),
        (LetsLibraryErrorsOut, "samples fit: ConnectionResetError, not a BenchError: reset"),
    ],
)
def test_broken_promise_is_found(board_class: type[ListBoard], promise: str) -> None:
    assert [line for line in check(board_class) if line.startswith(promise)], check(board_class)


def test_use_while_closed_raises_its_own_error() -> None:
    with pytest.raises(BoardClosed, match=r"^board IO1: used while closed; open it first$"):
        ListBoard(Relays(), VirtualClock()).read()
