"""`panelproof schema`: the JSON Schema of a kind of file."""

from __future__ import annotations

import argparse
import json
from typing import TextIO


def do(args: argparse.Namespace, out: TextIO, _err: TextIO) -> int:
    """Print the schema; returns the exit status."""
    from harness.sequence.schema import schema

    print(json.dumps(schema(args.kind), indent=2, ensure_ascii=False), file=out)
    return 0
