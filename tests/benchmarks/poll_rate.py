"""Polls per second over loopback: the driver beside a bare socket and pymodbus's own client.

    python tests/benchmarks/poll_rate.py

All three send the same request (16 discrete inputs) to the same minimal server, each to a process of its
own, in blocks that take turns; each line is the median over the blocks, with its ratio to the bare socket.
Where the system can, client and servers are held on one core, then on two: left alone, the scheduler moves
them about and the same loop runs at 20 000 or at 60 000 polls a second. One core has the shortest round trip
and so shows the driver's own cost most; the goal is asked of it. Two more lines show what the choice of
time-out costs: the bare socket again with Python's `settimeout`, and with the socket's own SO_RCVTIMEO, as
the driver has it.
"""

from __future__ import annotations

import argparse
import os
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from statistics import median

import pytest

REQUEST = bytes.fromhex("0001 0000 0006 01 02 0000 0010")
ANSWER = bytes.fromhex("0001 0000 0005 01 02 02 5501")
GOAL = 0.85
Poll = Callable[[], object]


def hold(core: int) -> bool:
    """Keep this process on one core; False where the system cannot, or has no such core."""
    place = getattr(os, "sched_setaffinity", None)
    if place is None or core >= (os.cpu_count() or 1):
        return False
    place(0, {core})
    return True


def serve_one(core: int) -> None:
    """Answer one client as fast as Python can; say the port first."""
    hold(core)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        print(listener.getsockname()[1], flush=True)
        line, _ = listener.accept()
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    rest = ANSWER[2:]
    while data := line.recv(260):
        line.sendall(data[:2] + rest)


@contextmanager
def server(core: int) -> Iterator[int]:
    command = [sys.executable, __file__, "--serve", str(core)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield int(process.stdout.readline())
        finally:
            process.kill()


def bare(port: int, stack: ExitStack, kind: str = "none") -> Poll:
    line = stack.enter_context(socket.create_connection(("127.0.0.1", port)))
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    if kind == "settimeout":
        line.settimeout(0.5)
    elif kind == "SO_RCVTIMEO":
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, struct.pack("@ll", 0, 500_000))
    send, receive = line.sendall, line.recv

    def poll() -> None:
        send(REQUEST)
        receive(260)

    return poll


def driver(port: int, stack: ExitStack) -> Poll:
    from drivers.modbus_tcp import ModbusTcpBoard
    from harness.bench.parts import BoardSpec
    from harness.clock import RealClock

    spec = BoardSpec(
        name="IO1",
        driver="modbus-tcp",
        settings={"host": "127.0.0.1", "port": port},
        output_count=0,
        input_count=16,
    )
    board = stack.enter_context(ModbusTcpBoard(spec, RealClock()))
    assert board.read().bits == 0x0155
    return board.read


def library(port: int, stack: ExitStack) -> Poll:
    from pymodbus.client import ModbusTcpClient

    client = ModbusTcpClient("127.0.0.1", port=port, timeout=0.5, retries=0)
    assert client.connect()
    stack.callback(client.close)
    return lambda: client.read_discrete_inputs(0, count=16)


def measure(blocks: int, polls: int, server_core: int) -> dict[str, tuple[float, float]]:
    """Median polls per second and median ratio to the bare socket of the same round, by name."""
    hold(0)
    rates: dict[str, list[float]] = {}
    with ExitStack() as stack:
        makers: dict[str, Callable[[int, ExitStack], Poll]] = {
            "bare socket": bare,
            "driver": driver,
            "pymodbus client": library,
            "bare, settimeout": lambda port, stack: bare(port, stack, "settimeout"),
            "bare, SO_RCVTIMEO": lambda port, stack: bare(port, stack, "SO_RCVTIMEO"),
        }
        runners = {
            name: make(stack.enter_context(server(server_core)), stack) for name, make in makers.items()
        }
        for block in range(blocks + 1):  # the first warms up and is not counted
            names = list(runners)
            for name in names[block % len(names) :] + names[: block % len(names)]:
                rate = polls / seconds(runners[name], polls)
                if block:
                    rates.setdefault(name, []).append(rate)
    base = rates["bare socket"]
    return {
        name: (median(own), median(a / b for a, b in zip(own, base, strict=True)))
        for name, own in rates.items()
    }


def seconds(poll: Poll, polls: int) -> float:
    start = time.perf_counter()
    for _ in range(polls):
        poll()
    return time.perf_counter() - start


def report(found: dict[str, tuple[float, float]]) -> str:
    return "\n".join(f"{name:18} {rate:8.0f} polls/s   {ratio:.2f}" for name, (rate, ratio) in found.items())


@pytest.mark.benchmark
def test_driver_polls_nearly_as_fast_as_a_bare_socket() -> None:
    found = measure(blocks=41, polls=800, server_core=0)
    print("\n" + report(found))
    assert found["driver"][1] >= GOAL


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Polls per second over loopback.")
    parser.add_argument("--serve", type=int, metavar="CORE", help=argparse.SUPPRESS)
    parser.add_argument("--blocks", type=int, default=41)
    parser.add_argument("--polls", type=int, default=800)
    wanted = parser.parse_args()
    if wanted.serve is not None:
        serve_one(wanted.serve)
    else:
        sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
        for core in range(2 if (os.cpu_count() or 1) > 1 else 1):
            print(f"server on the {'same' if core == 0 else 'other'} core")
            print(report(measure(wanted.blocks, wanted.polls, core)))
