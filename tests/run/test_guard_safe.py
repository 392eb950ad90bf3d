"""What the guardian does on the boards: supply first, in turn, again and again, proved; dead boards last."""

from __future__ import annotations

import os
from typing import Any

import pytest

from harness.bench.board import Board, Identity, Sample, Stamp
from harness.bench.parts import BoardSpec, SpecialChannel
from harness.clock import NS, VirtualClock
from harness.errors import BenchError, BoardAbsent, BoardRefused, BoardTimeout
from harness.run.guard_safe import LONGEST_PAUSE_NS, MakingSafe

TIMEOUT_S = 0.5
Log = list[tuple[str, str, int]]


class Io(Board):
    """A board in memory, on a line that tells its answers apart. `image`: its outputs.

    `away_until_s`: before that nothing answers. `stuck`: outputs that stay on whatever is written;
    `mute`: refuses to say its outputs.
    """

    tells_answers_apart = True

    def __init__(self, name: str, clock: VirtualClock, log: Log, image: int = 0b10000111) -> None:
        spec = BoardSpec(
            name=name, driver="io", settings={}, output_count=8, input_count=0, timeout_s=TIMEOUT_S
        )
        super().__init__(spec, clock)
        self.virtual, self.log, self.image = clock, log, image
        self.latched = False
        self.away_until_s, self.stuck, self.mute = 0.0, 0, False
        self.adoptable, self.connected, self.broken_driver = False, False, False

    def note(self, what: str, value: int = 0) -> None:
        self.log.append((self.name, what, value))

    def reach(self, timeout_s: float) -> None:
        if self.broken_driver:
            raise ZeroDivisionError("a mistake of the driver")
        if self.virtual.now_ns() < self.away_until_s * NS:
            self.virtual.advance(round(timeout_s * NS))
            raise BoardTimeout(f"board {self.name}: no answer")
        self.virtual.advance(NS // 1000)

    def _do_open(self, timeout_s: float) -> None:
        self.note("open")
        self.reach(timeout_s)
        self.connected = True

    def _do_adopt(self, descriptor: int, timeout_s: float) -> None:
        os.close(descriptor)
        self.note("adopt")
        if not self.adoptable:
            raise BoardAbsent(f"board {self.name}: the port is gone")
        self.connected = True

    def _do_identify(self, timeout_s: float) -> Identity:
        return Identity()

    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        self.note("write", image)
        sent_ns = self.virtual.now_ns()
        assert self.connected
        self.reach(timeout_s)
        if self.latched:
            raise BoardRefused(
                f"board {self.name}: refused with exception 02 (illegal data address); look there",
                code=2,
            )
        self.image = image | self.stuck
        return Stamp(sent_ns, self.virtual.now_ns())

    def _do_read(self, timeout_s: float) -> Sample:
        return Sample(0, 0, 0)

    def _do_read_back(self, timeout_s: float) -> int | None:
        self.reach(timeout_s)
        if self.mute:
            raise BoardRefused("refused", code=1)
        return self.image

    def _do_close(self) -> None:
        self.connected = False


class Case:
    """Boards A, B, C, the contactor on B, and what was told."""

    def __init__(self, contactor: int | None = 7) -> None:
        self.clock, self.log = VirtualClock(), Log()
        self.boards = {name: Io(name, self.clock, self.log) for name in "ABC"}
        self.told: list[tuple[str, dict[str, Any], int]] = []
        channel = None if contactor is None else SpecialChannel(board="B", channel=contactor)
        self.making = MakingSafe(
            list(self.boards.values()), channel, self.clock, lambda *entry: self.told.append(entry)
        )
        self.rounds = 0

    def run(self, patience_s: float | None = None) -> bool:
        return self.making.run(patience_s, self._between)

    def _between(self) -> None:
        self.rounds += 1
        assert self.rounds < 100_000

    def kinds(self) -> list[str]:
        return [kind for kind, _, _ in self.told]

    def safe_at_s(self) -> dict[str, float]:
        return {data["board"]: at / NS for kind, data, at in self.told if kind == "board safe"}


def test_the_contactor_opens_alone_and_first_then_every_board_goes_safe() -> None:
    case = Case()
    assert case.run()
    writes = [(name, value) for name, what, value in case.log if what == "write"]
    assert writes == [("B", 0b0000111), ("B", 0), ("A", 0), ("C", 0)]
    assert {board.image for board in case.boards.values()} == {0}
    assert case.kinds() == ["board safe"] * 3
    assert all(data["proved"] for _, data, _ in case.told)


def test_on_a_line_that_cannot_tell_answers_apart_the_contactor_goes_with_its_board(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(Io, "tells_answers_apart", False)
    case = Case()
    assert case.run()
    writes = [(name, value) for name, what, value in case.log if what == "write"]
    assert writes == [("B", 0), ("A", 0), ("C", 0)]


def test_a_contactor_that_is_off_costs_nothing() -> None:
    case = Case()
    case.boards["B"].image = 0b111
    assert case.run()
    assert [value for name, what, value in case.log if (name, what) == ("B", "write")] == [0]


def test_outputs_that_are_on_in_the_safe_state_end_on() -> None:
    case = Case()
    spec = BoardSpec(
        name="A", driver="io", settings={}, output_count=8, input_count=0, timeout_s=TIMEOUT_S, safe_on=(2, 4)
    )
    case.boards["A"].spec = spec
    assert case.run()
    assert case.boards["A"].image == 0b10100


@pytest.mark.parametrize("dead", ["A", "B", "C"])
def test_a_dead_board_delays_the_others_by_its_time_out_and_no_more(dead: str) -> None:
    case = Case()
    case.boards[dead].away_until_s = 60.0
    assert case.run()
    others = {name: at for name, at in case.safe_at_s().items() if name != dead}
    assert max(others.values()) < TIMEOUT_S + 0.02
    assert 60.0 < case.safe_at_s()[dead] < 60.0 + 2 * TIMEOUT_S + LONGEST_PAUSE_NS / NS


def test_two_dead_boards_still_do_not_keep_the_third_waiting() -> None:
    case = Case()
    case.boards["A"].away_until_s = case.boards["B"].away_until_s = 30.0
    assert case.run()
    assert case.safe_at_s()["C"] < 2 * TIMEOUT_S + 0.02


def test_it_never_gives_up_on_a_real_board_and_does_not_fill_the_disk_meanwhile() -> None:
    case = Case()
    case.boards["C"].away_until_s = 3600.0
    assert case.run(None)
    assert case.boards["C"].image == 0
    told = [data["attempts"] for kind, data, _ in case.told if kind == "attempt failed"]
    assert told == [2**power for power in range(len(told))]
    assert 10 <= len(told) <= 13  # an hour of an attempt a second or so


def test_with_a_limit_it_gives_up_and_says_what_is_left() -> None:
    case = Case()
    case.boards["C"].away_until_s = 3600.0
    assert not case.run(5.0)
    assert case.making.left == ["C"]
    assert 5.0 < case.clock.now_ns() / NS < 5.0 + 2 * TIMEOUT_S + LONGEST_PAUSE_NS / NS


def test_an_output_that_stays_on_is_not_called_safe() -> None:
    case = Case()
    case.boards["A"].stuck = 0b10
    assert not case.run(1.0)
    assert case.making.left == ["A"]
    texts = {data["error"] for kind, data, _ in case.told if kind == "attempt failed"}
    assert ["its outputs read 0x2" in text for text in texts] == [True]


@pytest.mark.parametrize(
    ("spoil", "trouble"),
    [
        pytest.param({"away_until_s": 3600.0}, "cannot be reached", id="away"),
        pytest.param(
            {"latched": True},
            "refuses the command (exception 02 (illegal data address); look there)",
            id="refused",
        ),
        pytest.param(
            {"stuck": 0b10}, "took the command, but its outputs read 0x2, safe would be 0x0", id="stuck"
        ),
        pytest.param({"broken_driver": True}, "cannot be asked, its driver failed", id="driver"),
    ],
)
def test_what_is_left_is_told_by_what_the_board_did(spoil: dict[str, Any], trouble: str) -> None:
    """A board that answers and refuses is not one that cannot be reached."""
    case = Case()
    for name, value in spoil.items():
        setattr(case.boards["C"], name, value)
    assert not case.run(1.0)
    assert case.making.troubles == {"C": trouble}


def test_a_board_that_cannot_say_is_commanded_not_proved() -> None:
    case = Case()
    case.boards["A"].mute = case.boards["B"].mute = True
    assert case.run()
    assert case.making.unproved == ["B", "A"]
    assert {board.image for board in case.boards.values()} == {0}


@pytest.mark.parametrize(("image", "safe"), [(0, True), (0b10, False)])
def test_a_board_whose_watchdog_tripped_may_refuse_if_it_reads_safe(image: int, safe: bool) -> None:
    case = Case()
    case.boards["A"].image, case.boards["A"].latched = image, True
    assert case.run(1.0) == safe
    assert case.making.left == ([] if safe else ["A"])


def test_a_drivers_own_mistake_keeps_no_other_board_waiting() -> None:
    case = Case()
    case.boards["B"].broken_driver = True
    assert not case.run(1.0)
    assert case.making.left == ["B"]
    assert max(case.safe_at_s().values()) < 0.02


def test_open_ports_are_taken_over_by_the_first_board_on_them_that_is_tried() -> None:
    """B holds the contactor and is tried first, so it adopts; A on the same port opens in this process."""
    case = Case()
    for board in case.boards.values():
        board.adoptable = True
    case.making.take_over({os.open(os.devnull, os.O_RDONLY): ["A", "B"]})
    assert case.run()
    reached = [(name, what) for name, what, _ in case.log if what in {"adopt", "open"}]
    assert reached == [("B", "adopt"), ("A", "open"), ("C", "open")]
    assert {d["board"]: d["adopted"] for _, d, _ in case.told} == {"A": False, "B": True, "C": False}


def test_a_port_that_cannot_be_taken_over_is_opened_anew_at_once() -> None:
    case = Case()
    case.making.take_over({os.open(os.devnull, os.O_RDONLY): ["A"]})
    assert case.run()
    assert case.safe_at_s()["A"] < 0.02


def test_a_descriptor_of_an_unknown_board_is_closed() -> None:
    case = Case()
    number = os.open(os.devnull, os.O_RDONLY)
    case.making.take_over({number: ["Z"]})
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fstat(number)


def test_errors_are_told_in_words() -> None:
    case = Case()
    case.boards["A"].away_until_s = 0.1
    case.boards["C"].broken_driver = True
    case.run(0.5)
    texts = [data["error"] for kind, data, _ in case.told if kind == "attempt failed"]
    assert texts[:2] == ["board A: no answer", "ZeroDivisionError: a mistake of the driver"]
    assert issubclass(BoardTimeout, BenchError)
