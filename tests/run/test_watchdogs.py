"""Watchdogs of boards in a run: armed, proved, fed, and noticed when one trips; proofs kept and let lapse."""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from bench_trials import LOADED, REST, Trial, bench, unseen
from serving import serving
from wire_benches import copy_demo, edit, journal_kinds, point_at, run

from drivers.rig import SimulatedRig
from drivers.rig_device import devices
from drivers.simulated import SimulatedBoard
from harness.bench.board import Sample, Stamp
from harness.bench.files import load_bench
from harness.bench.parts import BoardSpec, Watchdog
from harness.bench.watchdog_proofs import Proofs, description_of, due_after
from harness.clock import RealClock, VirtualClock
from harness.errors import BenchUnsafe
from harness.measure.reading import Verdict
from harness.run.events import Broken, MadeSafe, StepEnded, WatchdogArmed, WatchdogProved, Written
from harness.run.watchdogs import Feeder
from harness.sequence.steps import HoldStep, SetStep, Step, StopStep

WATCHDOG = Watchdog(time_out_s=0.5, proof_output=5)
MS = 1_000_000


def running(title: str, hold_s: float = 0.1) -> SetStep:
    states = {"K1": True, "P1": True}
    return SetStep(
        title=title, positions=REST | {"S1": "pressed"}, states=states, settle_s=0.3, hold_s=hold_s
    )


def switched(trial: Trial) -> list[tuple[int, dict[str, str]]]:
    return [(event.at_us, event.outputs) for event in trial.of_kind(Written)]


def test_each_is_armed_and_proved_before_the_supply_comes_on() -> None:
    trial = Trial(bench(watchdog=WATCHDOG))
    assert trial.run().verdict is Verdict.PASS
    armed, proved = trial.of_kind(WatchdogArmed), trial.of_kind(WatchdogProved)
    assert [(event.board, event.time_out_ms, event.read_back_ms) for event in armed] == [
        ("IO1", 500, 500)
    ] * 2
    assert [(event.board, event.time_out_ms, event.text) for event in proved] == [("IO1", 500, "proved now")]
    supply_on_us = next(at for at, outputs in switched(trial) if outputs.get("supply contactor") == "on")
    assert armed[0].at_us < proved[0].at_us < armed[1].at_us < supply_on_us
    assert proved[0].at_us - armed[0].at_us >= 600_000, "the time-out of 500 ms and a margin of 100 ms"
    assert 600 <= proved[0].off_within_ms <= 610


def test_a_bench_without_watchdogs_says_nothing_of_them() -> None:
    trial = Trial(bench())
    assert trial.run().verdict is Verdict.PASS
    assert trial.of_kind(WatchdogArmed) == trial.of_kind(WatchdogProved) == []


def breaking(how: str) -> Callable[[SimulatedRig], None]:
    def meddle(rig: SimulatedRig) -> None:
        rig.watchdogs["IO1"].broken = how  # type: ignore[assignment]

    return meddle


@pytest.mark.parametrize("how", ["never", "late"])
def test_a_watchdog_that_does_not_trip_in_time_ends_the_run_before_the_supply_comes_on(how: str) -> None:
    trial = Trial(bench(watchdog=WATCHDOG), breaking(how))
    result = trial.run()
    assert result.verdict is Verdict.ERROR
    assert "board IO1: its watchdog did not switch off after 60" in result.error
    assert all(outputs.get("supply contactor") != "on" for _, outputs in switched(trial))
    assert trial.of_kind(WatchdogProved) == []
    assert trial.of_kind(MadeSafe)[-1].proved
    assert trial.simulation.outputs("IO1") == 0


class ArmsAnother(SimulatedBoard):
    """Its register holds another value than was written."""

    factor = 2.0

    def _do_arm_watchdog(self, timeout_s: float) -> float:
        return super()._do_arm_watchdog(timeout_s) * self.factor


class ArmsShorter(ArmsAnother):
    factor = 0.49


@pytest.mark.parametrize(
    ("kind", "reads"), [(ArmsAnother, "1000 ms"), (ArmsShorter, "245 ms")], ids=["longer", "much shorter"]
)
def test_a_watchdog_that_reads_back_another_time_out_ends_the_run(
    kind: type[SimulatedBoard], reads: str
) -> None:
    trial = Trial(bench(watchdog=WATCHDOG), board_class=kind)
    result = trial.run()
    assert result.verdict is Verdict.ERROR
    assert f"board IO1: its watchdog reads back {reads}, 500 ms was asked for" in result.error


class Deaf(SimulatedBoard):
    """Its spare outputs do not switch on."""

    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        return super()._do_write(image & 0b1000_0111, timeout_s)


def test_a_proof_needs_its_output_on_first() -> None:
    """Else a board whose output is dead would prove any watchdog."""
    result = Trial(bench(watchdog=WATCHDOG), board_class=Deaf).run()
    assert result.verdict is Verdict.ERROR
    assert "output 5 does not read on when it is switched on to prove the watchdog" in result.error


class Mute(SimulatedBoard):
    """It cannot read its outputs back; output 5 is looped to input 5 unless the loop is cut."""

    cut = False

    def _do_read_back(self, timeout_s: float) -> int | None:
        return None

    def _do_read(self, timeout_s: float) -> Sample:
        sample = super()._do_read(timeout_s)
        on = self._panel.outputs(self.name) >> 5 & 1 and not self.cut
        return sample._replace(bits=sample.bits | (1 << 5 if on else 0))


class Cut(Mute):
    cut = True


LOOPED = replace(WATCHDOG, proof_input=5)


@pytest.mark.parametrize(
    ("kind", "watchdog", "broken", "error"),
    [
        (Mute, LOOPED, "", ""),
        (Mute, LOOPED, "never", "its watchdog did not switch off"),
        (Cut, LOOPED, "", "does not read on when it is switched on to prove the watchdog"),
        (Mute, WATCHDOG, "", "it cannot read its outputs back, so its watchdog cannot be proved"),
    ],
    ids=["looped", "looped, never trips", "loop cut", "no loop"],
)
def test_a_board_that_cannot_read_back_is_proved_through_a_loop(
    kind: type[SimulatedBoard], watchdog: Watchdog, broken: str, error: str
) -> None:
    result = Trial(bench(watchdog=watchdog), breaking(broken), board_class=kind).run()
    assert error in result.error
    assert result.verdict is (Verdict.ERROR if error else Verdict.PASS)


def test_outputs_that_are_safe_on_stay_on_through_it_all() -> None:
    trial = Trial(bench(watchdog=WATCHDOG, safe_on=(6,)))
    assert trial.run().verdict is Verdict.PASS
    assert trial.simulation.outputs("IO1") == 1 << 6
    text = "all outputs off but for those that are safe on, read back from every board"
    assert trial.of_kind(MadeSafe)[-1].text == text


class TripsToZero(SimulatedRig):
    """A board whose watchdog switches everything off, also what should be on then."""

    def _trip(self, at_ns: int) -> None:
        super()._trip(at_ns)
        self._set_outputs("IO1", 0, at_ns)


def test_a_watchdog_that_does_not_go_to_the_safe_state_is_no_proof(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bench_trials.SimulatedRig", TripsToZero)
    assert Trial(bench(watchdog=WATCHDOG)).run().verdict is Verdict.PASS
    result = Trial(bench(watchdog=WATCHDOG, safe_on=(6,))).run()
    assert result.verdict is Verdict.ERROR
    assert "its watchdog did not switch off" in result.error


LATCHING = {"watchdog clear register": "101", "watchdog clear value": "6"}


def test_a_board_that_latches_is_cleared_and_runs() -> None:
    trial = Trial(bench(watchdog=WATCHDOG, settings=LATCHING))
    assert trial.run().verdict is Verdict.PASS
    assert not trial.simulation.watchdogs["IO1"].tripped


FED = {"watchdog feed register": "102", "watchdog feed value": "1"}


def test_a_board_that_polls_do_not_feed_is_fed() -> None:
    trial = Trial(bench(watchdog=WATCHDOG, settings=FED))
    assert trial.run(running("start", hold_s=3.0)).verdict is Verdict.PASS


class Answers(SimulatedBoard):
    """A board that cannot read back."""

    def _do_read_back(self, timeout_s: float) -> int | None:
        return None


@pytest.mark.parametrize("kind", [SimulatedBoard, Answers], ids=["reads back", "commands only"])
def test_a_board_without_inputs_is_kept_fed(kind: type[SimulatedBoard]) -> None:
    """Nobody polls it: what feeds it is its outputs read back, or commanded again."""
    spec = BoardSpec(
        name="IO9", driver="simulated", settings={}, output_count=2, input_count=0, watchdog=WATCHDOG
    )
    made = bench()
    trial = Trial(replace(made, boards=(*made.boards, spec)))
    rig = trial.made()
    board = kind(spec, trial.clock, trial.simulation)
    with board:
        feeder = Feeder({"IO9": board}, trial.clock, lambda: None)
        feeder.begin([board.arm_watchdog()])
        board.write({1: True})
        for _ in range(100):
            trial.clock.advance(20 * MS)
            feeder.beat()
        assert trial.simulation.outputs("IO9") == 0b10
        trial.clock.advance(501 * MS)
        with pytest.raises(BenchUnsafe, match=r"the run was silent for 0\.5"):
            feeder.beat()
        feeder.stop()
        feeder.beat()
    assert rig.now_us > 0


class NeverFed(SimulatedBoard):
    def _do_feed_watchdog(self, timeout_s: float) -> None:
        pass


@pytest.mark.parametrize(
    ("settings", "kind"), [(FED, NeverFed), ({}, SimulatedBoard)], ids=["not fed", "runner held up"]
)
def test_a_watchdog_that_trips_in_mid_run_ends_it_as_an_error(
    settings: dict[str, str], kind: type[SimulatedBoard]
) -> None:
    """Its panel reads stopped, as a stop row would have it: nothing of that may count."""
    trial = Trial(unseen(bench(watchdog=WATCHDOG, settings=settings)), board_class=kind)
    rig = trial.made()
    if kind is SimulatedBoard:
        at_poll(trial, 60, lambda: trial.clock.advance(501 * MS))
    result = trial.engine_of(rig, running("start", hold_s=2.0)).run()
    assert result.verdict is Verdict.ERROR
    assert trial.of_kind(Broken), result.error


def at_poll(trial: Trial, number: int, happens: Callable[[], None]) -> None:
    """Let something happen just before the poll of IO1 with that number."""
    board = trial.boards["IO1"]
    original, count = board._do_read, 0

    def read(timeout_s: float) -> Sample:
        nonlocal count
        count += 1
        if count == number:
            happens()
        return original(timeout_s)

    board._do_read = read  # type: ignore[method-assign]


@pytest.mark.parametrize(("late_ms", "ends"), [(480, False), (501, True)], ids=["shorter", "longer"])
def test_silence_as_long_as_the_time_out_ends_a_run_even_where_nothing_can_be_read_back(
    late_ms: int, ends: bool
) -> None:
    trial = Trial(unseen(bench(watchdog=LOOPED)), board_class=Mute)
    rig = trial.made()
    at_poll(trial, 100, lambda: trial.clock.advance(late_ms * MS))
    result = trial.engine_of(rig, running("start", hold_s=2.0)).run()
    assert ("the run was silent for" in result.error) is ends
    assert (result.verdict is Verdict.ERROR) is ends


def test_outputs_that_change_by_themselves_never_count_as_a_stop() -> None:
    """The board restarts in mid-step: everything off, the panel looks stopped, and the next write would put
    all of it right again. The check before that write is what finds it."""
    trial = Trial(unseen(bench()))
    rig = trial.made()
    at_poll(trial, 80, lambda: trial.simulation.write("IO1", 0))
    stays = {"K1": False, "P1": False}
    steps: list[Step] = [
        SetStep(title="off", positions=REST, states=stays, settle_s=0.3, hold_s=2.0),
        HoldStep(title="still", positions=REST, states=stays, hold_s=0.5),
    ]
    result = trial.engine_of(rig, *steps).run()
    assert result.verdict is Verdict.ERROR
    assert "board IO1: outputs changed by themselves" in result.error
    assert [step.verdict for step in result.steps][-1] is Verdict.ERROR
    assert "not to be trusted" in trial.of_kind(StepEnded)[-1].note


class ButtonDead(SimulatedRig):
    """The stop button's output relay does not move: the demand never reaches the panel."""

    def _driven(self, board: str, channel: int, on: bool) -> Iterator[tuple[str, bool]]:
        return iter(()) if channel == 0 else super()._driven(board, channel, on)


class Restarts(SimulatedBoard):
    """Three polls after the stop is demanded the board loses its supply for a moment: all outputs go off."""

    polls = 0

    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        self.polls = 3 if image & 1 else 0
        return super()._do_write(image, timeout_s)

    def _do_read(self, timeout_s: float) -> Sample:
        self.polls -= 1
        if self.polls == 0:
            self._panel.write(self.name, 0)
        return super()._do_read(timeout_s)


@pytest.mark.parametrize("checked", [True, False])
def test_a_stop_that_a_restart_of_the_board_feigned_is_no_pass(
    monkeypatch: pytest.MonkeyPatch, checked: bool
) -> None:
    """The restart opens the supply contactor, so the panel stops; the release puts all back. Without the
    check it passes, which shows what it is for."""
    monkeypatch.setattr("bench_trials.SimulatedRig", ButtonDead)
    if not checked:
        monkeypatch.setattr("harness.run.rig.refuse_changed", lambda _board: None)
    on, off = {"K1": True, "P1": True}, {"K1": False, "P1": False}
    step = StopStep(
        title="stop",
        running=REST | {"S1": "pressed"},
        running_states=on,
        demand=REST | {"S1": "pressed", "S0": "pressed"},
        stopped=off,
        after=on,
        within_s=0.15,
        settle_s=0.3,
        hold_s=0.15,
    )
    result = Trial(unseen(bench()), board_class=Restarts).run(step)
    assert result.verdict is (Verdict.ERROR if checked else Verdict.PASS)
    assert ("board IO1: outputs changed by themselves" in result.error) is checked


class Asked:
    """A person who takes their time: `slices` of 20 ms, in which the runner goes on."""

    def __init__(self, trial: Trial, slices: int) -> None:
        self.trial, self.slices = trial, slices

    def __call__(self, request: str, meanwhile: Callable[[], None]) -> str:
        for _ in range(self.slices):
            self.trial.clock.advance(20 * MS)
            meanwhile()
        return "done"


def test_a_person_who_takes_long_trips_nothing() -> None:
    trial = Trial(bench(watchdog=WATCHDOG), with_hands=False)
    trial.ask = Asked(trial, 200)
    result = trial.run(running("start"))
    assert (result.verdict, result.error) == (Verdict.PASS, "")


# Proofs that are kept ------------------------------------------------------------

SPEC: BoardSpec = bench(watchdog=WATCHDOG).boards[0]


def real(tmp_path: Path, clock: VirtualClock | None = None, **board: Any) -> Trial:
    """A run on a bench that does not say it is simulated, so that it keeps its proofs."""
    made = bench(simulated=False, **({"watchdog": WATCHDOG} | board))
    return Trial(made, proofs=Proofs(tmp_path / "a.bench.yaml"), clock=clock or VirtualClock())


def texts(trial: Trial) -> list[str]:
    result = trial.run(running("start"))
    assert result.verdict is Verdict.PASS, result.error
    return [event.text for event in trial.of_kind(WatchdogProved)]


def test_a_proof_is_kept_beside_the_bench_file_and_used_again(tmp_path: Path) -> None:
    first = real(tmp_path)
    assert texts(first) == ["proved now"]
    document = json.loads((tmp_path / "a.watchdogs.json").read_text(encoding="utf-8"))
    assert document["format"] == 1
    (entry,) = document["boards"]
    proved = first.of_kind(WatchdogProved)[0]
    assert entry == {
        "board": "IO1",
        "driver": "simulated",
        "description": description_of(SPEC),
        "time_out_ms": 500,
        "proof_output": 5,
        "off_within_ms": proved.off_within_ms,
        "proved": proved.proved,
        "due": proved.due,
    }
    second = real(tmp_path, first.clock)
    assert texts(second) == ["proved before"]
    assert second.of_kind(WatchdogProved)[0].proved == proved.proved
    assert len(second.of_kind(WatchdogArmed)) == 1, "it is armed all the same"


def years_on(days: float) -> VirtualClock:
    return VirtualClock(
        epoch=datetime.fromtimestamp(datetime(2000, 1, 1, tzinfo=UTC).timestamp() + days * 86400, UTC)
    )


@pytest.mark.parametrize(
    ("clock", "text"),
    [
        (years_on(365), "proved before"),
        (years_on(366.1), "proved now"),
        (years_on(-1), "proved now"),
    ],
    ids=["within the year (a leap year)", "after it", "dated in the future"],
)
def test_a_proof_lapses_after_a_year(tmp_path: Path, clock: VirtualClock, text: str) -> None:
    texts(real(tmp_path))
    assert texts(real(tmp_path, clock)) == [text]


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"settings": {"host": "another"}}, "proved now"),
        ({"watchdog": replace(WATCHDOG, time_out_s=0.6)}, "proved now"),
        ({"watchdog": replace(WATCHDOG, proof_output=4)}, "proved now"),
        ({"safe_on": (6,)}, "proved now"),
        ({"input_count": 9}, "proved now"),
        ({"poll_s": 0.02}, "proved before"),
        ({"input_age_s": 0.002}, "proved before"),
    ],
    ids=["address", "time-out", "proof output", "safe state", "channels", "poll", "input age"],
)
def test_a_proof_holds_for_the_board_as_it_was_described(
    tmp_path: Path, change: dict[str, Any], text: str
) -> None:
    first = real(tmp_path)
    texts(first)
    assert texts(real(tmp_path, first.clock, **change)) == [text]


@pytest.mark.parametrize(
    "content",
    ["", "{", "[]", '{"format": 2, "boards": []}', '{"format": 1}', '{"format": 1, "boards": [7, {}]}',
     '{"format": 1, "boards": {"IO1": "proved"}}', "[" * 100_000],
    ids=["empty", "cut", "a list", "another format", "no boards", "no proofs", "a mapping", "deep"],
)  # fmt: skip
def test_a_file_that_is_no_proof_proves_nothing_and_is_written_anew(tmp_path: Path, content: str) -> None:
    (tmp_path / "a.watchdogs.json").write_text(content, encoding="utf-8")
    first = real(tmp_path)
    assert texts(first) == ["proved now"]
    assert texts(real(tmp_path, first.clock)) == ["proved before"]


@pytest.mark.parametrize("key", ["board", "description", "proved", "due", "off_within_ms"])
def test_an_entry_with_a_value_of_another_kind_is_no_proof(tmp_path: Path, key: str) -> None:
    first = real(tmp_path)
    texts(first)
    path = tmp_path / "a.watchdogs.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["boards"][0][key] = [1]
    path.write_text(json.dumps(document), encoding="utf-8")
    assert texts(real(tmp_path, first.clock)) == ["proved now"]


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("due", "2999-01-01T00:00:00.000Z"),
        ("proved", "1999-13-01"),
        ("off_within_ms", 0),
        ("off_within_ms", 1701),
        ("time_out_ms", 400),
        ("proof_output", 4),
        ("driver", "another"),
    ],
)
def test_an_entry_that_no_proving_can_have_written_is_no_proof(
    tmp_path: Path, key: str, value: str | int
) -> None:
    first = real(tmp_path)
    texts(first)
    path = tmp_path / "a.watchdogs.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["boards"][0][key] = value
    path.write_text(json.dumps(document), encoding="utf-8")
    assert texts(real(tmp_path, first.clock)) == ["proved now"]


def test_where_it_cannot_be_kept_each_run_proves_anew(tmp_path: Path) -> None:
    folder = tmp_path / "missing"
    trial = real(folder)
    (text,) = texts(trial)
    assert text.startswith("proved now, not kept: ")
    assert "cannot be written (No such file or directory)" in text
    assert texts(real(folder, trial.clock))[0].startswith("proved now")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written(tmp_path: Path) -> None:
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        assert "cannot be written" in texts(real(tmp_path))[0]
    finally:
        tmp_path.chmod(stat.S_IRWXU)


def test_a_failed_proof_is_not_kept(tmp_path: Path) -> None:
    trial = real(tmp_path)
    trial.meddle = breaking("never")
    assert trial.run().verdict is Verdict.ERROR
    assert not (tmp_path / "a.watchdogs.json").exists()


def test_a_simulated_bench_keeps_no_proof(tmp_path: Path) -> None:
    trial = Trial(bench(watchdog=WATCHDOG), proofs=Proofs(tmp_path / "a.bench.yaml"))
    assert texts(trial) == ["proved now"]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("day", "due"),
    [((2026, 11, 25), "2027-11-25"), ((2028, 2, 29), "2029-02-28"), ((2027, 2, 28), "2028-02-28")],
    ids=["any day", "a leap day", "before a leap year"],
)
def test_due_a_year_later(day: tuple[int, int, int], due: str) -> None:
    assert due_after(datetime(*day, 12, tzinfo=UTC)) == f"{due}T12:00:00.000Z"


# On a wire ------------------------------------------------------------


def test_a_run_over_the_wire_with_a_watchdog(tmp_path: Path) -> None:
    """The simulated board in its own process, its watchdog in real time behind Modbus registers."""
    copy_demo(tmp_path, *(path.name for path in LOADED.paths))
    keys = "    watchdog: {time-out: 2 s, proof output: 5}\n    safe on: [6]\n"
    edit(tmp_path / LOADED.bench_path.name, "^    poll: 10 ms\n", f"    poll: 10 ms\n{keys}")
    sequence = tmp_path / Path(LOADED.path).name
    text = sequence.read_text(encoding="utf-8")
    sequence.write_text(text[: text.index("steps:")] + "steps: [{rows: [start]}]\n", encoding="utf-8")
    status, document, err = run(sequence, tmp_path / "logs")
    assert (status, document["verdict"]) == (0, "pass"), err
    kinds = journal_kinds(document["run"])
    assert kinds.count("watchdog armed") == 2
    assert kinds.count("watchdog proved") == 1
    assert not list(tmp_path.glob("*.watchdogs.json"))


@pytest.mark.parametrize("broken", ["never", "late"])
def test_a_broken_watchdog_over_the_wire_ends_the_run_before_the_supply_comes_on(
    tmp_path: Path, broken: str
) -> None:
    copy_demo(tmp_path, *(path.name for path in LOADED.paths))
    path = tmp_path / LOADED.bench_path.name
    edit(path, "^    poll: 10 ms\n", "    poll: 10 ms\n    watchdog: {time-out: 300 ms, proof output: 5}\n")
    simulation = SimulatedRig(LOADED.panel, load_bench(path).bench, RealClock(), seed=3)
    breaking(broken)(simulation)
    with serving(devices(simulation)) as port:
        point_at(path, port)
        edit(path, r", unit: 1\}", ", unit: 1, watchdog register: 65000, watchdog count: 1 ms}")
        status, document, err = run(tmp_path / Path(LOADED.path).name, tmp_path / "logs")
    assert (status, document["verdict"]) == (4, "error"), err
    assert "board IO1: its watchdog did not switch off after" in document["error"]
    assert document["steps"] == []
    assert simulation.outputs("IO1") == 0
