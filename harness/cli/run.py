"""`panelproof run`: load, review, make the bench ready, run, record, show. Returns the exit status."""

from __future__ import annotations

import argparse
import shutil
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TextIO

from harness.bench.cautions import cautions
from harness.bench.watchdog_proofs import Proofs
from harness.cli.asking import acknowledged, asker
from harness.cli.benches import Ready, Wanted, check_wanted, hands_of, identified, made_ready
from harness.cli.guarding import Guarding, guarding
from harness.cli.loading import load_checked
from harness.cli.output import print_json, program_version
from harness.cli.result import as_json, summary
from harness.cli.screen import Screen, make_screen
from harness.clock import RealClock
from harness.errors import BenchError, RecordError, UsageError
from harness.measure.reading import Verdict
from harness.panel.faults import apply_all
from harness.record.journal import Journal, new_run_folder
from harness.record.recorder import Recorder
from harness.run.engine import Engine, Result, found
from harness.run.events import Broken, CautionsShown, Event, MadeSafe, RunEnded, RunStarted
from harness.run.hands import cannot_ask
from harness.run.origin import Origin
from harness.run.rig import Fittings, Rig
from harness.run.stopping import terminable
from harness.sequence.files import LoadedSequence

NOTHING_DONE = (
    "this run switched nothing on; what was on before may still be on: see that the panel's supply is off"
)
SYNCED = frozenset(
    {"run started", "guarded", "step started", "step ended", "broken", "made safe", "run ended"}
)


@dataclass(frozen=True, slots=True)
class Job:
    """One run: what was loaded, what the command line says, and where it is shown and kept."""

    loaded: LoadedSequence
    wanted: Wanted
    args: argparse.Namespace
    folder: Path
    journal: Journal
    screen: Screen
    guarding: Guarding
    err: TextIO
    engines: list[Engine] = field(default_factory=list)


def do(args: argparse.Namespace, out: TextIO, err: TextIO) -> int:
    """Run the sequence. Exit status by verdict; usage and file errors before anything moves."""
    loaded = load_checked(args.sequence, args.bench)
    wanted = Wanted(
        loaded.panel_path,
        loaded.bench_path,
        args.virtual_time,
        tuple(args.fault),
        args.seed,
        args.trace,
        Path(loaded.path).name,
    )
    check_wanted(loaded.bench, wanted, args.panel_serial)
    apply_all(loaded.panel, wanted.faults)  # a name that the panel lacks is refused before anything starts
    with (
        terminable(),
        guarding(loaded.bench, virtual=wanted.virtual) as guard,
        made_ready(loaded.panel, loaded.bench, wanted) as ready,
    ):
        folder = new_run_folder(Path(args.logs), RealClock().wall(), Path(loaded.path).name.split(".")[0])
        _copy_files(loaded, folder)
        with _journal(loaded, ready, folder) as journal, make_screen(out, err, json=args.json) as screen:
            job = Job(loaded, wanted, args, folder, journal, screen, guard, err)
            result = _guarded(job, ready)
    if args.json:
        print_json(as_json(result, loaded, folder, wanted.faults, args.panel_serial), out)
    else:
        summary(result, loaded, folder, args.panel_serial, out)
    return result.verdict.exit_status


def _identity(loaded: LoadedSequence) -> dict[str, str]:
    panel = loaded.panel
    return {
        "panel": panel.tag,
        "diagram": panel.diagram.number,
        "revision": panel.diagram.revision,
        "sequence": loaded.sequence.title,
        "bench": loaded.bench.tag,
    }


def _journal(loaded: LoadedSequence, ready: Ready, folder: Path) -> Journal:
    return Journal(
        folder,
        start_ns=ready.clock.now_ns(),
        wall=ready.clock.wall(),
        version=program_version(),
        identity=_identity(loaded),
    )


def _copy_files(loaded: LoadedSequence, folder: Path) -> None:
    for number, path in enumerate(loaded.paths):
        target = folder / path.name
        try:
            shutil.copyfile(path, target if not target.exists() else folder / f"{number}-{path.name}")
        except OSError as error:
            raise RecordError(
                f"{target}: cannot copy {path.name} into the record: {error.strerror or error}; "
                "free space or rights there, or choose --logs DIR"
            ) from error


def _guarded(job: Job, ready: Ready) -> Result:
    """The run, and after it, boards closed and record sealed, leave of the guardian."""
    try:
        return _recorded(job, ready)
    finally:
        job.guarding.end(unsafe=any(engine.result.unsafe for engine in job.engines))


def _recorded(job: Job, ready: Ready) -> Result:
    origin = Origin(job.journal.start_ns)
    recorder = Recorder(job.journal, SYNCED)

    def sink(event: Event) -> None:
        job.guarding.saw(event)
        recorder(event)
        job.screen.show(event)

    with ExitStack() as stack:
        for board in ready.boards.values():
            stack.callback(board.close)
        try:
            result = _on_bench(job, ready, sink, origin, stack)
        except (BenchError, RecordError) as error:
            result = Result(simulated=ready.bench.simulated, error=str(error))
            _say_broken(result, error, sink, origin.down_us(ready.clock.now_ns()))
        except BaseException as ending:
            verdict = max([Verdict.INCONCLUSIVE, *(engine.result.verdict for engine in job.engines)])
            if isinstance(ending, Exception) and not isinstance(ending, UsageError):
                verdict = Verdict.ERROR
            unsealed = "" if recorder.failed else _sealed(job, verdict, ready)
            print(f"{str(verdict).upper()}  ended before its end. Record: {job.folder}", file=job.err)
            if unsealed:
                print(unsealed, file=job.err)
            raise
    unsealed = "" if recorder.failed else _sealed(job, result.verdict, ready)
    result.error = "; ".join(filter(None, (result.error, unsealed)))
    return result


def _sealed(job: Job, verdict: Verdict, ready: Ready) -> str:
    """Seal the record; returns what kept it from that: a run without its record proves nothing."""
    try:
        job.journal.seal(verdict=str(verdict), at_ns=ready.clock.now_ns())
    except RecordError as error:
        return str(error)
    return ""


def _on_bench(
    job: Job, ready: Ready, sink: Callable[[Event], None], origin: Origin, stack: ExitStack
) -> Result:
    panel, sequence = job.loaded.panel, job.loaded.sequence
    job.guarding.brief(ready, job.journal, _identity(job.loaded))
    opened, identities = identified(ready, panel)
    for name in opened.boards.keys() - ready.boards.keys():
        stack.callback(opened.boards[name].close)
    if job.args.panel_serial and opened.bench.simulated:
        raise UsageError("--panel-serial is refused: the board says that it is simulated, no panel is tested")
    bench = opened.bench
    clock = opened.clock
    sink(replace(_started(job, bench.simulated), at_us=origin.down_us(clock.now_ns())))
    for name, identity in identities.items():
        sink(found(opened.boards[name], identity, origin.down_us(clock.now_ns())))
    with job.screen.quiet():
        given = bench.simulated or acknowledged(cautions(panel), job.args.acknowledge, job.err)
    sink(
        CautionsShown(
            at_us=origin.down_us(clock.now_ns()),
            cautions=cautions(panel),
            acknowledged=given and not bench.simulated,
        )
    )
    ask = cannot_ask if bench.simulated else asker(job.err, job.screen.quiet)
    proofs = Proofs(job.loaded.bench_path)
    fittings = Fittings(opened.boards, clock, sink, ask, hands_of(opened, panel), job.guarding.beat, proofs)
    job.guarding.arm(opened)
    for event in job.guarding.told(origin.down_us(clock.now_ns())):
        sink(event)
    rig = Rig(panel, bench, fittings, origin)
    engine = Engine(rig, sequence, seed=job.args.seed, screen=job.screen.live and not job.wanted.virtual)
    job.engines.append(engine)
    return engine.run()


def _started(job: Job, simulated: bool) -> RunStarted:
    panel, sequence = job.loaded.panel, job.loaded.sequence
    return RunStarted(
        at_us=0,
        title=sequence.title,
        panel=f"{panel.tag} {panel.title}",
        diagram=panel.diagram.number,
        revision=panel.diagram.revision,
        modifications=panel.diagram.modifications,
        panel_serial=job.args.panel_serial,
        bench=f"{job.loaded.bench.tag} {job.loaded.bench.title}",
        expected_from=sequence.expected_from,
        decision_rule=sequence.decision_rule,
        simulated=simulated,
        self_consistent=simulated and sequence.expected_from == "panel",
        virtual_time=job.wanted.virtual,
        seed=job.args.seed,
        faults=job.wanted.faults,
        steps=tuple(step.title for step in sequence.steps),
        not_proved=job.loaded.not_proved,
        notes=sequence.notes,
    )


def _say_broken(
    result: Result, error: BenchError | RecordError, sink: Callable[[Event], None], at_us: int
) -> None:
    sink(Broken(at_us=at_us, error=type(error).__name__, text=str(error)))
    sink(MadeSafe(at_us=at_us, proved=False, text=NOTHING_DONE))
    sink(
        RunEnded(
            at_us=at_us,
            verdict=result.verdict,
            simulated=result.simulated,
            failed=(),
            not_run=(),
            polls=0,
        )
    )
