"""The boards' own watchdogs: armed, proved, fed, and every sign that one has tripped.

They are what is left when this computer, its program or its cable dies. So before the supply contactor closes
each is armed and read back, and once per bench it is proved: with the panel's supply off an output is
switched on, the board is left without a request for its time-out and a margin, and must then read safe.
Whoever cannot show that does not run.

During a run any poll feeds most boards; the rest is fed at every third of the time-out. A run that was itself
silent for longer than the time-out cannot know what the panel saw meanwhile, and ends.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING

from harness.bench.board import Board
from harness.bench.watchdog_proofs import Proof, Proofs, description_of, due_after
from harness.clock import NS, Clock, rfc3339
from harness.errors import BenchError, BenchUnsafe
from harness.run.events import WatchdogArmed, WatchdogProved

if TYPE_CHECKING:
    from harness.run.rig import Rig

FEEDS_IN_TIME_OUT = 3
SHORTEST_SHARE = 0.5
"""A time-out that reads back shorter than this share of what was asked for: its count is too coarse."""

SLICE_NS = NS // 50
"""While a board is left in silence, the guardian is told this often that the runner lives."""


def guarded(boards: Mapping[str, Board]) -> list[Board]:
    """The boards that have a watchdog by their bench file."""
    return [board for board in boards.values() if board.spec.watchdog is not None]


def margin_s(time_out_s: float) -> float:
    """How much later than its time-out a watchdog may act: a board looks at it once in a scan of its own."""
    return max(0.1, time_out_s / 5)


class Feeder:
    """Keeps the watchdogs fed. `beat` is called at every poll and write and before anything that may wait."""

    def __init__(self, boards: Mapping[str, Board], clock: Clock, beat: Callable[[], None]) -> None:
        self._boards = guarded(boards)
        self._clock = clock
        self._told = beat
        self._shortest_ns = 0
        self._last_ns = self._due_ns = 0

    def begin(self, time_outs_s: Iterable[float]) -> None:
        """From here on silence counts."""
        self._shortest_ns = round(min(time_outs_s, default=0.0) * NS)
        self._last_ns = self._due_ns = self._clock.now_ns()

    def stop(self) -> None:
        """The bench is made safe: nothing has to be kept on any longer."""
        self._shortest_ns = 0

    def beat(self) -> None:
        """Raises BenchUnsafe when the boards have heard nothing for as long as the shortest time-out."""
        self._told()
        if not self._shortest_ns:
            return
        now_ns = self._clock.now_ns()
        silent_ns = now_ns - self._last_ns
        if silent_ns >= self._shortest_ns:
            raise BenchUnsafe(
                f"the run was silent for {silent_ns / NS:.2f} s, as long as a watchdog's time-out of "
                f"{self._shortest_ns / NS:g} s: boards have switched off by themselves; find out what holds "
                "this computer up (a slow disk, a stopped process), or lengthen the time-out"
            )
        if now_ns >= self._due_ns:
            self._due_ns = now_ns + self._shortest_ns // FEEDS_IN_TIME_OUT
            for board in self._boards:
                _feed(board)
        self._last_ns = now_ns


def _feed(board: Board) -> None:
    """A board without inputs is not polled, so its outputs are read back, or commanded again as they are."""
    board.feed_watchdog()
    if not board.spec.input_count and board.read_back() is None:
        board.write({})


def refuse_changed(board: Board) -> None:
    """Outputs that are not as commanded: they changed by themselves, and with them what the panel saw."""
    image = board.read_back() if board.spec.output_count else None
    if image not in (None, board.outputs):
        raise BenchUnsafe(
            f"board {board.name}: outputs changed by themselves, from {board.outputs:#x} to {image:#x}: its "
            " watchdog tripped, it restarted, or somebody else writes to it; look at its supply and cable"
        )


def make_ready(rig: Rig) -> None:
    """Arm and prove every watchdog, then arm all of them again and make their boards safe.

    The panel's supply is off. Raises BenchUnsafe when one is not shown to work.
    """
    boards = guarded(rig.fittings.boards)
    for board in boards:
        proof = _standing(rig, board)
        _say_proved(rig, proof, "proved before") if proof else _prove(rig, board)
    armed = [_arm(rig, board) for board in boards]
    for board in boards:
        board.make_safe()
        if board.read_back() not in (None, board.spec.safe_image):
            raise BenchUnsafe(
                f"board {board.name}: outputs are not safe after its watchdog was armed; "
                "do not use this board until it is repaired"
            )
    rig.feeder.begin(armed)


def _standing(rig: Rig, board: Board) -> Proof | None:
    proofs = _kept(rig)
    return proofs.standing(board.spec, rig.fittings.clock.wall()) if proofs else None


def _kept(rig: Rig) -> Proofs | None:
    """Where proofs are kept; nowhere for a simulated bench, which proves at every start."""
    return None if rig.bench.simulated else rig.fittings.proofs


def _arm(rig: Rig, board: Board) -> float:
    """Clear and arm; the time-out as read back must be the one asked for, or one count of the board less."""
    wanted = board.spec.watchdog
    assert wanted is not None
    armed_s = board.arm_watchdog()
    if not SHORTEST_SHARE * wanted.time_out_s <= armed_s <= wanted.time_out_s * (1 + 1e-9):
        raise BenchUnsafe(
            f"board {board.name}: its watchdog reads back {armed_s * 1e3:g} ms, "
            f"{wanted.time_out_s * 1e3:g} ms was asked for; check 'time-out' and its watchdog settings"
        )
    rig.fittings.sink(
        WatchdogArmed(
            at_us=rig.now_us,
            board=board.name,
            time_out_ms=round(wanted.time_out_s * 1e3),
            read_back_ms=round(armed_s * 1e3),
        )
    )
    return armed_s


def _prove(rig: Rig, board: Board) -> None:
    """Switch on, stop talking, see it off. Keeps the proof where proofs are kept."""
    watchdog = board.spec.watchdog
    assert watchdog is not None
    armed_s = _arm(rig, board)
    stamp = board.write({watchdog.proof_output: True})
    if not _seen(rig, board, board.outputs):
        raise BenchUnsafe(
            f"board {board.name}: output {watchdog.proof_output} does not read on when it is switched on to "
            "prove the watchdog; check 'proof output' and, where there is one, the loop to 'proof input'"
        )
    silent_since_ns = rig.fittings.clock.now_ns()
    _leave_in_silence(rig, silent_since_ns + round((armed_s + margin_s(armed_s)) * NS))
    off_within_ms = -(-(rig.fittings.clock.now_ns() - stamp.received_ns) // 1_000_000)
    if not _seen(rig, board, board.spec.safe_image):
        raise BenchUnsafe(
            f"board {board.name}: its watchdog did not switch off after {off_within_ms} ms without a request "
            f"(time-out {armed_s * 1e3:g} ms); nothing would switch off if this computer died: "
            "correct its watchdog settings, or take 'watchdog' out and never leave the bench alone"
        )
    now = rig.fittings.clock.wall()
    proof = Proof(
        board=board.name,
        driver=board.spec.driver,
        description=description_of(board.spec),
        time_out_ms=round(watchdog.time_out_s * 1e3),
        proof_output=watchdog.proof_output,
        off_within_ms=off_within_ms,
        proved=rfc3339(now),
        due=due_after(now),
    )
    proofs = _kept(rig)
    trouble = proofs.keep(proof) if proofs else ""
    _say_proved(rig, proof, f"proved now, not kept: {trouble}" if trouble else "proved now")


def _seen(rig: Rig, board: Board, wanted: int) -> bool:
    """Whether the board's outputs show `wanted`: as read back, and at the looped input where there is one."""
    watchdog = board.spec.watchdog
    assert watchdog is not None
    clock = rig.fittings.clock
    image = board.read_back()
    if watchdog.proof_input is None:
        if image is None:
            raise BenchError(
                f"board {board.name}: it cannot read its outputs back, so its watchdog cannot be proved; "
                "loop the proof output to an input and name that as 'proof input'"
            )
        return image == wanted
    clock.sleep_until(clock.now_ns() + rig.lag_ns)
    bits = board.read().bits
    looped = bits >> watchdog.proof_input & 1 == wanted >> watchdog.proof_output & 1
    return looped and image in (None, wanted)


def _leave_in_silence(rig: Rig, until_ns: int) -> None:
    clock = rig.fittings.clock
    while clock.now_ns() < until_ns:
        rig.fittings.beat()
        clock.sleep_until(min(until_ns, clock.now_ns() + SLICE_NS))


def _say_proved(rig: Rig, proof: Proof, text: str) -> None:
    rig.fittings.sink(
        WatchdogProved(
            at_us=rig.now_us,
            board=proof.board,
            time_out_ms=proof.time_out_ms,
            off_within_ms=proof.off_within_ms,
            proved=proof.proved,
            due=proof.due,
            text=text,
        )
    )
