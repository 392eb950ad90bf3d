"""What a pass does not mean, found from the files: each line present where it holds and absent where not."""

from dataclasses import replace
from pathlib import Path

import pytest
from sequence_files import BENCH, changed, write_files

from harness.sequence.files import LoadedSequence, load_sequence


def loaded(folder: Path) -> LoadedSequence:
    return load_sequence(write_files(folder))


def test_input_that_reads_on_below_pick_up_is_named(tmp_path: Path) -> None:
    weak = [line for line in loaded(tmp_path).not_proved if line.startswith("That no feed is too weak")]
    coil = loaded(tmp_path).panel.loads[0].coil
    assert len(weak) == 1
    assert f"(reads on down to 12 V, picks up at {coil.pick_up_v:g} V)" in weak[0]
    high = replace_inputs(loaded(tmp_path), off_v=coil.pick_up_v)
    assert not [line for line in high.not_proved if line.startswith("That no feed is too weak")]


def replace_inputs(one: LoadedSequence, **changes: float) -> LoadedSequence:
    inputs = tuple(replace(channel, **changes) for channel in one.bench.inputs)  # type: ignore[arg-type]
    return replace(one, bench=replace(one.bench, inputs=inputs))


def test_a_sequence_without_a_stop_row_proves_no_stop(tmp_path: Path) -> None:
    full = loaded(tmp_path)
    word = "Any stop: this sequence has no stop row."
    assert word not in full.not_proved
    without = replace(full, sequence=replace(full.sequence, steps=full.sequence.steps[:1]))
    assert word in without.not_proved


def test_rows_that_are_not_run_are_named(tmp_path: Path) -> None:
    full = loaded(tmp_path)
    assert full.table is not None
    assert not any("rows of the truth table" in line for line in full.not_proved)
    without = replace(full, sequence=replace(full.sequence, steps=full.sequence.steps[:1]))
    (line,) = [line for line in without.not_proved if "rows of the truth table" in line]
    assert full.table.rows[-1].name in line or line.endswith("...")


def test_supply_levels_that_no_step_sets_are_named(tmp_path: Path) -> None:
    (line,) = [line for line in loaded(tmp_path).not_proved if line.startswith("Behaviour with supply")]
    supply = loaded(tmp_path).panel.supplies[0]
    assert line == (
        f"Behaviour with supply {supply.tag} at {supply.range_v.low:g} V and {supply.range_v.high:g} V."
    )


def test_a_supply_whose_voltage_nobody_sets_is_named(tmp_path: Path) -> None:
    word = "The voltage of supply main: nobody is asked to set it, nothing measures it."
    assert word not in loaded(tmp_path).not_proved
    unset = BENCH.replace("hand: [F1, main]", "hand: [F1]")
    assert unset != BENCH
    assert word in load_sequence(write_files(tmp_path, bench=unset)).not_proved


def test_times_without_a_limit_are_named(tmp_path: Path) -> None:
    timed = "steps:\n- title: free\n  time: {start: {}, end: {S1: pressed}, of: Y4, to: on}\n"
    path = write_files(tmp_path, timed)
    found = load_sequence(path).not_proved
    assert any(line.startswith("Anything by the times measured without a limit: ") for line in found)
    limited = timed.replace("to: on}", "to: on, at most: 200 ms}")
    again = load_sequence(write_files(tmp_path, limited)).not_proved
    assert not any("without a limit" in line for line in again)


@pytest.mark.parametrize("mapped", [True, False], ids=["contactor", "no contactor"])
def test_a_bench_without_contactor_says_so(mapped: bool, tmp_path: Path) -> None:
    supply = "supply: {contactor: {board: IO1, channel: 7}}\n" if mapped else ""
    path = write_files(tmp_path, bench=changed(BENCH, ("hand: [F1, main]\n", f"hand: [F1, main]\n{supply}")))
    word = "That the supply goes off at the end: the bench has no contactor for it."
    assert (word in load_sequence(path).not_proved) is not mapped
