"""The server process of a simulated panel: what it prints, how it ends, and what is on the wire."""

from __future__ import annotations

import signal
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from drivers.serve_wires import split_address
from harness.bench.contract import check_board
from harness.bench.files import load_bench
from harness.bench.hands import hand_channels, hand_outputs
from harness.bench.registry import make_board, server_command
from harness.bench.wire import wire_specs
from harness.clock import RealClock
from harness.demo_files import resolve
from harness.errors import UsageError
from harness.panel.files import load_panel

PANEL, BENCH = resolve("demo:th-s0.panel.yaml"), resolve("demo:th-s0.bench.yaml")
Process = subprocess.Popen[str]


@contextmanager
def server(*words: str, panel: Path = PANEL, bench: Path = BENCH) -> Iterator[Process]:
    command = [*server_command(), "--panel", str(panel), "--bench", str(bench)]
    pipe = subprocess.PIPE
    with subprocess.Popen([*command, *words], stdin=pipe, stdout=pipe, stderr=pipe, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


def first_line(process: Process) -> str:
    assert process.stdout is not None
    return process.stdout.readline()


def port_of(process: Process) -> int:
    start, _, port = first_line(process).rpartition(":")
    assert start == "serving SIMULATED panel TH-S0 on 127.0.0.1"
    return int(port)


LOOPBACK = ("--modbus-tcp", "127.0.0.1:0")


def test_boards_on_the_wire_keep_the_contract_and_say_what_they_are() -> None:
    with server(*LOOPBACK) as process:
        wired = wire_specs(load_bench(BENCH).bench, load_panel(PANEL).panel, "127.0.0.1", port_of(process))
        clock = RealClock()
        assert check_board(lambda: make_board(wired.board("IO1"), clock)) == []
        for spec in wired.boards:
            with make_board(spec, clock) as made:
                assert made.identify().simulated


def test_hands_and_outputs_reach_one_panel() -> None:
    """TH-S0: with F1 open the pressed start button does nothing; closed again, lamp P1 (input 1) lights."""
    panel = load_panel(PANEL).panel
    with server(*LOOPBACK) as process:
        wired = wire_specs(load_bench(BENCH).bench, panel, "127.0.0.1", port_of(process))
        clock = RealClock()
        channels = hand_channels(wired.hand_set, panel.positions)
        with make_board(wired.board("IO1"), clock) as io1, make_board(wired.board("hand"), clock) as hand:
            hand.write(hand_outputs(channels, {"F1": "open"}))
            io1.write({7: True, 2: True})
            clock.sleep_until(clock.now_ns() + 200_000_000)
            assert io1.read().bits & 0b10 == 0
            hand.write(hand_outputs(channels, {"F1": "closed"}))
            clock.sleep_until(clock.now_ns() + 200_000_000)
            assert io1.read().bits & 0b10


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT, None], ids=["SIGTERM", "SIGINT", "stdin"])
def test_ends_quietly(how: signal.Signals | None) -> None:
    with server(*LOOPBACK, "--until-stdin-closes") as process:
        port = port_of(process)
        assert process.stdin is not None
        with socket.create_connection(("127.0.0.1", port), 2.0):
            if how is None:
                process.stdin.close()
            else:
                process.send_signal(how)
            assert process.wait(5) == 0
        assert process.stdout is not None
        assert process.stderr is not None
        assert (process.stdout.read(), process.stderr.read()) == ("", "")


def test_closed_input_does_not_matter_unless_asked() -> None:
    with server(*LOOPBACK) as process:
        port = port_of(process)
        assert process.stdin is not None
        process.stdin.close()
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(0.3)
        socket.create_connection(("127.0.0.1", port), 2.0).close()


@pytest.mark.parametrize(
    ("words", "status", "message"),
    [
        (
            ("--modbus-tcp", "5020"),
            2,
            "'5020' is not HOST:PORT; for example 127.0.0.1:5020, port 0 for any free one\n",
        ),
        (
            (*LOOPBACK, "--fault", "K1 coil opn"),
            2,
            (
                "fault 'K1 coil opn': panel TH-S0 has no such fault; nearest: K1 coil open, K1 coil shorted,"
                " K1 coil suppression open; `panelproof faults PANEL` lists all\n"
            ),
        ),
    ],
)
def test_what_cannot_be_served_is_one_line(words: tuple[str, ...], status: int, message: str) -> None:
    with server(*words) as process:
        out, err = process.communicate(timeout=10)
    assert (out, err, process.returncode) == ("", message, status)


def test_port_that_is_taken() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        with server("--modbus-tcp", address) as process:
            _, err = process.communicate(timeout=10)
    assert err == f"cannot serve at {address} (address already in use); choose another address, or port 0\n"
    assert process.returncode == 4


@pytest.mark.parametrize(
    ("text", "address"),
    [("127.0.0.1:0", ("127.0.0.1", 0)), ("[::1]:502", ("::1", 502)), ("bench-1:65535", ("bench-1", 65535))],
)
def test_address(text: str, address: tuple[str, int]) -> None:
    assert split_address(text) == address


@pytest.mark.parametrize("text", ["", ":5", "host", "host:", "host:x", "host:65536", "host:-1", "host:²"])
def test_address_that_is_none(text: str) -> None:
    with pytest.raises(UsageError, match="is not HOST:PORT; for example"):
        split_address(text)
