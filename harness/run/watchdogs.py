"""The boards' own watchdogs: armed, proved, fed, and every sign that one has tripped.

They are what is left when this computer, its program or its cable dies. So before the supply contactor closes
each is armed and read back, and once per bench it is proved: with the panel's supply off an output is
switched on and must stay on while the board is fed; then the board is left without a request for its time-out
and a margin, and must read safe.
Whoever cannot show that does not run.

During a run any poll feeds most boards; the rest is fed at every third of the time-out. A run that was itself
silent for longer than the time-out cannot know what the panel saw meanwhile, and ends.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Protocol, runtime_checkable
from weakref import WeakKeyDictionary

from harness.bench.board import Board
from harness.bench.parts import Watchdog
from harness.bench.watchdog_proofs import Proof, Proofs, description_of, due_after, margin_s
from harness.clock import NS, Clock, rfc3339
from harness.errors import BenchError, BenchUnsafe
from harness.run.events import WatchdogArmed, WatchdogProved

if TYPE_CHECKING:
    from harness.run.rig import Rig

FEEDS_IN_TIME_OUT = 3
SHORTEST_SHARE = 0.5
"""A time-out that reads back shorter than this share of what was asked for: its count is too coarse."""

SAME_S = 1e-9
_ARMED: WeakKeyDictionary[Board, float] = WeakKeyDictionary()
"""The time-outs that this program armed, s. A board that was only looked at has none that it could lose."""

SLICE_NS = NS // 50
"""While a board is left in silence, the guardian is told this often that the runner lives."""


def guarded(boards: Mapping[str, Board]) -> list[Board]:
    """The boards that have a watchdog by their bench file."""
    return [board for board in boards.values() if board.spec.watchdog is not None]


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
    _refuse_disarmed(board)


@runtime_checkable
class TellsTimeOut(Protocol):
    """A board whose watchdog's time-out can be read without arming it again."""

    def watchdog_time_out(self) -> float:
        """As it is in the board now, s."""


def _refuse_disarmed(board: Board) -> None:
    """A board that restarted while its outputs were safe looks as before, but has lost its watchdog."""
    armed_s = _ARMED.get(board)
    if armed_s is None or not isinstance(board, TellsTimeOut):
        return
    found_s = board.watchdog_time_out()
    if abs(found_s - armed_s) > SAME_S:
        raise BenchUnsafe(
            f"board {board.name}: lost its watchdog: it restarted, or somebody else writes to it (time-out "
            f"{found_s * 1e3:g} ms, {armed_s * 1e3:g} ms was armed); look at its supply and cable"
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
    _ARMED[board] = armed_s
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
    """Fed, the output stays on; in silence it goes off. Keeps the proof where proofs are kept.

    It is switched off and on again between the two: an output that falls by itself some time after it was
    switched on has then shown it in the first part, which is the longer one.
    """
    watchdog = board.spec.watchdog
    assert watchdog is not None
    armed_s = _arm(rig, board)
    _switch_on(rig, board, watchdog)
    _keep_fed(rig, board, armed_s)
    board.write({watchdog.proof_output: False})
    _switch_on(rig, board, watchdog)
    off_within_ms = _see_it_trip(rig, board, watchdog, armed_s)
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


def _switch_on(rig: Rig, board: Board, watchdog: Watchdog) -> None:
    clock = rig.fittings.clock
    board.write({watchdog.proof_output: True})
    if watchdog.proof_input is not None:
        clock.sleep_until(clock.now_ns() + rig.lag_ns)
    if not _seen(board, watchdog, board.outputs):
        raise BenchUnsafe(
            f"board {board.name}: output {watchdog.proof_output} does not read on when it is switched on to "
            "prove the watchdog; check 'proof output' and, where there is one, the loop to 'proof input'"
        )


def _keep_fed(rig: Rig, board: Board, armed_s: float) -> None:
    """The control: a fed board keeps its output on for longer than the silence that is to switch it off."""
    watchdog, clock = board.spec.watchdog, rig.fittings.clock
    assert watchdog is not None
    begun_ns = clock.now_ns()
    pause_ns = round(min(max(board.spec.poll_s, SLICE_NS / NS), armed_s / FEEDS_IN_TIME_OUT) * NS)
    until_ns = begun_ns + _silence_ns(rig, watchdog, armed_s) + round(margin_s(armed_s) * NS)
    while clock.now_ns() < until_ns:
        rig.fittings.beat()
        clock.sleep_until(clock.now_ns() + pause_ns)
        _feed(board)
        if not _seen(board, watchdog, board.outputs):
            raise BenchUnsafe(
                f"board {board.name}: output {watchdog.proof_output} went off by itself within "
                f"{(clock.now_ns() - begun_ns) // 1_000_000} ms although the board was fed, so it proves no "
                "watchdog; check its output mode (pulse?), its supply, and how its watchdog is fed"
            )


def _see_it_trip(rig: Rig, board: Board, watchdog: Watchdog, armed_s: float) -> int:
    """Leave the board in silence; its first request then is the one that looks. Returns off within, ms."""
    clock, retried = rig.fittings.clock, board.retried
    silent_since_ns = clock.now_ns()
    _leave_in_silence(rig, silent_since_ns + _silence_ns(rig, watchdog, armed_s))
    off_within_ms = -(-(clock.now_ns() - silent_since_ns) // 1_000_000)
    seen = _seen(board, watchdog, board.spec.safe_image)
    if board.retried != retried:
        raise BenchError(
            f"board {board.name}: it had to be asked again after the silence, so nobody knows which request "
            "found its watchdog tripped; look at its cable, and start again"
        )
    if not seen:
        raise BenchUnsafe(
            f"board {board.name}: its watchdog did not switch off after {off_within_ms} ms without a request "
            f"(time-out {armed_s * 1e3:g} ms); nothing would switch off if this computer died: "
            "correct its watchdog settings, or take 'watchdog' out and never leave the bench alone"
        )
    return off_within_ms


def _silence_ns(rig: Rig, watchdog: Watchdog, armed_s: float) -> int:
    """Time-out and margin, and where an input shows it, what that lags behind: nothing waits afterwards."""
    lag_ns = 0 if watchdog.proof_input is None else rig.lag_ns
    return round((armed_s + margin_s(armed_s)) * NS) + lag_ns


def _seen(board: Board, watchdog: Watchdog, wanted: int) -> bool:
    """Whether the board's outputs show `wanted`: at the looped input where there is one, and as read back.

    The input is asked first, without a wait: a board that looks at its watchdog only when a request comes
    switches off then, and its relay is still seen on. WITHOUT A PROOF INPUT SUCH A BOARD CANNOT BE TOLD from
    one that switched off in the silence.
    """
    if watchdog.proof_input is not None:
        looped = board.read().bits >> watchdog.proof_input & 1
        on = looped == wanted >> watchdog.proof_output & 1
        return on and board.read_back() in (None, wanted)
    image = board.read_back()
    if image is None:
        raise BenchError(
            f"board {board.name}: it cannot read its outputs back, so its watchdog cannot be proved; "
            "loop the proof output to an input and name that as 'proof input'"
        )
    return image == wanted


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
