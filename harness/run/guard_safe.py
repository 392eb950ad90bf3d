"""Making every board safe once nobody else does: in turn, again and again, proved where the board can say.

The panel's supply goes first where its board answers; then every board, so that one that does not answer
costs the others no more than its time-outs, and comes last from then on. What was switched off stays so,
because whoever could switch it on is gone before this begins.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from harness.bench.board import Board
from harness.bench.parts import SpecialChannel
from harness.clock import NS, Clock
from harness.errors import BenchError, BoardAbsent, BoardClosed, BoardGarbled, BoardRefused, BoardTimeout

Tell = Callable[[str, dict[str, Any], int], None]
"""Takes a kind, its data and the moment in ns; must be quick and must not raise."""

FIRST_PAUSE_NS = NS // 100
LONGEST_PAUSE_NS = NS // 2
UNREACHED = "cannot be reached"


class NotTaken(BenchError):
    """The board took the command, yet its outputs read otherwise."""


@dataclass(slots=True)
class _Charge:
    """One board, and how it went with it so far."""

    board: Board
    descriptor: int | None = None
    opened: bool = False
    adopted: bool = False
    misses: int = 0
    proved: bool | None = None
    trouble: str = ""


@dataclass(slots=True)
class MakingSafe:
    """`boards` not yet open, `contactor` the channel of the panel's supply if the bench has one."""

    boards: Sequence[Board]
    contactor: SpecialChannel | None
    clock: Clock
    tell: Tell
    _charges: list[_Charge] = field(init=False)

    def __post_init__(self) -> None:
        first = self.contactor.board if self.contactor else ""
        ordered = sorted(self.boards, key=lambda board: board.name != first)
        self._charges = [_Charge(board) for board in ordered]

    def take_over(self, descriptors: Mapping[int, Sequence[str]]) -> None:
        """Open ports of the runner, each with the boards on it; they are tried before opening anew."""
        for descriptor, names in descriptors.items():
            on_it = [charge for charge in self._charges if charge.board.name in names]
            if on_it:  # the first that is tried adopts it, the others find the port open in this process
                on_it[0].descriptor = descriptor
            else:
                os.close(descriptor)

    @property
    def left(self) -> list[str]:
        """The boards that are not known to be safe."""
        return [charge.board.name for charge in self._charges if charge.proved is None]

    @property
    def troubles(self) -> dict[str, str]:
        """What keeps each of those from being safe, in words that go on from the board's name."""
        return {charge.board.name: charge.trouble for charge in self._charges if charge.proved is None}

    @property
    def unproved(self) -> list[str]:
        """The boards that took the command but cannot say how their outputs are."""
        return [charge.board.name for charge in self._charges if charge.proved is False]

    def run(self, patience_s: float | None, between: Callable[[], None]) -> bool:
        """Try until every board is safe, or for `patience_s`; `between` is called after a round in vain."""
        give_up_ns = None if patience_s is None else self.clock.now_ns() + round(patience_s * NS)
        pause_ns = FIRST_PAUSE_NS
        while not self.round():
            if give_up_ns is not None and self.clock.now_ns() > give_up_ns:
                return False
            between()
            self.clock.sleep_until(self.clock.now_ns() + pause_ns)
            pause_ns = min(2 * pause_ns, LONGEST_PAUSE_NS)
        return True

    def round(self) -> bool:
        """One attempt at each board that is left: first all are commanded, then all are asked."""
        left = [charge for charge in self._charges if charge.proved is None]
        left.sort(key=lambda charge: charge.misses)
        commanded = [charge for charge in left if self._attempt(charge, self._command)]
        for charge in commanded:
            self._attempt(charge, self._prove)
        return not self.left

    def close(self) -> None:
        """Let go of every board."""
        for charge in self._charges:
            _close(charge.board)

    def _attempt(self, charge: _Charge, what: Callable[[_Charge], None]) -> bool:
        """Whether it went well. Also a driver's own mistake must not keep the other boards waiting."""
        try:
            what(charge)
        except Exception as error:
            charge.misses += 1
            charge.trouble = _trouble(charge.board.name, error)
            self._tell_missed(charge, error)
            return False
        return True

    def _command(self, charge: _Charge) -> None:
        self._reach(charge)
        if not charge.misses:
            self._supply_off(charge.board)
        try:
            charge.board.make_safe()
        except (
            BoardRefused
        ):  # as by a board whose own watchdog tripped and has not been cleared: safe already
            if charge.board.read_back() != charge.board.spec.safe_image:
                raise

    def _reach(self, charge: _Charge) -> None:
        """Open: on the runner's own port where there is one; anew after every second attempt in vain."""
        descriptor, charge.descriptor = charge.descriptor, None
        if descriptor is not None:
            with suppress(BenchError):
                charge.board.adopt(descriptor)
                charge.opened = charge.adopted = True
        if charge.opened and charge.misses and charge.misses % 2 == 0:
            charge.opened = charge.adopted = False
            _close(charge.board)
        if not charge.opened:
            charge.board.open()
            charge.opened = True

    def _supply_off(self, board: Board) -> None:
        """The contactor alone, the other outputs as they are: their contacts then break no current.

        For that they must be read. On a line where a late answer could be taken for this one, it would first
        have to be proved that none is due, which takes longer than the whole safe state is worth waiting for:
        there the contactor goes off in the same command as the board's other outputs.
        """
        if self.contactor is None or self.contactor.board != board.name or not board.tells_answers_apart:
            return
        channel = self.contactor.channel
        try:
            image = board.read_back()
        except BoardRefused:
            return
        if image is not None and image >> channel & 1:
            states = {number: bool(image >> number & 1) for number in range(board.spec.output_count)}
            board.write(states | {channel: False})

    def _prove(self, charge: _Charge) -> None:
        try:
            image = charge.board.read_back()
        except BoardRefused:
            image = None
        if image is not None and image != charge.board.spec.safe_image:
            raise NotTaken(
                f"board {charge.board.name}: took the command, but its outputs read {image:#x},"
                f" safe would be {charge.board.spec.safe_image:#x}"
            )
        charge.proved = image is not None
        data = {"board": charge.board.name, "proved": charge.proved, "adopted": charge.adopted}
        self.tell("board safe", data, self.clock.now_ns())

    def _tell_missed(self, charge: _Charge, error: Exception) -> None:
        """The first failure, the second, fourth, eighth and so on: a board may be away for days."""
        if charge.misses & (charge.misses - 1):
            return
        text = str(error) if isinstance(error, BenchError) else f"{type(error).__name__}: {error}"
        data = {"board": charge.board.name, "error": text, "attempts": charge.misses}
        self.tell("attempt failed", data, self.clock.now_ns())


def _trouble(name: str, error: Exception) -> str:
    """A board that answers is not one that cannot be reached: a person looks for other things then."""
    words = str(error).removeprefix(f"board {name}: ")
    if isinstance(error, NotTaken):
        return words
    if isinstance(error, BoardRefused):
        return f"refuses the command ({words.partition('refused with ')[2] or words})"
    if isinstance(error, BoardGarbled):
        return "gives answers that do not belong to the question"
    if isinstance(error, BoardAbsent | BoardTimeout | BoardClosed):
        return UNREACHED
    return "cannot be used" if isinstance(error, BenchError) else "cannot be asked, its driver failed"


def _close(board: Board) -> None:
    with suppress(Exception):
        board.close()
