"""`panelproof faults`: every single fault of a panel, by the name that --fault takes."""

from __future__ import annotations

import argparse
from typing import TextIO

from harness.cli.output import columns, print_json


def do(args: argparse.Namespace, out: TextIO, _err: TextIO) -> int:
    """Print the list; returns the exit status."""
    from harness.demo_files import resolve
    from harness.panel.faults import single_faults
    from harness.panel.files import load_panel

    panel = load_panel(resolve(args.panel)).panel
    faults = single_faults(panel)
    if args.json:
        listed = [{"name": f.name, "kind": f.kind, "part": f.part} for f in faults]
        print_json({"panel": panel.tag, "faults": listed}, out)
        return 0
    print(f"{panel.tag} {panel.title}: {len(faults)} single faults", file=out)
    print("\n".join(columns([("name", "kind"), *((f.name, f.kind) for f in faults)])), file=out)
    return 0
