"""An example of a board kind outside panelproof: a Modbus TCP board over a bare socket, as short as it gets.

The class derives from `Board` and writes the hooks; everything else (ranges, the output image, making safe at
close) is done there. A driver must turn all that goes wrong into the errors of `harness.errors`, and must
compare an answer with its question: what is not compared is taken for a reading.
"""

from __future__ import annotations

import socket
from collections.abc import Mapping

from harness.bench.board import Board, Identity, Sample, Stamp
from harness.errors import BoardAbsent, BoardGarbled, BoardRefused, BoardTimeout


class BareSocketBoard(Board):
    """Outputs are coils from 0, inputs discrete inputs from 0, of unit 1 at `address`, written HOST:PORT."""

    tells_answers_apart = True  # by the transaction number

    @staticmethod
    def check_settings(settings: Mapping[str, object]) -> list[str]:
        """What `panelproof check` says about the settings in a bench file."""
        problems = [f"no setting `{key}`; allowed: address" for key in settings if key != "address"]
        host, colon, port = str(settings.get("address", "")).rpartition(":")
        if not (host and colon and port.isascii() and port.isdigit() and int(port) <= 65535):
            problems.append("`address` is needed, as HOST:PORT")
        return problems

    def _do_open(self, timeout_s: float) -> None:
        self._number = 0
        host, _, port = str(self.spec.settings["address"]).rpartition(":")
        try:
            self._line = socket.create_connection((host, int(port)), timeout_s)
        except OSError as error:
            raise BoardAbsent(f"board {self.name}: nothing answers at {host}:{port} ({error})") from error

    def _do_identify(self, timeout_s: float) -> Identity:
        try:
            answer = self._ask(bytes([43, 14, 1, 0]), timeout_s)[2]
        except BoardRefused:
            return Identity()
        return Identity(product="as it says", simulated=b"SIMULATED BOARD" in answer)

    def _do_write(self, image: int, timeout_s: float) -> Stamp:
        count = self.spec.output_count
        size = (count + 7) // 8
        head = bytes([15, 0, 0, 0, count])
        sent_ns, received_ns, answer = self._ask(
            head + bytes([size]) + image.to_bytes(size, "little"), timeout_s
        )
        self._compare(answer, head)
        return Stamp(sent_ns, received_ns)

    def _do_read(self, timeout_s: float) -> Sample:
        return Sample(*self._bits(2, self.spec.input_count, timeout_s))

    def _do_read_back(self, timeout_s: float) -> int:
        return self._bits(1, self.spec.output_count, timeout_s)[2]

    def _do_close(self) -> None:
        self._line.close()

    def _bits(self, function: int, count: int, timeout_s: float) -> tuple[int, int, int]:
        sent_ns, received_ns, answer = self._ask(bytes([function, 0, 0, 0, count]), timeout_s)
        size = (count + 7) // 8
        self._compare(answer[:2], bytes([function, size]))
        self._compare(answer[2 + size :], b"")
        return sent_ns, received_ns, int.from_bytes(answer[2:], "little") & (1 << count) - 1

    def _compare(self, found: bytes, wanted: bytes) -> None:
        if found != wanted:
            raise BoardGarbled(
                f"board {self.name}: an answer of {found.hex(' ')}, expected {wanted.hex(' ')}"
            )

    def _ask(self, question: bytes, timeout_s: float) -> tuple[int, int, bytes]:
        self._number = self._number % 0xFFFF + 1
        frame = self._number.to_bytes(2) + bytes(2) + (len(question) + 1).to_bytes(2) + b"\x01" + question
        self._line.settimeout(timeout_s)
        sent_ns = self.clock.now_ns()
        try:
            self._line.sendall(frame)
            head = self._exactly(7)
            answer = self._exactly(int.from_bytes(head[4:6]) - 1)
        except TimeoutError as error:
            self._line.close()  # what comes late must not be taken for an answer to the next question
            raise BoardTimeout(f"board {self.name}: no whole answer within {timeout_s} s") from error
        except OSError as error:
            raise BoardAbsent(f"board {self.name}: the connection is lost ({error})") from error
        received_ns = self.clock.now_ns()
        self._compare(head[:4] + head[6:], frame[:4] + b"\x01")
        if answer[0] == question[0] | 0x80:
            raise BoardRefused(f"board {self.name}: refused, exception {answer[1]}", code=answer[1])
        return sent_ns, received_ns, answer

    def _exactly(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            more = self._line.recv(count - len(data))
            if not more:
                raise ConnectionResetError("closed by the other end")
            data += more
        return data
