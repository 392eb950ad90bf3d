"""`panelproof serve`: the simulated panel as a server in a process of its own, until Ctrl-C."""

from __future__ import annotations

import argparse
import subprocess
from typing import TextIO


def do(args: argparse.Namespace, _out: TextIO, _err: TextIO) -> int:
    """Start the server and wait for its end; returns its exit status, 0 after Ctrl-C."""
    from harness.bench.registry import server_command
    from harness.demo_files import resolve
    from harness.run.stopping import terminable

    words = ["--panel", str(resolve(args.panel)), "--bench", str(resolve(args.bench))]
    words += ["--modbus-tcp", args.modbus_tcp, "--seed", str(args.seed)]
    for name in args.fault:
        words += ["--fault", name]
    # The server ends when our end of its input closes, so it never outlives this process, however that ends.
    command = [*server_command(), *words, "--until-stdin-closes"]
    with terminable(), subprocess.Popen(command, stdin=subprocess.PIPE) as process:
        return process.wait()
