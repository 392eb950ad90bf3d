"""The exchange takes the answer to its own question and nothing else; every fault has its class and line."""

from __future__ import annotations

import errno
import inspect
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress

import pymodbus.exceptions
import pytest
from serving import FaultyDevice

from drivers import modbus_exchange
from drivers.modbus_exchange import Exchange
from drivers.modbus_question import identify, read_bits, write_coil, write_coils
from harness.clock import RealClock
from harness.errors import BenchError, BoardAbsent, BoardGarbled, BoardRefused, BoardTimeout

READ = read_bits(2, 0, 10, 1)  # two data bytes
WRITE = write_coils(0, 10, 0x201, 1)
GARBLED = "; not used, connection closed; check for a second device or client at this address"
SILENT = "; check the board and its `unit`, or raise `timeout` in the bench file"
LOST = "; check the board's power and the network cable, and that no other client holds it"


@contextmanager
def line_to(port: int) -> Iterator[Exchange]:
    with closing(Exchange("board IO1 at T", "127.0.0.1", port, RealClock())) as exchange:
        yield exchange


def answers(request: bytes, pdu: str, *, unit: int = 1, protocol: int = 0, ahead: int = 0) -> bytes:
    """An answer to `request`; `ahead` falsifies its transaction."""
    body = bytes.fromhex(pdu)
    transaction = (int.from_bytes(request[:2]) + ahead).to_bytes(2)
    return transaction + protocol.to_bytes(2) + (len(body) + 1).to_bytes(2) + bytes([unit]) + body


def sending(pdu: str, **false: int) -> Callable[[socket.socket, bytes], None]:
    return lambda line, request: line.sendall(answers(request, pdu, **false))


def byte_by_byte(line: socket.socket, request: bytes) -> None:
    for byte in answers(request, "02 02 55 02"):
        line.sendall(bytes([byte]))
        time.sleep(0.001)


def cut_short(line: socket.socket, request: bytes) -> None:
    line.sendall(answers(request, "02 02 55 02")[:-1])


def cut_short_and_closed(line: socket.socket, request: bytes) -> None:
    cut_short(line, request)
    line.shutdown(socket.SHUT_RDWR)


def silent(line: socket.socket, request: bytes) -> None:
    pass


def closed(line: socket.socket, request: bytes) -> None:
    line.shutdown(socket.SHUT_RDWR)


def reset(line: socket.socket, request: bytes) -> None:
    line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
    line.close()


def endless(line: socket.socket, request: bytes) -> None:
    line.sendall(answers(request, "02 02 55 02")[:4] + b"\xff\xff" + bytes(200))


def twice(line: socket.socket, request: bytes) -> None:
    line.sendall(2 * answers(request, "02 02 55 02"))


@pytest.mark.parametrize("behaviour", [sending("02 02 55 02"), byte_by_byte], ids=["whole", "byte by byte"])
def test_good_answer_is_taken(behaviour: Callable[[socket.socket, bytes], None]) -> None:
    with FaultyDevice(behaviour) as device, line_to(device.port) as exchange:
        for _ in range(3):
            sent_ns, received_ns, answer = exchange.ask(READ, 5.0)
            assert answer == bytes.fromhex("02 02 55 02")
            assert sent_ns < received_ns
        assert device.connections == 1


@pytest.mark.parametrize(
    ("behaviour", "kind", "text"),
    [
        (silent, BoardTimeout, "no answer within 250 ms" + SILENT),
        (cut_short, BoardTimeout, "only 10 bytes of an answer within 250 ms" + SILENT),
        (closed, BoardAbsent, "connection lost (closed by the board)" + LOST),
        (cut_short_and_closed, BoardAbsent, "connection lost (closed by the board in mid-answer)" + LOST),
        (reset, BoardAbsent, "connection lost (connection reset by peer)" + LOST),
        (
            sending("82 02"),
            BoardRefused,
            (
                "refused with exception 02 (illegal data address); check `first output`, `first input`"
                " and the numbers of channels"
            ),
        ),
        (
            sending("82 0B"),
            BoardRefused,
            (
                "refused with exception 0B (gateway target device failed to respond); check `unit` and that"
                " board's power"
            ),
        ),
        (
            sending("82 63"),
            BoardRefused,
            "refused with exception 63 (a code of its own); look the code up in the board's manual",
        ),
        (sending("82 00"), BoardGarbled, "exception answer with code 0, which means nothing" + GARBLED),
        (sending("82 02 02"), BoardGarbled, "malformed exception answer 82 02 02" + GARBLED),
        (
            sending("02 02 55 02", ahead=-1),
            BoardGarbled,
            "answer to transaction 0, asked 1: late or foreign" + GARBLED,
        ),
        (sending("02 02 55 02", protocol=7), BoardGarbled, "protocol identifier 7 instead of 0" + GARBLED),
        (endless, BoardGarbled, "length field 65535 (3 to 254)" + GARBLED),
        (sending(""), BoardGarbled, "length field 1 (3 to 254)" + GARBLED),
        (sending("02 02 55 02", unit=2), BoardGarbled, "answer from unit 2, asked 1" + GARBLED),
        (sending("01 02 55 02"), BoardGarbled, "answer to function 1, asked 2" + GARBLED),
        (sending("81 02"), BoardGarbled, "answer to function 1, asked 2" + GARBLED),
        (sending("02 01 55"), BoardGarbled, "byte count 1 instead of 2" + GARBLED),
        (sending("02 03 55 02 00"), BoardGarbled, "byte count 3 instead of 2" + GARBLED),
        (sending("02 00"), BoardGarbled, "byte count 0 instead of 2" + GARBLED),
        (sending("02 02 55"), BoardGarbled, "1 data bytes instead of 2" + GARBLED),
        (sending("02 02 55 02 00"), BoardGarbled, "3 data bytes instead of 2" + GARBLED),
        (twice, BoardGarbled, "11 bytes after the answer" + GARBLED),
    ],
    ids=lambda value: str(value)[:40] if isinstance(value, str) else getattr(value, "__name__", "sent"),
)
def test_fault_of_a_read(
    behaviour: Callable[[socket.socket, bytes], None], kind: type[BenchError], text: str
) -> None:
    with (
        FaultyDevice(behaviour) as device,
        line_to(device.port) as exchange,
        pytest.raises(kind) as caught,
    ):
        exchange.ask(READ, 0.25 if kind is BoardTimeout else 5.0)
    assert type(caught.value) is kind
    assert str(caught.value) == f"board IO1 at T: read inputs at 0 to 9: {text}"


@pytest.mark.parametrize(
    ("pdu", "text"),
    [
        ("0F 00 00 00 09", "write echo 0f 00 00 00 09 instead of 0f 00 00 00 0a"),
        ("0F 00 01 00 0A", "write echo 0f 00 01 00 0a instead of 0f 00 00 00 0a"),
        ("0F 00 00 00 0A 00", "write echo 0f 00 00 00 0a 00 instead of 0f 00 00 00 0a"),
        ("0F 00", "write echo 0f 00 instead of 0f 00 00 00 0a"),
    ],
)
def test_wrong_write_echo(pdu: str, text: str) -> None:
    with (
        FaultyDevice(sending(pdu)) as device,
        line_to(device.port) as exchange,
        pytest.raises(BoardGarbled) as caught,
    ):
        exchange.ask(WRITE, 5.0)
    assert str(caught.value) == f"board IO1 at T: write outputs at 0 to 9: {text}{GARBLED}"


def test_single_coil_echo_of_the_other_state_is_refused() -> None:
    with (
        FaultyDevice(sending("05 00 03 00 00")) as device,
        line_to(device.port) as exchange,
        pytest.raises(BoardGarbled, match="write echo 05 00 03 00 00 instead of 05 00 03 ff 00"),
    ):
        exchange.ask(write_coil(3, True, 1), 5.0)


@pytest.mark.parametrize(
    ("pdu", "text"),
    [
        ("2B 0E 01 81 00 00 02 00 01 41", "identification with 1 objects that says 2"),
        ("2B 0E 01 81 00 00 01 00 05 41", "identification whose objects do not fill it"),
        ("2B 0E 01 81 00 00 02 00 01 41 00 01 42", "identification whose objects do not fill it"),
        ("2B 0E 04 81 00 00 01 00 01 41", "identification that cannot be decoded"),
        ("2B 0E 01", "identification that cannot be decoded"),
        ("2B 0D 01 81 00 00 01 00 01 41", "identification that cannot be decoded"),
    ],
)
def test_malformed_identification(pdu: str, text: str) -> None:
    with (
        FaultyDevice(sending(pdu)) as device,
        line_to(device.port) as exchange,
        pytest.raises(BoardGarbled, match=text),
    ):
        exchange.ask(identify(1), 5.0)


@pytest.mark.parametrize("first", [silent, cut_short, twice, sending("01 02 55 02"), closed])
def test_connection_is_renewed_after_a_failure(first: Callable[[socket.socket, bytes], None]) -> None:
    def once(line: socket.socket, request: bytes) -> None:
        (first if len(device.requests) == 1 else sending("02 02 55 02"))(line, request)

    with FaultyDevice(once) as device, line_to(device.port) as exchange:
        with pytest.raises(BenchError):
            exchange.ask(READ, 0.05)
        assert exchange.ask(READ, 5.0)[2] == bytes.fromhex("02 02 55 02")
        assert device.connections == 2


def test_connection_is_kept_after_a_refusal() -> None:
    with FaultyDevice(sending("82 06")) as device, line_to(device.port) as exchange:
        for _ in range(2):
            with pytest.raises(BoardRefused):
                exchange.ask(READ, 5.0)
        assert device.connections == 1


def test_lost_write_is_not_repeated() -> None:
    with (
        FaultyDevice(closed) as device,
        line_to(device.port) as exchange,
        pytest.raises(BoardAbsent),
    ):
        exchange.ask(WRITE, 5.0)
    assert len(device.requests) == 1


def test_interrupt_in_mid_exchange_leaves_no_answer_behind() -> None:
    """Ctrl-C between question and answer: the answer that still comes is not the next one's."""

    class Interrupted(RealClock):
        armed = False

        def now_ns(self) -> int:
            if self.armed:
                self.armed = False
                raise KeyboardInterrupt
            return super().now_ns()

    clock = Interrupted()
    with FaultyDevice(sending("02 02 55 02")) as device:
        exchange = Exchange("board IO1 at T", "127.0.0.1", device.port, clock)
        exchange.ask(READ, 5.0)
        clock.armed = True
        with pytest.raises(KeyboardInterrupt):
            exchange.ask(READ, 5.0)
        assert exchange.ask(READ, 5.0)[2] == bytes.fromhex("02 02 55 02")
        exchange.close()
        assert device.connections == 2


class LateDevice(FaultyDevice):
    """Answers request k (from 1) with k as data, the k-th of `delays_s` later."""

    def __init__(self, delays_s: list[float]) -> None:
        self._delays_s = delays_s
        self.timers: list[threading.Timer] = []
        super().__init__(self._late)

    def _late(self, line: socket.socket, request: bytes) -> None:
        number = len(self.requests)
        answer = answers(request, f"{request[7]:02x} 01 {number:02x}")

        def send() -> None:
            with suppress(OSError):  # that connection may be gone, which is the point
                line.sendall(answer)

        delay_s = self._delays_s[number - 1] if number <= len(self._delays_s) else 0.0
        self.timers.append(threading.Timer(delay_s, send))
        self.timers[-1].start()


@pytest.mark.parametrize(
    "delays_s", [[0.18], [0.18, 0.06, 0.06, 0.06], [0.18, 0.18, 0.18]], ids=["one", "all slow", "three"]
)
@pytest.mark.parametrize("pause_s", [0.0, 0.12], ids=["still to come", "already there"])
def test_late_answer_is_never_a_reading(delays_s: list[float], pause_s: float) -> None:
    """A device whose first answers come after the time-out; what is taken answers the request just made."""
    inputs, outputs = read_bits(2, 0, 8, 1), read_bits(1, 0, 8, 1)
    taken = []
    with LateDevice(delays_s) as device, line_to(device.port) as exchange:
        for question in (inputs, outputs, inputs, outputs, outputs):
            try:
                taken.append((exchange.ask(question, 0.1)[2][2], len(device.requests)))
            except BoardTimeout:
                time.sleep(pause_s)
        for timer in device.timers:
            timer.join()
    assert taken
    assert [number for number, _ in taken] == [request for _, request in taken]


def adopted_from(device: FaultyDevice, owed: bytes) -> Exchange:
    """A connection that a process now dead had open, with what it is owed on its way already."""
    old = socket.create_connection(("127.0.0.1", device.port))
    exchange = Exchange("board IO1 at T", "127.0.0.1", device.port, RealClock())
    if owed:
        old.sendall(bytes.fromhex("FFFF 0000 0006 01 02 0000 000A"))
        while not device.requests:
            time.sleep(0.001)
    exchange.adopt(old.detach(), 5.0)
    return exchange


@pytest.mark.parametrize("stale_transaction", [1, 2, 3, 0x1234])
@pytest.mark.parametrize("stale", ["02 02 FF 03", "0F 00 00 00 0A", ""])
@pytest.mark.parametrize("late_s", [0.0, 0.03])
def test_taken_over_connection_drains_what_its_old_owner_is_owed(
    stale_transaction: int, stale: str, late_s: float
) -> None:
    """In time and late, with any number, also one that we use: the second answer is ours for sure."""

    def answer(line: socket.socket, request: bytes) -> None:
        if request.startswith(b"\xff\xff"):
            time.sleep(late_s)
            line.sendall(answers(stale_transaction.to_bytes(2), stale))
        else:
            line.sendall(answers(request, "02 02 55 02" if request[7] == 2 else "0F 00 00 00 0A"))

    with FaultyDevice(answer) as device:
        exchange = adopted_from(device, bytes.fromhex(stale))
        try:
            exchange.ask(WRITE, 5.0)
        except BoardGarbled:  # the old answer had our number: the connection is closed
            assert stale_transaction == 1
        assert exchange.ask(READ, 5.0)[2] == bytes.fromhex("02 02 55 02")
        assert exchange.ask(READ, 5.0)[2] == bytes.fromhex("02 02 55 02")
        exchange.close()


def test_strangers_are_passed_over_for_two_questions_only() -> None:
    def answer(line: socket.socket, request: bytes) -> None:
        line.sendall(answers(request, "02 02 FF 03", ahead=-1) + answers(request, "02 02 55 02"))

    with FaultyDevice(answer) as device:
        exchange = adopted_from(device, b"")
        for _ in range(2):
            assert exchange.ask(READ, 5.0)[2] == bytes.fromhex("02 02 55 02")
        with pytest.raises(BoardGarbled, match="11 bytes after the answer"):
            exchange.ask(READ, 5.0)
        exchange.close()


def test_taken_over_connection_that_is_gone() -> None:
    near, far = socket.socketpair()
    far.close()
    with pytest.raises(BoardAbsent, match="cannot connect"):
        Exchange("board IO1 at T", "127.0.0.1", 1, RealClock()).adopt(near.detach(), 1.0)


def test_descriptor_and_connections() -> None:
    with FaultyDevice(sending("02 02 55 02")) as device, line_to(device.port) as exchange:
        assert (exchange.descriptor, exchange.connections) == (None, 0)
        exchange.connect(5.0)
        assert exchange.descriptor is not None
        assert exchange.connections == 1


def os_errors() -> list[type[OSError]]:
    found = [OSError]
    for kind in found:
        found += [sub for sub in kind.__subclasses__() if sub.__module__ in ("builtins", "socket")]
    return sorted(set(found), key=lambda kind: kind.__name__)


class BrokenLine:
    """Stands in for a socket whose every use fails."""

    def __init__(self, error: Exception) -> None:
        self._error = error

    def sendall(self, data: bytes) -> None:
        raise self._error

    def recv(self, size: int) -> bytes:
        raise self._error

    def settimeout(self, timeout_s: float | None) -> None:
        pass

    def setsockopt(self, *_: object) -> None:
        pass

    def close(self) -> None:
        raise self._error


@pytest.mark.parametrize("kind", os_errors())
def test_every_operating_system_error_is_one_of_ours(kind: type[OSError]) -> None:
    error = kind(errno.EIO, "Input/output error")
    exchange = Exchange("board IO1 at T", "127.0.0.1", 1, RealClock())
    exchange._take(BrokenLine(error), 1.0)  # type: ignore[arg-type]
    wanted = BoardTimeout if issubclass(kind, TimeoutError | BlockingIOError) else BoardAbsent
    with pytest.raises(wanted) as caught:
        exchange.ask(READ, 5.0)
    assert caught.value.__cause__ is error
    assert "\n" not in str(caught.value)
    exchange.close()


def library_errors() -> list[Exception]:
    kinds = inspect.getmembers(pymodbus.exceptions, inspect.isclass)
    return [kind("trouble") for _, kind in kinds if issubclass(kind, Exception)]


@pytest.mark.parametrize("error", library_errors(), ids=lambda error: type(error).__name__)
def test_every_library_error_is_one_of_ours(error: Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise error

    monkeypatch.setattr(modbus_exchange, "fault_of", fails)
    with (
        FaultyDevice(sending("02 01 55")) as device,
        line_to(device.port) as exchange,
        pytest.raises(BoardGarbled) as caught,
    ):
        exchange.ask(READ, 5.0)
    assert caught.value.__cause__ is error


@pytest.mark.parametrize(
    ("host", "cause"),
    [("127.0.0.1", "connection refused"), ("no-such-host.invalid", "name or service not known|temporary")],
)
def test_nothing_there(host: str, cause: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    exchange = Exchange("board IO1 at T", host, port, RealClock())
    with pytest.raises(BoardAbsent, match=cause) as caught:
        exchange.connect(2.0)
    assert isinstance(caught.value.__cause__, OSError)
    assert str(caught.value).endswith(
        "; check its power, the network cable, and `host` and `port` in the bench file"
    )


def test_host_name_that_is_no_name() -> None:
    with pytest.raises(BoardAbsent, match="cannot connect"):
        Exchange("board IO1 at T", "a..b", 502, RealClock()).connect(1.0)


def test_trace_sees_every_frame_in_order() -> None:
    seen: list[tuple[bool, bytes, int]] = []
    with FaultyDevice(byte_by_byte) as device:
        exchange = Exchange(
            "board IO1 at T", "127.0.0.1", device.port, RealClock(), lambda *entry: seen.append(entry)
        )
        exchange.ask(READ, 5.0)
        exchange.close()
    assert [frame for sending_, frame, _ in seen if sending_] == device.requests
    assert b"".join(frame for sending_, frame, _ in seen if not sending_)[7:] == b"\2\2\x55\2"
    assert [at for _, _, at in seen] == sorted(at for _, _, at in seen)
