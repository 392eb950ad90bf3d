"""A bench file to a Bench: read, check shape and terminal map, convert. The panel is not looked at here."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from harness.bench.file_checks import check_bench
from harness.bench.file_measures import register_of
from harness.bench.file_shape import (
    BenchShape,
    BoardShape,
    InputChannelShape,
    MeasureShape,
    OutputShape,
    SpecialShape,
    WatchdogShape,
)
from harness.bench.file_thresholds import Reading, reading_of
from harness.bench.parts import (
    Bench,
    BoardSpec,
    InputChannel,
    Measure,
    OutputChannel,
    SpecialChannel,
    SupplySetting,
    Watchdog,
)
from harness.models import Problems, attempt, rest_of
from harness.panel.parts import Span
from harness.salvage import Plan, salvage
from harness.source import KeyPath, Source, load_file

SIMULATED = "simulated"


class LoadedBench(NamedTuple):
    """A bench with the source that it came from, for places in later messages."""

    bench: Bench
    source: Source


def load_bench(path: Path) -> LoadedBench:
    """Load a bench file. Raises FileError with every problem found."""
    return read_bench(load_file(path))


def read_bench(source: Source) -> LoadedBench:
    """The bench that a source holds. Raises FileError with every problem found."""
    problems = Problems(source)
    shape, faults = attempt(problems, BenchShape)
    if shape is None:
        _check_the_rest(problems, faults)
    else:
        check_bench(shape, problems)
    problems.raise_any()
    assert shape is not None
    return LoadedBench(_bench(shape), source)


_PLAN = Plan(
    sections=("boards", "outputs", "inputs", "measures"),
    fillers=dict.fromkeys(
        ("title", "simulated", "hand", "supply", "emergency stop", "forbidden", "longest on", "guardian"),
        None,
    )
    | {"bench": "?"},
    known=[field.alias or name for name, field in BenchShape.model_fields.items()],
)


def _check_the_rest(problems: Problems, faults: list[KeyPath]) -> None:
    """Check what can be checked of a file whose shape has faults."""
    sound = salvage(problems.source.data, faults, _PLAN)
    if sound is not None and (shape := rest_of(sound[0], BenchShape)) is not None:
        check_bench(shape, problems, sound[1])


def _bench(shape: BenchShape) -> Bench:
    return Bench(
        tag=shape.bench,
        title=shape.title,
        boards=tuple(_board(name, board) for name, board in shape.boards.items()),
        outputs=tuple(_output(name, output) for name, output in shape.outputs.items()),
        inputs=tuple(_input(name, channel, shape) for name, channel in shape.inputs.items()),
        hand_set=(*shape.hand, *shape.supply.set_),
        contactor=_special(shape.supply.contactor),
        emergency_stop=_special(shape.emergency_stop),
        supply_present=_special(shape.supply.present),
        forbidden=tuple(dict(combination) for combination in shape.forbidden),
        longest_on_s=dict(shape.longest_on),
        guardian=shape.guardian,
        simulated=shape.simulated or any(board.driver == SIMULATED for board in shape.boards.values()),
        measures=tuple(_measure(name, measure) for name, measure in shape.measures.items()),
        supply_settings=tuple(
            SupplySetting(of=tag, board=level.board, register=level.register_, scale_v=level.scale.value)
            for tag, level in shape.supply.set_.items()
        ),
    )


def _board(name: str, shape: BoardShape) -> BoardSpec:
    ratings = shape.ratings
    return BoardSpec(
        name=name,
        driver=shape.driver,
        settings=dict(shape.settings),
        output_count=shape.outputs,
        input_count=shape.inputs,
        timeout_s=shape.timeout,
        retries=shape.retries,
        poll_s=shape.poll,
        input_age_s=shape.input_age,
        output_delay_s=Span(*shape.output_delay),
        highest_v=ratings.highest_voltage if ratings else 0.0,
        breaking_a=ratings.breaking_current if ratings else 0.0,
        safe_on=shape.safe_on,
        watchdog=_watchdog(shape.watchdog),
    )


def _watchdog(shape: WatchdogShape | None) -> Watchdog | None:
    if shape is None:
        return None
    return Watchdog(time_out_s=shape.time_out, proof_output=shape.proof_output, proof_input=shape.proof_input)


def _measure(name: str, shape: MeasureShape) -> Measure:
    table, register = register_of(shape)
    return Measure(
        name=name,
        board=shape.board,
        table=table,
        register=register,
        scale=shape.scale.value,
        unit=shape.scale.unit,
        uncertainty=shape.uncertainty.value,
        offset=shape.offset.value if shape.offset else 0.0,
        words=shape.words,
        signed=shape.signed,
        of=shape.of or "",
        tolerance=shape.tolerance,
        before_contactor=shape.before_contactor,
    )


def _output(name: str, shape: OutputShape) -> OutputChannel:
    tag, contact = shape.imitates
    first, second = contact.split("-")
    return OutputChannel(
        name=name,
        board=shape.board,
        channel=shape.channel,
        imitates=(tag, contact),
        terminals=shape.terminals or (f"{tag}:{first}", f"{tag}:{second}"),
        normally_closed=shape.contact == "break",
    )


def _input(name: str, shape: InputChannelShape, bench: BenchShape) -> InputChannel:
    reading: Reading = reading_of(shape, bench.boards[shape.board].input)
    return InputChannel(
        name=name,
        board=shape.board,
        channel=shape.channel,
        watches=shape.watches,
        proves=shape.proves,
        terminals=shape.terminals,
        resistance_ohm=reading.resistance_ohm,
        on_v=reading.on_v,
        off_v=reading.off_v,
        filter_s=reading.filter_s,
        wetting_v=reading.wetting_v,
        highest_v=reading.highest_v,
        both_polarities=reading.both_polarities,
        inverted=shape.inverted,
    )


def _special(shape: SpecialShape | None) -> SpecialChannel | None:
    if shape is None:
        return None
    return SpecialChannel(board=shape.board, channel=shape.channel, inverted=shape.inverted)
