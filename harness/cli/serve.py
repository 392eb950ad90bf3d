"""`panelproof serve`: the simulated panel as a server in a process of its own, until Ctrl-C."""

from __future__ import annotations

import argparse
import subprocess
from typing import TextIO

_PASSED_ON = (
    "modbus_tcp",
    "modbus_rtu",
    "modbus_rtu_tcp",
    "text_line",
    "baud",
    "parity",
    "turnaround",
    "clients",
)


def do(args: argparse.Namespace, _out: TextIO, _err: TextIO) -> int:
    """Start the server and wait for its end; returns its exit status."""
    from harness.bench.registry import server_command
    from harness.run.stopping import terminable

    # The server ends when our end of its input closes, so it never outlives this process, however that ends.
    command = [*server_command(), *_words(args), "--until-stdin-closes"]
    with terminable(), subprocess.Popen(command, stdin=subprocess.PIPE) as process:
        return process.wait()


def _words(args: argparse.Namespace) -> list[str]:
    """This verb's words as the server's. Joined by `=`, so that no value can be taken for an option."""
    from harness.demo_files import resolve

    words = [f"--panel={resolve(args.panel)}", f"--bench={resolve(args.bench)}", f"--seed={args.seed}"]
    for name in _PASSED_ON:
        value = getattr(args, name)
        if value is not None:
            words.append(f"--{name.replace('_', '-')}={value}")
    words += [f"--fault={name}" for name in args.fault]
    return [*words, "--unpaced"] if args.unpaced else words
