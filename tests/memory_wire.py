"""A wire in memory and virtual time: bytes go to a device and back, and faults are put in on the way.

One `MemoryWire` is what lies between an exchange and the devices behind it. Each time the exchange sends,
the injector chooses what befalls that request or its answer. Everything that is on its way is a list of
moments and bytes, so the same seed gives the same faults. `MemoryConnection` dresses the wire as a socket,
`MemoryLine` as a serial line.
"""

from __future__ import annotations

import heapq
import random
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from harness.clock import NS, VirtualClock

ONE_WAY_NS = 300_000
MS = 1_000_000
Respond = Callable[[bytes], bytes]


@dataclass
class Injector:
    """Chooses what befalls each request: one of `kinds` with probability `share`, otherwise nothing.

    `counts` is how often each kind was put in. `resting` keeps the wire healthy, as while boards are opened.
    """

    kinds: Sequence[str]
    share: float
    rng: random.Random
    counts: Counter[str] = field(default_factory=Counter)
    resting: bool = False

    def choose(self) -> str:
        if self.resting or not self.kinds or self.rng.random() >= self.share:
            return ""
        kind = self.rng.choice(self.kinds)
        self.counts[kind] += 1
        return kind


class MemoryWire:
    """Bytes on their way between one exchange and what `respond` stands for.

    `foreign` turns an answer into the same answer of another unit. `late_ns` is the exchange's time-out: an
    answer that is `late` comes after it. `in_order`: the device answers one question after another, as one on
    a serial line does, so that what is late holds up what follows it. A wire that was disconnected refuses to
    be opened for a while.
    """

    def __init__(
        self,
        clock: VirtualClock,
        respond: Respond,
        injector: Injector,
        *,
        foreign: Callable[[bytes], bytes],
        late_ns: int,
        in_order: bool,
    ) -> None:
        self.clock = clock
        self.injector = injector
        self._respond = respond
        self._foreign = foreign
        self._late_ns = late_ns
        self._in_order = in_order
        self._busy_ns = 0
        self._serial = 0
        self._asked: list[tuple[int, int, bytes, str]] = []
        self._coming: list[tuple[int, int, bytes]] = []
        self._here = bytearray()
        self._last = b""
        self._held = b""
        self._silent_for = 0
        self._back_ns = 0
        self.gone = True

    def open(self) -> None:
        """A new connection: what was on its way to the old one never arrives."""
        if self.clock.now_ns() < self._back_ns:
            self.clock.advance(MS)  # finding that out takes time too
            raise ConnectionRefusedError("refused")
        self._asked.clear()
        self._coming.clear()
        self._here.clear()
        self._held = b""
        self.gone = False

    def send(self, data: bytes) -> None:
        self._pump(self.clock.now_ns())
        if self.gone:
            raise BrokenPipeError("the wire is gone")
        kind = self.injector.choose()
        if self._silent_for:
            self._silent_for -= 1
            return
        match kind:
            case "disconnect":
                self.gone = True
                self._back_ns = self.clock.now_ns() + self.injector.rng.randrange(80 * MS)
            case "silence":
                self._silent_for = self.injector.rng.randrange(1, 4)
            case "request lost":
                pass
            case "request flipped":
                self._ask(flipped(data, self.injector.rng), "")
            case "request twice":
                self._ask(data, "")
                self._ask(data, "")
            case _:
                self._ask(data, kind)

    def receive(self, most: int, deadline_ns: int) -> bytes:
        """What has come, once anything has; empty at the deadline. Raises when the connection is lost."""
        while True:
            self._pump(self.clock.now_ns())
            if self._here:
                data = bytes(self._here[:most])
                del self._here[:most]
                return data
            if self.gone:
                raise ConnectionResetError("closed by the other end")
            moments = [queue[0][0] for queue in (self._asked, self._coming) if queue]
            if not moments or min(moments) > deadline_ns:
                self.clock.sleep_until(deadline_ns)
                return b""
            self.clock.sleep_until(min(moments))

    def _ask(self, data: bytes, kind: str) -> None:
        self._serial += 1
        heapq.heappush(self._asked, (self.clock.now_ns() + ONE_WAY_NS, self._serial, data, kind))

    def _pump(self, now_ns: int) -> None:
        while self._asked and self._asked[0][0] <= now_ns:
            _, _, request, kind = heapq.heappop(self._asked)
            answer = self._respond(request)
            if answer:
                self._answer(answer, kind)
        while self._coming and self._coming[0][0] <= now_ns:
            self._here += heapq.heappop(self._coming)[2]

    def _answer(self, answer: bytes, kind: str) -> None:
        """Put the answer, or what became of it, on its way."""
        held, self._held = self._held, answer if kind == "out of order" else b""
        last, self._last = self._last, answer
        for after_ns, data in befallen(
            kind, answer, last or answer, self._foreign, self._late_ns, self.injector.rng
        ):
            self._come(data, after_ns)
        if held:
            self._come(held, MS)

    def _come(self, data: bytes, after_ns: int = 0) -> None:
        self._serial += 1
        at_ns = self.clock.now_ns() + ONE_WAY_NS + after_ns
        if self._in_order:
            at_ns = self._busy_ns = max(at_ns, self._busy_ns)
        heapq.heappush(self._coming, (at_ns, self._serial, data))


def befallen(
    kind: str, answer: bytes, last: bytes, foreign: Callable[[bytes], bytes], late_ns: int, rng: random.Random
) -> list[tuple[int, bytes]]:
    """What comes in place of `answer`, and how much later each part, ns. `last` is the answer before."""
    cut = rng.randrange(1, len(answer)) if len(answer) > 1 else 1
    twice = rng.choice((answer + answer, answer + last, last + answer))
    true_too = [(rng.randrange(2 * MS), answer)] if rng.random() < 0.5 else []
    table: dict[str, list[tuple[int, bytes]]] = {
        "answer lost": [],
        "out of order": [],
        "answer flipped": [(0, flipped(answer, rng))],
        "truncated": [(0, answer[:cut])],
        "late": [(late_ns + rng.randrange(3 * late_ns), answer)],
        "delayed": [(rng.randrange(late_ns // 2), answer)],
        "in pieces": [(0, answer[:cut]), (rng.randrange(200_000, 700_000), answer[cut:])],
        "answer twice": [(0, answer), (rng.randrange(20 * MS), answer)],
        "merged": [(0, twice)],
        "another unit's": [(0, foreign(answer)), *true_too],
        "stale": [(0, last)],
        "flood": [(0, rng.randbytes(rng.randrange(300, 5000)))],
    }
    return table.get(kind, [(0, answer)])


def flipped(data: bytes, rng: random.Random) -> bytes:
    """One to three bits turned over."""
    changed = bytearray(data)
    for place in rng.sample(range(8 * len(data)), rng.randrange(1, 4)):
        changed[place // 8] ^= 1 << place % 8
    return bytes(changed)


class MemoryConnection:
    """The wire as a socket, for the exchange of Modbus TCP."""

    def __init__(self, wire: MemoryWire) -> None:
        self._wire = wire
        self._timeout_ns = NS
        self._closed = False
        wire.open()

    def sendall(self, data: bytes, /) -> None:
        self._wire.send(data)

    def recv(self, most: int, /) -> bytes:
        try:
            data = self._wire.receive(most, self._wire.clock.now_ns() + self._timeout_ns)
        except ConnectionResetError:
            return b""
        if not data:
            raise TimeoutError("nothing came")
        return data

    def settimeout(self, seconds: float | None, /) -> None:
        assert seconds is not None
        self._timeout_ns = round(seconds * NS)

    def setsockopt(self, level: int, option: int, value: int | bytes, /) -> None:
        """Nothing to set."""

    def close(self) -> None:
        if not self._closed:
            self._closed = True
            self._wire.gone = True


class MemoryLine:
    """The wire as a line, for the exchanges on serial lines."""

    remarks: tuple[str, ...] = ()
    is_pseudo = True
    descriptor = None

    def __init__(self, wire: MemoryWire) -> None:
        self._wire = wire
        wire.open()

    def send(self, data: bytes, deadline_ns: int) -> None:
        self._wire.send(data)

    def receive(self, most: int, deadline_ns: int) -> bytes:
        return self._wire.receive(most, deadline_ns)

    def close(self) -> None:
        self._wire.gone = True
