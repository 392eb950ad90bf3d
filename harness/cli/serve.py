"""`panelproof serve`: the simulated panel as a server in a process of its own, until Ctrl-C."""

from __future__ import annotations

import argparse
import subprocess
from typing import TextIO


def do(args: argparse.Namespace, _out: TextIO, _err: TextIO) -> int:
    """Start the server and wait for its end; returns its exit status, 0 after Ctrl-C."""
    from harness.bench.registry import server_command
    from harness.demo_files import resolve

    words = ["--panel", str(resolve(args.panel)), "--bench", str(resolve(args.bench))]
    words += ["--modbus-tcp", args.modbus_tcp, "--seed", str(args.seed)]
    for name in args.fault:
        words += ["--fault", name]
    with subprocess.Popen([*server_command(), *words]) as process:
        try:
            return process.wait()
        except BaseException:
            process.terminate()
            process.wait()
            raise
