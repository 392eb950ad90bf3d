"""`panelproof check`: every problem of every file, with its place."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import TextIO

from harness.cli.output import print_json


def do(args: argparse.Namespace, out: TextIO, err: TextIO) -> int:
    """Print all problems (on standard error, or as JSON); 0 when there are none, else 2."""
    from harness.demo_files import resolve
    from harness.errors import FileError, Problem
    from harness.sequence.review import check_files

    problems: list[Problem] = []
    found: list[Path] = []
    for name in args.files:
        try:
            found.append(resolve(name))
        except FileError as error:
            problems += error.problems
    problems += check_files(found)
    problems = sorted(set(problems))
    if args.json:
        print_json({"problems": [asdict(problem) for problem in problems]}, out)
    for problem in () if args.json else problems:
        print(problem, file=err)
    if not args.json and not problems:
        print(f"{', '.join(_words(path.name) for path in found)}: nothing wrong", file=out)
    return FileError.exit_status if problems else 0


def _words(name: str) -> str:
    return f"{name} with all that it names" if name.endswith(".sequence.yaml") else name
