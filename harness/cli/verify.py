"""`panelproof verify`: whether the journals of runs are whole and unaltered."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from harness.cli.output import print_json

if TYPE_CHECKING:
    from harness.record.verify import Verification


def do(args: argparse.Namespace, out: TextIO, _err: TextIO) -> int:
    """Print one line a run and one per problem; the exit status of the gravest."""
    from harness.record.verify import LIMITS, as_json, exit_status, verify_runs

    found = verify_runs([Path(name) for name in args.runs])
    if args.json:
        print_json(as_json(found), out)
        return exit_status(found)
    for verification in found:
        print(f"{verification.path}: {_summary(verification)}", file=out)
        for problem in verification.problems:
            print(f"  {problem}", file=out)
        if verification.guardian:
            print(f"  {verification.guardian}", file=out)
    if any(verification.state == "interrupted" for verification in found):
        print(LIMITS, file=out)
    return exit_status(found)


def _summary(verification: Verification) -> str:
    if verification.ok:
        return f"whole and unaltered, {verification.lines} lines, verdict {verification.verdict}"
    return f"{verification.state.upper()}, {verification.lines} lines"
