"""Polls per second on an emulated serial line that keeps character times: the driver beside a bare loop.

    PYTHONPATH=tests python tests/benchmarks/rtu_poll_rate.py

Both send the same request (8 discrete inputs) to the same paced device on a pseudo terminal, each to a
process of its own, in blocks that take turns; each line is the median over the blocks, with its ratio to the
bare loop and to what the wire allows. The bare loop is what is least: write to the descriptor, select and
read until the answer is there, wait for the silence of t3.5, and again; it checks nothing. What the wire
allows is 14 characters and two silences (MODBUS over Serial Line V1.02, 2.5.1): 12.03 ms a poll at 19200
baud, 4.84 ms at 115200.
"""

from __future__ import annotations

import argparse
import os
import select
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from statistics import median

import pytest

REQUEST = bytes.fromhex("01 02 00 00 00 08 79 CC")
ANSWER = bytes.fromhex("01 02 01 55 61 B7")
CYCLE_S = {19200: 0.012031, 115200: 0.004837}
SILENCE_S = {19200: 0.00200521, 115200: 0.00175}
GOAL = 0.95
Poll = Callable[[], object]


def hold(core: int) -> None:
    """Keep this process on one core where the system can and has it."""
    place = getattr(os, "sched_setaffinity", None)
    if place is not None and core < (os.cpu_count() or 1):
        place(0, {core})


def serve(baud: int) -> None:
    """A device on a paced pseudo terminal; say its name first."""
    from drivers.pty_line import PtyLine
    from drivers.rtu_frame import sealed
    from drivers.rtu_server import PacedRtu
    from drivers.serial_serving import SerialServer
    from drivers.serial_timing import serial_timing
    from harness.clock import RealClock

    hold(1)
    line = PtyLine(RealClock())
    print(line.place, flush=True)

    def respond(frame: bytes) -> bytes:
        return ANSWER if frame == REQUEST else sealed(bytes([frame[0], frame[1] | 0x80, 1]))

    SerialServer(line, PacedRtu(respond, serial_timing(baud)), RealClock(), line.place).serve(lambda: None)


@contextmanager
def server(baud: int) -> Iterator[str]:
    place = os.environ | {"PYTHONPATH": str(Path(__file__).resolve().parents[2])}
    command = [sys.executable, __file__, "--serve", str(baud)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=place) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.kill()


def bare(port: str, baud: int, stack: ExitStack) -> Poll:
    line = os.open(port, os.O_RDWR | os.O_NOCTTY)
    stack.callback(os.close, line)
    silence_s = SILENCE_S[baud]

    def poll() -> None:
        os.write(line, REQUEST)
        data = b""
        while len(data) < len(ANSWER):
            select.select([line], [], [], 1.0)
            data += os.read(line, 256)
        select.select([line], [], [], silence_s)

    return poll


def driver(port: str, baud: int, stack: ExitStack) -> Poll:
    from drivers.modbus_rtu import ModbusRtuBoard
    from harness.bench.parts import BoardSpec
    from harness.clock import RealClock

    spec = BoardSpec(
        name="IO1",
        driver="modbus-rtu",
        settings={"port": port, "baud": str(baud)},
        output_count=0,
        input_count=8,
    )
    board = stack.enter_context(ModbusRtuBoard(spec, RealClock()))
    assert board.read().bits == 0x55
    return board.read


def measure(baud: int, blocks: int, polls: int) -> dict[str, tuple[float, float, float]]:
    """Median polls per second, median ratio to the bare loop of the same round and to the wire, by name."""
    hold(0)
    rates: dict[str, list[float]] = {}
    with ExitStack() as stack:
        runners = {
            name: make(stack.enter_context(server(baud)), baud, stack)
            for name, make in (("bare loop", bare), ("driver", driver))
        }
        for block in range(blocks + 1):  # the first warms up and is not counted
            for name in list(runners)[:: 1 if block % 2 else -1]:
                rate = polls / seconds(runners[name], polls)
                if block:
                    rates.setdefault(name, []).append(rate)
    base = rates["bare loop"]
    return {
        name: (
            median(own),
            median(a / b for a, b in zip(own, base, strict=True)),
            median(own) * CYCLE_S[baud],
        )
        for name, own in sorted(rates.items())
    }


def seconds(poll: Poll, polls: int) -> float:
    start = time.perf_counter()
    for _ in range(polls):
        poll()
    return time.perf_counter() - start


def report(baud: int, found: dict[str, tuple[float, float, float]]) -> str:
    return "\n".join(
        f"{baud:6} baud  {name:10} {rate:6.1f} polls/s   {ratio:.3f} of the bare loop, {wire:.3f} of the wire"
        for name, (rate, ratio, wire) in found.items()
    )


@pytest.mark.benchmark
@pytest.mark.parametrize("baud", sorted(CYCLE_S))
def test_driver_polls_nearly_as_fast_as_a_bare_loop(baud: int) -> None:
    found = measure(baud, blocks=21, polls=40)
    print("\n" + report(baud, found))
    assert found["driver"][1] >= GOAL


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Polls per second on a paced pseudo terminal.")
    parser.add_argument("--serve", type=int, metavar="BAUD", help=argparse.SUPPRESS)
    parser.add_argument("--blocks", type=int, default=21)
    parser.add_argument("--polls", type=int, default=40)
    wanted = parser.parse_args()
    if wanted.serve is not None:
        serve(wanted.serve)
    else:
        sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
        for speed in sorted(CYCLE_S):
            print(report(speed, measure(speed, wanted.blocks, wanted.polls)))
