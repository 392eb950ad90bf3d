"""`panelproof watch`: every channel of a bench, live; one output at a time by hand. Nothing is judged."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, TextIO

from harness.bench.board import Identity
from harness.bench.cautions import cautions
from harness.bench.parts import Bench
from harness.bench.watchdog_proofs import Proofs
from harness.cli.asking import acknowledged
from harness.cli.benches import Ready, Wanted, identified, made_ready, wholly_simulated
from harness.cli.guarding import Guarding, guarding
from harness.cli.output import print_json, program_version
from harness.cli.result import NOTICE
from harness.cli.screen import lines_of
from harness.cli.watch_keys import keyboard
from harness.cli.watch_screen import Screen
from harness.cli.watch_view import View
from harness.clock import NS, Clock, RealClock
from harness.errors import BenchError, RecordError, UsageError
from harness.panel.parts import Panel
from harness.record.journal import Journal, new_run_folder
from harness.record.recorder import Recorder
from harness.run import start, watchdogs
from harness.run.by_hand import Hand, refusals, unknown_panel
from harness.run.engine import found
from harness.run.events import CautionsShown, Event, MadeSafe
from harness.run.hands import cannot_ask
from harness.run.hold_to_run import HoldToRun, Limits
from harness.run.looking import Looking
from harness.run.origin import Origin
from harness.run.rig import Fittings, Rig
from harness.run.stopping import quietly, terminable


@dataclass(slots=True)
class Session:
    """An open bench that is watched, and the last word on how it was left."""

    rig: Rig
    guard: Guarding
    identities: dict[str, Identity]
    left: MadeSafe | None = None
    unsafe: str = ""
    _safe: bool = False

    @contextmanager
    def safe_at_the_end(self) -> Iterator[None]:
        """Whatever ends what is inside, the bench is made safe, once."""
        try:
            yield
        finally:
            if not self._safe:
                with quietly():
                    self.unsafe = self.rig.make_safe()
                    self._safe = True


@dataclass(frozen=True, slots=True)
class Watched:
    """What the command line asks for. `moving`: a person sits at a terminal and may switch outputs.

    `sessions`: the one over the open bench, once there is one.
    """

    bench: Bench
    bench_path: Path
    panel: Panel | None
    panel_path: Path
    moving: bool
    args: argparse.Namespace
    sessions: list[Session] = field(default_factory=list)


def do(args: argparse.Namespace, out: TextIO, err: TextIO) -> int:
    """Watch until the person, or a signal, ends it. Raises UsageError, FileError, BenchError."""
    watched = _loaded(args, out)
    panel = watched.panel or unknown_panel()
    wanted = Wanted(watched.panel_path, watched.bench_path, False, (), 1, None, "watch")
    bench = _alone(watched.bench, watched.panel)
    with (
        terminable(),
        guarding(bench, virtual=not watched.moving) as guard,
        made_ready(panel, bench, wanted) as ready,
        _journal(watched, ready) as journal,
    ):
        try:
            _watch(watched, ready, guard, journal, out, err)
        finally:
            _end(watched.sessions, guard, journal, ready.clock, out if watched.moving else err)
    return 0


def _loaded(args: argparse.Namespace, out: TextIO) -> Watched:
    from harness.bench.files import load_bench
    from harness.demo_files import resolve
    from harness.panel.files import load_panel

    if not args.bench.endswith(".bench.yaml"):
        raise UsageError(f"{args.bench}: expected a bench file, its name ends in .bench.yaml")
    bench_path = resolve(args.bench)
    bench = load_bench(bench_path).bench
    if args.panel is None and wholly_simulated(bench):
        raise UsageError(
            f"{args.bench}: bench {bench.tag} is simulated; name the panel to simulate with --panel PANEL"
        )
    panel_path = Path() if args.panel is None else resolve(args.panel)
    panel = None if args.panel is None else load_panel(panel_path).panel
    if panel is not None:
        _refuse_strangers(bench, panel, args)
    moving = not args.json and sys.stdin.isatty() and out.isatty() and os.environ.get("TERM") != "dumb"
    return Watched(bench, bench_path, panel, panel_path, moving, args)


def _refuse_strangers(bench: Bench, panel: Panel, args: argparse.Namespace) -> None:
    """A bench hooked up to another panel shows names that mean something else."""
    contacts = {(device.tag, contact.name) for device in panel.devices for contact in device.contacts}
    wrong = [f"{o.name} imitates {'.'.join(o.imitates)}" for o in bench.outputs if o.imitates not in contacts]
    wrong += [f"{i.name} watches {i.watches}" for i in bench.inputs if i.watches not in panel.outputs]
    if wrong:
        more = f" and {len(wrong) - 1} more" if len(wrong) > 1 else ""
        raise UsageError(
            f"{args.bench}: {wrong[0]}{more}, which panel {panel.tag} does not have; name the panel that"
            " it is hooked up to"
        )


def _alone(bench: Bench, panel: Panel | None) -> Bench:
    """The bench without what only a run does: hands, set supplies, an unknown panel's supplies measured."""
    measures = bench.measures if panel else tuple(replace(measure, of="") for measure in bench.measures)
    return replace(bench, hand_set=(), supply_settings=(), measures=measures)


@contextmanager
def _journal(watched: Watched, ready: Ready) -> Iterator[Journal | None]:
    """The record of what is switched by hand, which the guardian needs too; none where nothing can move."""
    if not watched.moving:
        yield None
        return
    folder = new_run_folder(Path(watched.args.logs), RealClock().wall(), f"watch-{watched.bench.tag}")
    with Journal(
        folder,
        start_ns=ready.clock.now_ns(),
        wall=ready.clock.wall(),
        version=program_version(),
        identity=_identity(watched),
    ) as journal:
        yield journal


def _identity(watched: Watched) -> dict[str, str]:
    panel = watched.panel.tag if watched.panel else ""
    return {"panel": panel, "sequence": "watched by hand", "bench": watched.bench.tag}


def _watch(
    watched: Watched,
    ready: Ready,
    guard: Guarding,
    journal: Journal | None,
    out: TextIO,
    err: TextIO,
) -> None:
    with ExitStack() as stack:
        for board in ready.boards.values():
            stack.callback(board.close)
        if journal is not None:
            guard.brief(ready, journal, _identity(watched))
        session = _opened(watched, ready, guard, journal)
        watched.sessions.append(session)
        with session.safe_at_the_end():
            _shown(watched, session, out, err)
    if session.unsafe:
        raise BenchError(session.unsafe)


def _end(
    sessions: list[Session], guard: Guarding, journal: Journal | None, clock: Clock, out: TextIO
) -> None:
    """Boards are closed: seal the record, take leave of the guardian, say how the bench was left."""
    if journal is not None:
        try:
            journal.seal(verdict="none", at_ns=clock.now_ns())
        except RecordError as error:
            print(error, file=out)
    guard.end(unsafe=any(session.unsafe for session in sessions))
    _say_left(sessions, journal, out)


def _say_left(sessions: list[Session], journal: Journal | None, out: TextIO) -> None:
    for session in sessions:
        if session.left is not None and (journal is not None or session.unsafe):
            print(session.left.text, file=out)
    if journal is not None:
        print(f"Record: {journal.folder}", file=out)


def _opened(watched: Watched, ready: Ready, guard: Guarding, journal: Journal | None) -> Session:
    """Boards open and asked what they are. A rig over them, which reports to the journal."""
    opened, identities = identified(ready, watched.panel or unknown_panel())
    record: Callable[[Event], None] = (
        Recorder(journal, frozenset({"guarded", "made safe"})) if journal else _forget
    )
    session: Session

    def sink(event: Event) -> None:
        if isinstance(event, MadeSafe):
            session.left = event
        guard.saw(event)
        record(event)

    origin = Origin(journal.start_ns if journal else ready.clock.now_ns())
    fittings = Fittings(
        opened.boards, opened.clock, sink, cannot_ask, beat=guard.beat, proofs=Proofs(watched.bench_path)
    )
    rig = Rig(watched.panel or unknown_panel(), opened.bench, fittings, origin)
    session = Session(rig, guard, identities)
    for name, identity in identities.items():
        record(found(opened.boards[name], identity, rig.now_us))
    return session


def _forget(_event: Event) -> None:
    """Nothing can move, so there is nothing to record."""


def _shown(watched: Watched, session: Session, out: TextIO, err: TextIO) -> None:
    rig = session.rig
    rig.sampler.stop_heeding()  # the emergency stop is shown here, and ends nothing but what is held
    if watched.moving:
        _acknowledged(watched, session, err)
        session.guard.arm(Ready(rig.bench, dict(rig.fittings.boards), rig.fittings.clock))
        for event in session.guard.told(rig.now_us):
            rig.fittings.sink(event)
    start.prove_off(rig)
    view = View(replace(rig.bench, measures=watched.bench.measures))
    if watched.args.json:
        print_json(_document(session, view), out)
    elif watched.moving:
        watchdogs.make_ready(rig)
        _by_hand(watched, session, view, out)
    else:
        _lines(session, view, out)


def _acknowledged(watched: Watched, session: Session, err: TextIO) -> None:
    rig = session.rig
    words = cautions(watched.panel)
    real = not rig.bench.simulated
    given = real and acknowledged(words, watched.args.acknowledge, err)
    rig.fittings.sink(CautionsShown(at_us=rig.now_us, cautions=words, acknowledged=given))


def _document(session: Session, view: View) -> dict[str, Any]:
    bench = session.rig.bench
    boards = [
        {
            "board": spec.name,
            "driver": spec.driver,
            "remarks": list(session.rig.fittings.boards[spec.name].remarks),
        }
        | asdict(session.identities[spec.name])
        for spec in bench.boards
    ]
    seen = Looking(session.rig).all()
    return {"bench": bench.tag, "simulated": bench.simulated, "boards": boards} | view.as_json(seen)


def _by_hand(watched: Watched, session: Session, view: View, out: TextIO) -> None:
    """The live screen and its keys, until the person ends it. Safe before the screen is left."""
    rig = session.rig
    clock, looking, hand = rig.fittings.clock, Looking(rig), Hand(rig)
    longest_s = min([Limits().longest_ns / NS, *rig.bench.longest_on_s.values()])
    limits = replace(Limits(), longest_ns=round(longest_s * NS))
    keys = HoldToRun(len(hand.outputs), limits, refusals(rig.bench, watched.panel))
    looking.all()
    with (
        keyboard(out) as read,
        Screen(out, view, simulated=rig.bench.simulated) as screen,
        session.safe_at_the_end(),
    ):
        while not keys.ended:
            seen = looking.look()
            now_ns = clock.now_ns()
            keys.block("the emergency stop is pressed" if view.own("emergency stop", seen) else "")
            for key in read():
                keys.key(key, now_ns)
            keys.tick(now_ns)
            hand.switch(keys.held)
            screen.show(seen, keys, now_ns)


def _lines(session: Session, view: View, out: TextIO) -> None:
    """What there is, then every change, as lines; until a signal ends it, or nobody reads any longer."""
    rig = session.rig
    looking = Looking(rig)
    if rig.bench.simulated:
        print(NOTICE, file=out)
    for name, identity in session.identities.items():
        print("\n".join(lines_of(found(rig.fittings.boards[name], identity, 0))), file=out)
    shown = view.lines(looking.all())
    print("\n".join(shown.values()), file=out, flush=True)
    for measure in view.bench.measures:
        print(view.value_words(measure, looking.look()), file=out, flush=True)
    while not getattr(out, "gone", False):
        before, shown = shown, view.lines(looking.look())
        for name, line in shown.items():
            if line != before.get(name):
                print(f"{rig.now_us / 1e6:9.3f} s  {line}", file=out, flush=True)
