"""The command `panelproof`: which verb, which exit status, and one line for every error.

Exit status: 0 pass or ok, 1 fail or a difference, 2 usage or file error, 3 inconclusive, 4 error of bench,
board or environment, 130 interrupted, 143 terminated. Verbs load what they need when they are called; nothing
heavy is imported here.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, NoReturn, TextIO

from harness.cli.output import print_json, program_version
from harness.cli.tolerant import tolerant
from harness.cli.verbs import VERBS, Verb
from harness.errors import FileError, PanelproofError, UsageError

INTERRUPTED, TERMINATED = 130, 143
ABOUT = """\
Prove on a bench that an engine protection panel or governor control box really stops the engine:
check the files, derive the truth table, drive the contacts, read the coils, judge, record."""
WARNING = """\
panelproof is not a safety device. Local codes and a licensed or authorised person decide; isolate and prove
dead before wiring; never test a panel that is still connected to an engine."""


class _Parser(argparse.ArgumentParser):
    """argparse whose complaints are errors of this program, in one line."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(f"{self.prog}: {message}; see {self.prog} --help")


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = _Parser(prog="panelproof", description=ABOUT, epilog=WARNING, formatter_class=_Raw)
    top.add_argument("--version", action="store_true", help="print the version and stop")
    verbs = top.add_subparsers(dest="verb", metavar="VERB", title="verbs")
    for verb in VERBS:
        one = verbs.add_parser(
            verb.name, help=verb.summary, description=verb.about, epilog=verb.example, formatter_class=_Raw
        )
        for words, options in verb.arguments:
            one.add_argument(*words, **options)
        if verb.one_of:
            group = one.add_mutually_exclusive_group(required=True)
            for words, options in verb.one_of:
                group.add_argument(*words, **options)
        one.add_argument("--debug", action="store_true", help="show the traceback of an error")
    return top


_Raw = argparse.RawDescriptionHelpFormatter


def main(argv: Sequence[str] | None = None, *, out: TextIO | None = None, err: TextIO | None = None) -> int:
    """Do what the words say; returns the exit status. Nothing is raised but what --debug asks for.

    A reader of the output that leaves changes neither a run nor its status.
    """
    words = list(sys.argv[1:] if argv is None else argv)
    sink, seen = tolerant(out or sys.stdout)
    heard, _ = tolerant(err or sys.stderr)
    status = _guarded(words, sink, heard)
    sink.flush()
    if seen.trouble:
        print(f"panelproof: standard output cannot be written: {seen.trouble}", file=heard)
        return max(status, PanelproofError.exit_status)
    return status


def _guarded(words: Sequence[str], out: TextIO, err: TextIO) -> int:
    try:
        return _status(words, out, err)
    except PanelproofError as error:
        if "--debug" in words:
            raise
        print(error, file=err)
        if "--json" in words:
            print_json(_as_json(error), out)
        return error.exit_status
    except KeyboardInterrupt:
        print("interrupted", file=err)
        return INTERRUPTED
    except Exception as error:
        if "--debug" in words:
            raise
        print(f"panelproof: internal error: {type(error).__name__}: {error}; --debug shows where", file=err)
        return PanelproofError.exit_status


def _as_json(error: PanelproofError) -> dict[str, Any]:
    """What --json prints where no answer could be given."""
    problems = [asdict(problem) for problem in error.problems] if isinstance(error, FileError) else []
    return {"error": str(error), "problems": problems}


def _status(words: Sequence[str], out: TextIO, err: TextIO) -> int:
    args, others = parser().parse_known_args(words)
    _take(args, others)
    if args.version:
        print(f"panelproof {program_version()}", file=out)
        return 0
    if args.verb is None:
        parser().print_help(out)
        return UsageError.exit_status
    verb: Verb = next(verb for verb in VERBS if verb.name == args.verb)
    status: int = importlib.import_module(verb.module).do(args, out, err)
    return status


def _take(args: argparse.Namespace, others: list[str]) -> None:
    """Words that stand behind options: argparse gives DEVICE=POSITION to a verb only in front of them."""
    taken = getattr(args, "positions", None)
    unknown = [word for word in others if taken is None or word.startswith("-")]
    if unknown:
        raise UsageError(
            f"panelproof: {' '.join(unknown)} not understood; see panelproof {args.verb or ''} --help"
        )
    if taken is not None:
        taken.extend(others)


def entry() -> NoReturn:
    """Console entry point: a SIGTERM or a closed pipe at the very end leaves no traceback either."""
    from harness.run.stopping import Terminated

    _occupy_closed_streams()
    try:
        status = main()
    except Terminated:
        tolerant(sys.stderr)[0].write("terminated\n")
        status = TERMINATED
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # or its end would complain again
    sys.exit(status)


def _occupy_closed_streams() -> None:
    """Put nothing where a standard stream is closed: the first file that is opened, the journal perhaps,
    would take its number, and whatever a child process prints would land in it."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest number that is free
