"""Analogue values in a run: read and recorded; supplies held to what the run believes of them, and set."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from bench_trials import LOADED, REST, SUPPLY, Trial, bench, unseen
from hypothesis import given
from hypothesis import strategies as st
from wire_benches import copy_demo, edit, journal_kinds, run

from drivers.rig import SimulatedRig
from drivers.simulated import SimulatedBoard
from harness.bench.parts import Bench, Measure, SupplySetting
from harness.errors import BoardTimeout
from harness.measure.reading import Verdict
from harness.run.events import MadeSafe, StepEnded, SupplySet, ValueRead, Written
from harness.run.measures import value_of
from harness.sequence.steps import SetStep

U1 = Measure(
    name="U1", board="IO1", table="input", register=3, scale=0.1, unit="V", uncertainty=0.3, of="main"
)
"""24 V nominal, so with 5 % of tolerance 22.5 to 25.5 V pass, and up to 2.7 V is about nothing."""


def standing(supply: str, hold_s: float = 0.1) -> SetStep:
    positions, states = REST | {"S1": "pressed", "main": supply}, {"K1": True, "P1": True}
    return SetStep(title=f"at {supply}", positions=positions, states=states, settle_s=0.3, hold_s=hold_s)


def at_level(volts: float) -> Callable[[SimulatedRig], None]:
    """The panel's supply gives so much, whatever was asked for."""
    return lambda rig: rig.set_level("main", volts)


@pytest.mark.parametrize(
    ("words", "changes", "value"),
    [
        ((0,), {}, 0.0),
        ((0xFFFF,), {}, 6553.5),
        ((0xFFFF,), {"signed": True}, -0.1),
        ((0x8000,), {"signed": True}, -3276.8),
        ((0x7FFF,), {"signed": True}, 3276.7),
        ((1, 2), {"words": 2}, 6553.8),
        ((0xFFFF, 0xFFFE), {"words": 2, "signed": True}, -0.2),
        ((600,), {"scale": 0.1, "offset": -40.0}, 20.0),
    ],
)
def test_registers_become_a_value(words: tuple[int, ...], changes: dict[str, Any], value: float) -> None:
    """Worked out by hand; two's complement and the high word first, as the bench file says."""
    assert value_of(replace(U1, **changes), words) == pytest.approx(value, abs=1e-9)


@given(st.integers(-(1 << 31), (1 << 31) - 1))
def test_any_signed_pair_of_words_is_read_as_it_was_written(raw: int) -> None:
    words = (raw >> 16 & 0xFFFF, raw & 0xFFFF)
    assert value_of(replace(U1, scale=1.0, words=2, signed=True), words) == raw


def test_values_are_recorded_at_the_start_and_at_the_end_of_each_step() -> None:
    i1 = replace(U1, name="I1", register=8, unit="A", of="", scale=0.001, uncertainty=0.0021)
    t1 = replace(U1, name="T1", table="holding", unit="C", of="", offset=-40.0, scale=0.5, uncertainty=1.0)
    trial = Trial(bench(measures=(U1, i1, t1)))
    assert trial.run(standing("nominal")).verdict is Verdict.PASS
    seen = [
        (e.name, e.unit, e.value_thousandths, e.uncertainty_thousandths) for e in trial.of_kind(ValueRead)
    ]
    step = [("U1", "V", 24000, 300), ("I1", "A", 0, 3), ("T1", "C", 20000, 1000)]
    assert seen == [("U1", "V", 0, 300), ("U1", "V", 24000, 300), *step, *step]
    first_step_us = trial.of_kind(StepEnded)[0].at_us
    supply_on_us = next(e.at_us for e in trial.of_kind(Written) if e.outputs.get("supply contactor") == "on")
    before, after, *_ = trial.of_kind(ValueRead)
    assert before.at_us < supply_on_us < after.at_us < first_step_us


@pytest.mark.parametrize(
    ("volts", "reads"),
    [(22.4, "22.4 V"), (25.6, "25.6 V"), (0.0, "0 V"), (61.2, "61.2 V")],
    ids=["too low", "too high", "absent", "another panel's"],
)
def test_a_supply_off_its_level_ends_the_run_before_row_0(volts: float, reads: str) -> None:
    trial = Trial(unseen(bench(measures=(U1,))), at_level(volts))
    result = trial.run(standing("nominal"))
    assert result.verdict is Verdict.ERROR
    text = f"supply main reads {reads} +- 0.3 V, 24 V was asked for; set it, then start the run again"
    assert text in result.error
    assert result.steps == []


@pytest.mark.parametrize("volts", [22.5, 24.0, 25.5])
def test_a_supply_within_tolerance_and_uncertainty_runs(volts: float) -> None:
    assert Trial(bench(measures=(U1,)), at_level(volts)).run(standing("nominal")).verdict is Verdict.PASS


class Rises(SimulatedRig):
    """A supply that takes its time after the contactor closed."""

    took_ns = 1_900_000_000
    closed_ns = 0

    def _switch_supply(self, on: bool) -> None:
        self.closed_ns = self._now_ns if on else 0
        super()._switch_supply(on)

    def read_registers(self, *words: Any) -> tuple[int, ...]:
        values = super().read_registers(*words)
        return values if self._now_ns - self.closed_ns >= self.took_ns else (0,)


class RisesTooSlowly(Rises):
    took_ns = 2_100_000_000


@pytest.mark.parametrize(
    ("kind", "verdict"), [(Rises, Verdict.PASS), (RisesTooSlowly, Verdict.ERROR)], ids=["in 2 s", "later"]
)
def test_a_supply_may_take_two_seconds_to_its_level(
    monkeypatch: pytest.MonkeyPatch, kind: type[SimulatedRig], verdict: Verdict
) -> None:
    monkeypatch.setattr("bench_trials.SimulatedRig", kind)
    assert Trial(bench(measures=(U1,))).run(standing("nominal")).verdict is verdict


class Welded(SimulatedRig):
    """Its supply contactor does not open any more."""

    def _switch_supply(self, on: bool) -> None:
        super()._switch_supply(True)


def test_voltage_behind_an_open_contactor_ends_the_run_before_anything_moves(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Nothing is on at rest, so no input shows it: only the measure does."""
    monkeypatch.setattr("bench_trials.SimulatedRig", Welded)
    trial = Trial(unseen(bench(measures=(U1,))))
    result = trial.run(standing("nominal"))
    assert result.verdict is Verdict.ERROR
    assert "main reads 24 V +- 0.3 V before the supply contactor closed" in result.error
    assert all("on" not in event.outputs.values() for event in trial.of_kind(Written))
    assert Trial(unseen(bench())).run(standing("nominal")).verdict is Verdict.PASS, "what it would be without"


@pytest.mark.parametrize(("leak_v", "verdict"), [(2.7, Verdict.PASS), (2.8, Verdict.ERROR)])
def test_how_much_voltage_is_about_none(
    monkeypatch: pytest.MonkeyPatch, leak_v: float, verdict: Verdict
) -> None:
    """A tenth of 24 V, and the measure's uncertainty of 0.3 V."""

    class Leaks(SimulatedRig):
        def level(self, tag: str, *, before_contactor: bool = False) -> float:
            return super().level(tag, before_contactor=before_contactor) or leak_v

    monkeypatch.setattr("bench_trials.SimulatedRig", Leaks)
    assert Trial(unseen(bench(measures=(U1,)))).run(standing("nominal")).verdict is verdict


def test_a_measure_before_the_contactor_sees_the_supply_all_the_time() -> None:
    trial = Trial(bench(measures=(replace(U1, before_contactor=True),)))
    result = trial.run(standing("nominal"))
    assert (result.verdict, result.unsafe) == (Verdict.PASS, "")
    assert {event.value_thousandths for event in trial.of_kind(ValueRead)} == {24000}


class WeldsInTheRun(SimulatedRig):
    def _switch_supply(self, on: bool) -> None:
        super()._switch_supply(on or self._supply_on)


def test_a_contactor_that_welded_during_the_run_is_said_at_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bench_trials.SimulatedRig", WeldsInTheRun)
    trial = Trial(unseen(bench(measures=(U1,))))
    result = trial.run(standing("nominal"))
    assert result.verdict is Verdict.ERROR
    assert "the supply still reads present: a welded contactor?" in result.unsafe
    assert not trial.of_kind(MadeSafe)[-1].proved


class Fades(SimulatedBoard):
    """The supply sinks to 20 V some time after it came on."""

    reads = 0

    def _do_read(self, timeout_s: float) -> Any:
        self.reads += 1
        if self.reads == 60:
            self._panel.set_level("main", 20.0)
        return super()._do_read(timeout_s)


def test_a_supply_that_leaves_its_level_makes_the_step_an_error_whatever_it_read() -> None:
    trial = Trial(bench(measures=(U1,)), board_class=Fades)
    result = trial.run(standing("nominal", hold_s=1.0))
    assert result.verdict is Verdict.ERROR
    assert "supply main reads 20 V +- 0.3 V, 24 V was asked for" in result.error
    last = trial.of_kind(StepEnded)[-1]
    assert last.verdict is Verdict.ERROR
    assert last.note.startswith("not to be trusted: ")


def by_hand(trial: Trial, levels: dict[str, float]) -> Callable[[str, Callable[[], None]], str]:
    """A person who sets the supply to what `levels` says of the request's last word but two."""

    def ask(request: str, meanwhile: Callable[[], None]) -> str:
        meanwhile()
        for position, volts in levels.items():
            if f"({position})" in request:
                trial.simulation.set_level("main", volts)
        return "done"

    return ask


@pytest.mark.parametrize(
    ("volts", "verdict"), [(16.8, Verdict.PASS), (24.0, Verdict.ERROR)], ids=["set", "not set at all"]
)
def test_a_level_that_a_person_set_is_measured(volts: float, verdict: Verdict) -> None:
    trial = Trial(bench(measures=(U1,)), with_hands=False)
    trial.ask = by_hand(trial, {"nominal": 24.0, "lowest": volts})
    result = trial.run(standing("lowest"))
    assert result.verdict is verdict
    assert ("supply main reads 24 V +- 0.3 V, 16.8 V was asked for" in result.error) is (
        verdict is Verdict.ERROR
    )


# Supplies that the run sets itself ------------------------------------------------------------

SETTING = SupplySetting(of="main", board="IO1", register=20, scale_v=0.01)


def settable(setting: SupplySetting = SETTING, measure: Measure = U1) -> Bench:
    return replace(bench(measures=(measure,)), supply_settings=(setting,))


@pytest.mark.parametrize("before_contactor", [False, True])
def test_a_programmable_supply_is_set_by_the_run_and_read_back(before_contactor: bool) -> None:
    trial = Trial(settable(measure=replace(U1, before_contactor=before_contactor)))
    result = trial.run(*(standing(position) for position in ("lowest", "highest", "nominal")))
    assert (result.verdict, result.error) == (Verdict.PASS, "")
    said = [(e.position, e.raw, e.level_thousandths) for e in trial.of_kind(SupplySet)]
    low, high = SUPPLY.range_v.low, SUPPLY.range_v.high
    wanted = {"nominal": SUPPLY.nominal_v, "lowest": low, "highest": high}
    order = ("nominal", "lowest", "highest", "nominal")
    assert said == [(place, round(wanted[place] * 100), round(wanted[place] * 1000)) for place in order]
    ends = [e.value_thousandths for e in trial.of_kind(ValueRead) if e.name == "U1"]
    assert {round(volts * 1000) for volts in (low, high, 24.0)} <= set(ends)


@pytest.mark.parametrize("scale_v", [0.01, 0.07, 0.7, 1.9])
def test_what_is_set_is_never_above_the_panel_s_range(scale_v: float) -> None:
    wide = replace(U1, tolerance=0.1)
    trial = Trial(settable(replace(SETTING, scale_v=scale_v), wide))
    assert trial.run(standing("highest")).verdict is Verdict.PASS
    assert all(e.level_thousandths <= SUPPLY.range_v.high * 1000 for e in trial.of_kind(SupplySet))


class Stubborn(SimulatedRig):
    """A supply that takes what is written and stays at 24 V."""

    def set_level(self, tag: str, volts: float) -> None:
        super().set_level(tag, 24.0)


def test_a_supply_that_does_not_follow_ends_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bench_trials.SimulatedRig", Stubborn)
    trial = Trial(settable())
    result = trial.run(standing("nominal"), standing("lowest"))
    assert result.verdict is Verdict.ERROR
    assert "supply main reads 24 V +- 0.3 V, 16.8 V was asked for" in result.error
    assert [step.verdict for step in result.steps] == [Verdict.PASS, Verdict.PASS], "row 0 and at nominal"


class Limited(SimulatedRig):
    """A supply that keeps its setting to itself: another count stands in the register than was written."""

    def write_registers(self, board: str, address: int, values: Any) -> None:
        super().write_registers(board, address, [value + 1 for value in values])


def test_a_level_that_the_register_does_not_hold_ends_the_run_before_the_supply_comes_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("bench_trials.SimulatedRig", Limited)
    trial = Trial(settable())
    result = trial.run(standing("nominal"))
    assert result.verdict is Verdict.ERROR
    assert "supply main: register 20 of board IO1 reads back 2401, 2400 was written" in result.error
    assert all(event.outputs.get("supply contactor") != "on" for event in trial.of_kind(Written))


@pytest.mark.parametrize(("retries", "verdict"), [(0, Verdict.ERROR), (1, Verdict.PASS)])
def test_a_value_whose_answer_is_lost_is_asked_for_again_as_often_as_the_bench_allows(
    retries: int, verdict: Verdict
) -> None:
    class Loses(SimulatedBoard):
        asked = 0

        def _do_read_registers(self, *words: Any, **more: Any) -> tuple[int, ...]:
            self.asked += 1
            if self.asked % 3 == 0:
                raise BoardTimeout("lost")
            return super()._do_read_registers(*words, **more)

    result = Trial(bench(measures=(U1,), retries=retries), board_class=Loses).run(standing("nominal"))
    assert result.verdict is verdict
    assert (result.retries > 0) is (verdict is Verdict.PASS)


def test_a_scale_that_no_register_can_hold_ends_the_run() -> None:
    result = Trial(settable(replace(SETTING, scale_v=0.0001))).run(standing("nominal"))
    assert result.verdict is Verdict.ERROR
    assert "24 V is 240000 counts of 0.0001 V; 1 to 65535 fit its register" in result.error


# On a wire ------------------------------------------------------------


def test_a_run_over_the_wire_that_sets_and_measures_its_supply(tmp_path: Path) -> None:
    copy_demo(tmp_path, *(path.name for path in LOADED.paths))
    bench_path, sequence = tmp_path / LOADED.bench_path.name, tmp_path / Path(LOADED.path).name
    edit(bench_path, r"hand: \[F1, main\]", "hand: [F1]")
    level = "set: {main: {board: IO1, register: 20, scale: 10 mV}}"
    edit(
        bench_path,
        r"present: \{board: IO1, channel: 6\}\}",
        f"present: {{board: IO1, channel: 6}}, {level}}}",
    )
    measure = "{board: IO1, input register: 3, scale: 0.1 V, uncertainty: 0.3 V, of: main}"
    bench_path.write_text(bench_path.read_text(encoding="utf-8") + f"measures: {{U1: {measure}}}\n", "utf-8")
    text = sequence.read_text(encoding="utf-8")
    steps = "steps: [{set: {S1: pressed, main: lowest}, expect: {K1: on, P1: on}}]\n"
    sequence.write_text(text[: text.index("steps:")] + steps, "utf-8")
    status, document, err = run(sequence, tmp_path / "logs")
    assert (status, document["verdict"]) == (0, "pass"), err
    kinds = journal_kinds(document["run"])
    assert kinds.count("supply set") == 2
    assert kinds.count("value read") >= 4
