"""A line that goes bad in the middle of a run: an error that names the board, outputs safe if reachable."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from wire_benches import copy_demo, edit, journal_kinds, panel_on_the_wire, point_at, run

from harness.bench.parts import BoardSpec
from harness.bench.registry import make_board
from harness.clock import RealClock

SEQUENCE = """\
format: 1
title: Bad line
panel: th-s0.panel.yaml
bench: th-s0.bench.yaml
expected: {table: th-s0.table.csv}
steps:
- rows: [start, stop against start]
- set: {S1: pressed}
  hold: 20 s
"""
Answer = Callable[[bytes, bytes], bytes | None]


class BadLine:
    """Passes frames between runner and server; from request `bad_from` on, `spoil` makes the answers.

    `spoil(request, answer)` returns the bytes to send (empty: nothing, None: close the connection), for as
    many requests as `bad_for` says.
    """

    def __init__(self, server_port: int, spoil: Answer, *, bad_from: int, bad_for: int) -> None:
        self._server_port, self._spoil = server_port, spoil
        self._bad = range(bad_from, bad_from + bad_for)
        self._count = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._lines: list[socket.socket] = [self._listener]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                server = socket.create_connection(("127.0.0.1", self._server_port))
                self._lines += [client, server]
                threading.Thread(target=self._pass, args=(client, server), daemon=True).start()

    def _pass(self, client: socket.socket, server: socket.socket) -> None:
        with suppress(OSError):
            while request := frame(client):
                server.sendall(request)
                answer: bytes | None = frame(server)
                self._count += 1
                if self._count in self._bad:
                    answer = self._spoil(request, answer or b"")
                if answer is None:
                    break
                client.sendall(answer)
        client.close()
        server.close()

    def close(self) -> None:
        for line in self._lines:
            line.close()


def frame(line: socket.socket) -> bytes:
    head = exactly(line, 6)
    return head + exactly(line, int.from_bytes(head[4:6])) if head else b""


def exactly(line: socket.socket, count: int) -> bytes:
    data = b""
    while len(data) < count and (more := line.recv(count - len(data))):
        data += more
    return data


@contextmanager
def bad_line(port: int, spoil: Answer, *, bad_for: int) -> Iterator[int]:
    line = BadLine(port, spoil, bad_from=150, bad_for=bad_for)
    try:
        yield line.port
    finally:
        line.close()


def exception(request: bytes, _answer: bytes) -> bytes:
    """Exception 04, server device failure (MODBUS Application Protocol V1.1b3, 7)."""
    return request[:4] + (3).to_bytes(2) + request[6:7] + bytes([request[7] | 0x80, 4])


def stale(request: bytes, answer: bytes) -> bytes:
    """An answer to the transaction before."""
    return (int.from_bytes(request[:2]) - 1 & 0xFFFF).to_bytes(2) + answer[2:]


def foreign_unit(_request: bytes, answer: bytes) -> bytes:
    return answer[:6] + bytes([answer[6] + 1]) + answer[7:]


def nothing(_request: bytes, _answer: bytes) -> bytes:
    return b""


def closed(_request: bytes, _answer: bytes) -> None:
    return None


def cut_short(_request: bytes, answer: bytes) -> bytes:
    return answer[:-1]


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        pytest.param(exception, "exception 04", id="exception reply"),
        pytest.param(stale, "transaction", id="stale reply"),
        pytest.param(foreign_unit, "unit", id="reply of another unit"),
        pytest.param(nothing, "no answer", id="time-out"),
        pytest.param(cut_short, "", id="reply cut short"),
        pytest.param(closed, "", id="connection lost"),
    ],
)
def test_a_bad_answer_ends_the_run_as_an_error_and_safe(spoil: Answer, said: str, tmp_path: Path) -> None:
    copy_demo(tmp_path, "th-s0.panel.yaml", "th-s0.bench.yaml", "th-s0.table.csv")
    copy_demo(tmp_path / "served", "th-s0.panel.yaml", "th-s0.bench.yaml")
    (tmp_path / "bad.sequence.yaml").write_text(SEQUENCE)
    served = tmp_path / "served"
    with panel_on_the_wire(served / "th-s0.panel.yaml", served / "th-s0.bench.yaml") as server:
        with bad_line(server, spoil, bad_for=1) as port:
            point_at(tmp_path / "th-s0.bench.yaml", port)
            edit(tmp_path / "th-s0.bench.yaml", r"timeout: 500 ms", "timeout: 200 ms")
            status, answer, err = run(tmp_path / "bad.sequence.yaml", tmp_path / "logs")
        assert outputs_at(server) == 0
    assert (status, answer["verdict"]) == (4, "error")
    line = next(line for line in err.splitlines() if line.startswith("board IO1 at"))
    assert said in line
    assert "safe: all outputs off" in err
    kinds = journal_kinds(answer["run"])
    ending = kinds[kinds.index("broken") :]
    assert set(ending[1:-3]) <= {"written", "inputs changed"}
    assert "written" in ending
    assert ending[-3:] == ["made safe", "run ended", "sealed"]


def test_a_board_that_stays_away_is_said_to_be_not_safe(tmp_path: Path) -> None:
    copy_demo(tmp_path, "th-s0.panel.yaml", "th-s0.bench.yaml", "th-s0.table.csv")
    copy_demo(tmp_path / "served", "th-s0.panel.yaml", "th-s0.bench.yaml")
    (tmp_path / "bad.sequence.yaml").write_text(SEQUENCE)
    served = tmp_path / "served"
    with (
        panel_on_the_wire(served / "th-s0.panel.yaml", served / "th-s0.bench.yaml") as server,
        bad_line(server, closed, bad_for=100_000) as port,
    ):
        point_at(tmp_path / "th-s0.bench.yaml", port)
        status, answer, err = run(tmp_path / "bad.sequence.yaml", tmp_path / "logs")
    assert (status, answer["verdict"]) == (4, "error")
    assert "NOT SAFE as far as is known" in err
    assert "switch the panel's supply off by hand" in err


def outputs_at(port: int) -> int | None:
    spec = BoardSpec(
        name="IO1",
        driver="modbus-tcp",
        settings={"host": "127.0.0.1", "port": port, "unit": 1},
        output_count=8,
        input_count=8,
    )
    with make_board(spec, RealClock()) as board:
        return board.read_back()
