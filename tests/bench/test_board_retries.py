"""Asking again: how often, what for, and what the stamps say then. A scripted board in virtual time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.bench.board import Board, Identity, Sample, Stamp
from harness.bench.contract import check_board
from harness.bench.files import load_bench
from harness.bench.parts import BoardSpec
from harness.clock import VirtualClock
from harness.errors import (
    BenchError,
    BoardAbsent,
    BoardClosed,
    BoardGarbled,
    BoardRefused,
    BoardTimeout,
    FileError,
)

SPEC = BoardSpec(name="IO1", driver="scripted", settings={}, output_count=4, input_count=4, retries=2)
SILENT, GARBLED = BoardTimeout("board IO1: no answer"), BoardGarbled("board IO1: foreign answer")
FINE = None
WAY_NS, TIMEOUT_NS = 1_000, 500_000_000


class Scripted(Board):
    """Each transaction fares as the script says, then all go well. A silent one takes the whole time-out."""

    outputs_now = 0

    def __init__(self, script: list[BenchError | None], spec: BoardSpec = SPEC) -> None:
        self.virtual = VirtualClock()
        super().__init__(spec, self.virtual)
        self.script = list(script)
        self.sent: list[str] = []

    def transact(self, what: str) -> Stamp:
        sent_ns = self.virtual.now_ns()
        self.sent.append(what)
        fate = self.script.pop(0) if self.script else FINE
        self.virtual.advance(TIMEOUT_NS if isinstance(fate, BoardTimeout) else 2 * WAY_NS)
        if fate is not None:
            raise fate
        return Stamp(sent_ns, self.virtual.now_ns())

    def _do_open(self, timeout_s: float) -> None:
        pass

    def _do_identify(self, timeout_s: float) -> Identity:
        self.transact("identify")
        return Identity("maker")

    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        stamp = self.transact(f"write {image:04b}")
        self.outputs_now = image
        return stamp

    def _do_read(self, timeout_s: float) -> Sample:
        stamp = self.transact("read")
        return Sample(stamp.sent_ns, stamp.received_ns, 0b0101)

    def _do_read_back(self, timeout_s: float) -> int | None:
        self.transact("read back")
        return self.outputs_now

    def _do_read_registers(
        self, table: object, address: int, count: int, timeout_s: float
    ) -> tuple[int, ...]:
        self.transact("read registers")
        return (7,) * count

    def _do_write_registers(self, address: int, values: object, timeout_s: float) -> Stamp:
        return self.transact("write registers")

    def _do_arm_watchdog(self, timeout_s: float) -> float:
        self.transact("arm")
        return 1.0

    def _do_feed_watchdog(self, timeout_s: float) -> None:
        self.transact("feed")

    def _do_close(self) -> None:
        pass


class Numbered(Scripted):
    tells_answers_apart = True


class Toggling(Scripted):
    repeatable = False


def opened(
    script: list[BenchError | None], kind: type[Scripted] = Scripted, spec: BoardSpec = SPEC
) -> Scripted:
    board = kind(script, spec)
    board.open()
    return board


CALLS: dict[str, Callable[[Board], Any]] = {
    "read": lambda board: board.read(),
    "write": lambda board: board.write({1: True}),
    "read back": lambda board: board.read_back(),
    "make safe": lambda board: board.make_safe(),
    "feed": lambda board: board.feed_watchdog(),
}
ONCE: dict[str, Callable[[Board], Any]] = {
    "identify": lambda board: board.identify(),
    "read registers": lambda board: board.read_registers("holding", 0, 1),
    "write registers": lambda board: board.write_registers(0, [1]),
    "arm": lambda board: board.arm_watchdog(),
}


@pytest.mark.parametrize("name", CALLS)
@pytest.mark.parametrize("allowed", [0, 1, 2, 5])
@pytest.mark.parametrize("failures", [0, 1, 2, 3, 5, 6])
def test_as_often_as_allowed_and_no_more(name: str, allowed: int, failures: int) -> None:
    script: list[BenchError | None] = [(SILENT, GARBLED)[k % 2] for k in range(failures)]
    board = opened(script, spec=replace(SPEC, retries=allowed))
    if failures <= allowed:
        CALLS[name](board)
        assert (len(board.sent), board.retried, board.failing) == (failures + 1, failures, False)
    else:
        with pytest.raises((BoardTimeout, BoardGarbled)):
            CALLS[name](board)
        assert (len(board.sent), board.retried) == (allowed + 1, allowed)
    assert len(set(board.sent)) == 1, "the same again, nothing else"


@pytest.mark.parametrize("name", ["read", "write", "make safe"])
def test_a_board_that_failed_for_good_is_known_as_failing(name: str) -> None:
    board = opened([SILENT] * 3)
    with pytest.raises(BoardTimeout, match=r"^board IO1: no answer \(asked 3 times\)$"):
        CALLS[name](board)
    assert board.failing


def test_without_retries_the_error_is_the_driver_s_own() -> None:
    board = opened([SILENT], spec=replace(SPEC, retries=0))
    with pytest.raises(BoardTimeout) as caught:
        board.read_back()
    assert caught.value is SILENT


@pytest.mark.parametrize("name", CALLS)
@pytest.mark.parametrize(
    "error",
    [
        BoardAbsent("gone"),
        BoardRefused("no", code=2),
        BoardClosed("closed"),
        BenchError("else"),
        OSError("x"),
    ],
    ids=lambda error: type(error).__name__,
)
def test_nothing_is_repeated_after_another_error(name: str, error: BenchError) -> None:
    board = opened([error])
    with pytest.raises(type(error)):
        CALLS[name](board)
    assert (len(board.sent), board.retried) == (1, 0)


@pytest.mark.parametrize("name", CALLS)
def test_an_absent_board_in_the_middle_ends_it(name: str) -> None:
    board = opened([SILENT, BoardAbsent("gone")])
    with pytest.raises(BoardAbsent):
        CALLS[name](board)
    assert (len(board.sent), board.retried) == (2, 1)


@pytest.mark.parametrize("name", ONCE)
@pytest.mark.parametrize("error", [SILENT, GARBLED], ids=["silent", "garbled"])
def test_identity_registers_and_arming_are_asked_once(name: str, error: BenchError) -> None:
    board = opened([error])
    with pytest.raises(type(error)):
        ONCE[name](board)
    assert (len(board.sent), board.retried) == (1, 0)


@pytest.mark.parametrize("error", [SILENT, GARBLED], ids=["silent", "garbled"])
def test_a_command_that_is_not_repeatable_is_sent_once_but_safe_is_always_sent_again(
    error: BenchError,
) -> None:
    board = opened([error], Toggling)
    with pytest.raises(type(error)):
        board.write({0: True})
    assert board.sent == ["write 0001"]
    board.script = [error, error]
    board.make_safe()
    assert board.sent[1:] == ["write 0000"] * 3
    board.script = [error]
    board.read()
    assert board.sent[-2:] == ["read", "read"], "reading may be repeated whatever its commands are"


def test_a_sample_is_stamped_by_the_attempt_that_went_well_where_answers_cannot_be_confused() -> None:
    board = opened([SILENT, GARBLED], Numbered)
    sample = board.read()
    assert sample == Sample(TIMEOUT_NS + 2 * WAY_NS, TIMEOUT_NS + 4 * WAY_NS, 0b0101)


def test_where_a_late_answer_may_pass_for_the_right_one_the_sample_is_as_old_as_the_first_asking() -> None:
    board = opened([SILENT, GARBLED])
    assert board.read() == Sample(0, TIMEOUT_NS + 4 * WAY_NS, 0b0101)
    at_ns = TIMEOUT_NS + 4 * WAY_NS
    assert board.read() == Sample(at_ns, at_ns + 2 * WAY_NS, 0b0101), "the next one is new again"


@pytest.mark.parametrize("kind", [Scripted, Numbered])
@pytest.mark.parametrize("name", ["write", "make safe"])
def test_a_repeated_command_is_stamped_from_its_first_sending(name: str, kind: type[Scripted]) -> None:
    board = opened([SILENT, SILENT], kind)
    board.virtual.advance(77)
    assert CALLS[name](board) == Stamp(77, 77 + 2 * TIMEOUT_NS + 2 * WAY_NS)
    assert board.outputs == (0b0010 if name == "write" else 0)


def test_a_command_that_failed_for_good_does_not_change_the_image() -> None:
    board = opened([GARBLED] * 3)
    with pytest.raises(BoardGarbled):
        board.write({3: True})
    assert board.outputs == 0


@pytest.mark.parametrize("kind", [Scripted, Numbered])
def test_the_contract_holds_on_a_line_that_fails_now_and_then(kind: type[Scripted]) -> None:
    """Every other transaction but the identification goes wrong; outputs outlive the board object."""
    kept = [0]

    class Poor(kind):  # type: ignore[misc,valid-type]
        turn = 0

        def transact(self, what: str) -> Stamp:
            self.turn += 1
            self.script = (
                [(SILENT, GARBLED)[self.turn % 4 // 2]] if self.turn % 2 and what != "identify" else []
            )
            return super().transact(what)

        @property
        def outputs_now(self) -> int:
            return kept[0]

        @outputs_now.setter
        def outputs_now(self, image: int) -> None:
            kept[0] = image

    assert check_board(lambda: Poor([])) == []
    kept[0] = 0
    without = replace(SPEC, retries=0)
    assert check_board(lambda: Poor([], without)) != []


BENCH = """\
format: 1
bench: TH-B7
boards:
  IO1: {{driver: simulated, outputs: 2, inputs: 2{}}}
"""


@pytest.mark.parametrize(("words", "retries"), [("", 0), (", retries: 0", 0), (", retries: 5", 5)])
def test_the_bench_file_says_how_often(words: str, retries: int, tmp_path: Path) -> None:
    path = tmp_path / "a.bench.yaml"
    path.write_text(BENCH.format(words))
    assert load_bench(path).bench.boards[0].retries == retries


@pytest.mark.parametrize("words", ["6", "-1", "1.5", "two", "1 ms"])
def test_the_bench_file_cannot_say_too_often(words: str, tmp_path: Path) -> None:
    path = tmp_path / "a.bench.yaml"
    path.write_text(BENCH.format(f", retries: {words}"))
    with pytest.raises(FileError) as caught:
        load_bench(path)
    assert "retries" in str(caught.value)
    assert str(caught.value).count("\n") == 0
