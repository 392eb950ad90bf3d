"""`panelproof verify`: whether the journals of runs are whole and unaltered."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TextIO

from harness.cli.output import print_json


def do(args: argparse.Namespace, out: TextIO, _err: TextIO) -> int:
    """Print one line a run and one per problem; the worst exit status of all runs."""
    from harness.record.verify import LIMITS, verify_run

    runs = [Path(name) for name in args.runs]
    found = [(run, verify_run(run)) for run in runs]
    if args.json:
        print_json({"runs": [v.to_json() | {"run": str(run)} for run, v in found], "limits": LIMITS}, out)
    for run, verification in () if args.json else found:
        print(f"{run}: {verification.summary}", file=out)
        for problem in verification.problems:
            print(f"  {problem}", file=out)
    return max((v.exit_status for _, v in found), default=0)
