"""Whole runs over a faulty wire in memory, every reading and every acknowledged command held to the truth.

The simulated panel notes what it was really asked and told, and when. A reading that a driver hands out is
true only if the board reported just that between the reading's two stamps; an acknowledged command only if it
was carried out between its stamps. So a stale answer, a foreign one or one to another question cannot hide.
"""

from __future__ import annotations

import random
import threading
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from memory_wire import Injector, MemoryConnection, MemoryLine, MemoryWire

from drivers.modbus_rtu import ModbusRtuBoard
from drivers.modbus_server import ModbusServer
from drivers.modbus_tcp import ModbusTcpBoard
from drivers.rig import SimulatedRig
from drivers.rig_device import devices
from drivers.rtu_frame import sealed
from drivers.rtu_server import RtuBus
from drivers.simulated import SimulatedBoard
from drivers.text_device import TextDevice
from drivers.text_line import TextLineBoard
from harness.bench.board import Board, Sample, Stamp
from harness.bench.hands import HAND, hand_channels
from harness.bench.parts import Bench, BoardSpec
from harness.clock import NS, VirtualClock
from harness.demo_files import resolve
from harness.errors import BenchError
from harness.measure.reading import Verdict
from harness.run.engine import Engine, Result
from harness.run.hands import SimulatedHands, cannot_ask
from harness.run.origin import Origin
from harness.run.rig import Fittings, Rig
from harness.sequence.files import load_sequence
from harness.sequence.steps import Sequence as Procedure

LOADED = load_sequence(resolve("demo:th-s0.sequence.yaml"))
TIMEOUT_S = 0.06
LONGEST_CALL_S = 6 * TIMEOUT_S  # one call of a driver: its drain and its check question are bounded too
LOST = ("request lost", "answer lost", "silence", "truncated", "flood", "disconnect")
TIMED = ("late", "delayed", "in pieces", "request twice", "answer twice", "out of order", "merged")
WRONG = ("another unit's",)
FLIPS = ("answer flipped", "request flipped")
PANEL_FAULTS = ("K1 coil open", "K1.13-14 stuck open", "K1.13-14 stuck closed", "K1 slow to release")


class NotingRig(SimulatedRig):
    """Notes every read and every write that reaches it, with its moment; one thread at a time."""

    def __init__(self, *words: Any, **names: Any) -> None:
        super().__init__(*words, **names)
        self._one = threading.RLock()
        self.reads: list[tuple[int, str, int]] = []
        self.writes: list[tuple[int, str, int]] = []

    def read(self, board: str) -> int:
        with self._one:
            bits = super().read(board)
            self.reads.append((self.clock.now_ns(), board, bits))
            return bits

    def write(self, board: str, image: int) -> None:
        with self._one:
            super().write(board, image)
            self.writes.append((self.clock.now_ns(), board, image))


@dataclass
class Truth:
    """What the drivers handed out, held against what the rig noted. `false` are the lies found."""

    rig: NotingRig
    longest_call_s: float = 0.0
    readings: int = 0
    false: list[str] = field(default_factory=list)

    def check_read(self, board: str, sample: Sample) -> None:
        self.readings += 1
        if not _noted(self.rig.reads, board, sample.bits, sample):
            self.false.append(f"read {sample.bits:#x} between {sample.sent_ns} and {sample.received_ns}")

    def check_write(self, board: str, image: int, stamp: Stamp) -> None:
        if not _noted(self.rig.writes, board, image, stamp):
            self.false.append(f"wrote {image:#x} between {stamp.sent_ns} and {stamp.received_ns}")

    def check_read_back(self, board: str, image: int | None, now_ns: int) -> None:
        if image is None:
            return
        told = [entry[2] for entry in self.rig.writes if entry[1] == board and entry[0] <= now_ns]
        if image != (told[-1] if told else 0):
            self.false.append(f"read back {image:#x} at {now_ns}, in truth {told[-1:]}")

    def took(self, duration_ns: int) -> None:
        self.longest_call_s = max(self.longest_call_s, duration_ns / NS)


def _noted(notes: list[tuple[int, str, int]], board: str, value: int, stamp: Sample | Stamp) -> bool:
    for at_ns, name, noted in reversed(notes):
        if at_ns < stamp.sent_ns:
            return False
        if name == board and noted == value and at_ns <= stamp.received_ns:
            return True
    return False


class HeldToTruth:
    """Mixed into a driver's class: what its hooks return is checked, and how long they took."""

    truth: Truth
    name: str
    clock: Any

    def _held(self, act: Callable[[], Any]) -> Any:
        before_ns = self.clock.now_ns()
        try:
            return act()
        finally:
            self.truth.took(self.clock.now_ns() - before_ns)

    def _do_read(self, timeout_s: float) -> Sample:
        sample: Sample = self._held(lambda: super(HeldToTruth, self)._do_read(timeout_s))  # type: ignore[misc]
        self.truth.check_read(self.name, sample)
        return sample

    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        stamp: Stamp = self._held(lambda: super(HeldToTruth, self)._do_write(image, timeout_s))  # type: ignore[misc]
        self.truth.check_write(self.name, image, stamp)
        return stamp

    def _do_read_back(self, timeout_s: float) -> int | None:
        image: int | None = self._held(
            lambda: super(HeldToTruth, self)._do_read_back(timeout_s)  # type: ignore[misc]
        )
        self.truth.check_read_back(self.name, image, self.clock.now_ns())
        return image


class TcpHeld(HeldToTruth, ModbusTcpBoard):
    """Modbus TCP held to the truth."""


class RtuHeld(HeldToTruth, ModbusRtuBoard):
    """Modbus RTU held to the truth."""


class TextHeld(HeldToTruth, TextLineBoard):
    """A text line held to the truth."""


@dataclass(frozen=True)
class Protocol:
    """A way to talk: how a board of it is made over a wire, what answers, and which faults it must see."""

    name: str
    settings: dict[str, Any]
    held: Callable[..., Board]
    make: Callable[[BoardSpec, VirtualClock, MemoryWire], Board]
    respond: Callable[[SimulatedRig], Callable[[bytes], bytes]]
    foreign: Callable[[bytes], bytes]
    detectable: tuple[str, ...]
    undetectable: tuple[str, ...]
    in_order: bool


def _answer_tcp(rig: SimulatedRig) -> Callable[[bytes], bytes]:
    server = ModbusServer.__new__(ModbusServer)  # the answering part alone; it listens nowhere
    server._devices = dict(devices(rig))  # type: ignore[attr-defined]

    def answer(data: bytes) -> bytes:
        whole = len(data) >= 8 and data[2:4] == b"\0\0" and int.from_bytes(data[4:6]) == len(data) - 6
        return server.answer(data) if whole else b""

    return answer


TCP = Protocol(
    "Modbus TCP",
    {"host": "memory", "unit": 1},
    TcpHeld,
    lambda spec, clock, wire: TcpHeld(spec, clock, dial=lambda _address, _s: MemoryConnection(wire)),
    _answer_tcp,
    lambda frame: frame[:6] + bytes([frame[6] ^ 2]) + frame[7:],
    (*LOST, *TIMED, *WRONG, "stale"),
    FLIPS,
    in_order=False,
)
RTU = Protocol(
    "Modbus RTU",
    {"port": "memory", "baud": 115200, "unit": 1, "soonest answer": "0.6 ms"},
    RtuHeld,
    lambda spec, clock, wire: RtuHeld(spec, clock, open_line=lambda: MemoryLine(wire)),
    lambda rig: RtuBus(devices(rig)).answer,
    lambda frame: sealed(bytes([frame[0] ^ 2]) + frame[1:-2]),
    (*LOST, *TIMED, *WRONG, *FLIPS),
    ("stale",),
    in_order=True,
)
TEXT = Protocol(
    "text line",
    {"port": "memory", "unit": 1},
    TextHeld,
    lambda spec, clock, wire: TextHeld(spec, clock, open_line=lambda: MemoryLine(wire)),
    lambda rig: TextDevice(devices(rig), {}).feed,
    lambda reply: reply.replace(b" 1 ", b" 3 "),
    (*LOST, *TIMED, *WRONG),
    (*FLIPS, "stale"),
    in_order=True,
)
PROTOCOLS = {protocol.name: protocol for protocol in (TCP, RTU, TEXT)}


@dataclass
class Outcome:
    """One run: what was put in, what came of it."""

    result: Result
    truth: Truth
    counts: Counter[str]
    retried: int
    lasted_s: float
    left_on: int

    @property
    def safe(self) -> bool:
        """All outputs off in truth, or the run said that it could not make them so."""
        return not self.left_on or bool(self.result.unsafe)


def bench_with(settings: dict[str, Any], timeout_s: float = TIMEOUT_S) -> Bench:
    """TH-S0's bench, its board reached by `settings`."""
    spec = replace(LOADED.bench.boards[0], settings=settings, timeout_s=timeout_s, retries=2)
    return replace(LOADED.bench, boards=(spec,))


def run(
    protocol: Protocol, kinds: Sequence[str], *, seed: int, share: float, faults: Sequence[str] = ()
) -> Outcome:
    """One run of TH-S0 with `kinds` of wire fault befalling a `share` of all requests, in virtual time."""
    clock = VirtualClock()
    bench = bench_with(protocol.settings)
    rig = NotingRig(LOADED.panel, bench, clock, seed=seed, faults=faults)
    injector = Injector(kinds, share, random.Random(f"{seed} {protocol.name}"), resting=True)
    wire = MemoryWire(
        clock,
        protocol.respond(rig),
        injector,
        foreign=protocol.foreign,
        late_ns=round(TIMEOUT_S * NS),
        in_order=protocol.in_order,
    )
    board = protocol.make(bench.boards[0], clock, wire)
    return carried_out(board, rig, injector, LOADED.sequence, seed)


def carried_out(board: Board, rig: NotingRig, injector: Injector, sequence: Procedure, seed: int) -> Outcome:
    """The run itself, over a wire that is healthy until the board is open."""
    clock, bench = rig.clock, rig.bench
    truth = board.truth = Truth(rig)  # type: ignore[attr-defined]
    hand = SimulatedBoard(rig.specs[HAND], clock, rig, seed=seed)
    board.open()
    hand.open()
    injector.resting = False
    hands = SimulatedHands(hand, hand_channels(bench.hand_set, LOADED.panel.positions))
    fittings = Fittings({board.name: board}, clock, lambda _event: None, cannot_ask, hands)
    engine = Engine(Rig(LOADED.panel, bench, fittings, Origin(0)), sequence, seed=seed, screen=False)
    result = engine.run()
    left_on = rig.outputs(board.name)
    try:
        board.close()
    except BenchError:
        result.error = result.error or "close let an error out"
    return Outcome(result, truth, injector.counts, board.retried, clock.now_ns() / NS, left_on)


def wrong(outcome: Outcome, *, faulty: bool, truthful: bool, hurried: bool = False) -> list[str]:
    """Every promise that the run broke. `truthful`: only faults that the bus can detect were put in.

    `hurried`: on the real clock, where this computer itself may be away for a while.
    """
    broken = []
    verdict = outcome.result.verdict
    if faulty and verdict is Verdict.PASS:
        broken.append("a faulty panel passed")
    if truthful and not faulty and verdict is Verdict.FAIL:
        broken.append(f"a good panel failed: {outcome.result.failed}")
    if truthful:
        broken += outcome.truth.false[:3]
    if not outcome.safe:
        broken.append(f"outputs {outcome.left_on:#x} left on and nothing said")
    if outcome.truth.longest_call_s > LONGEST_CALL_S + hurried:
        broken.append(f"a call took {outcome.truth.longest_call_s:.3f} s")
    return broken
