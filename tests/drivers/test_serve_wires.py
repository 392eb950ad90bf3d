"""`panelproof serve` on every wire: what it says, how it ends, and whole runs over it, good and faulty."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import time
from pathlib import Path

import pytest
from line_benches import SHORT, bench_folder, passed, place_of, point, serve, split_board
from serial_lines import FarEnd
from wire_benches import edit, run

from drivers.rtu_frame import sealed
from harness.cli.main import main

pytest.importorskip("pty", reason="this system has no pseudo terminals")

RTU_19200 = ("--modbus-rtu", "pty")
RTU_115200 = ("--modbus-rtu", "pty", "--baud", "115200")
TEXT = ("--text-line", "pty", "--baud", "115200")
RTU_TCP = ("--modbus-rtu-tcp", "127.0.0.1:0")
POLL = sealed(bytes.fromhex("01 02 00 07 00 01"))  # input 7: the emergency stop, healthy from the beginning
HEALTHY = sealed(bytes.fromhex("01 02 01 01"))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return bench_folder(tmp_path)


def over(folder: Path, place: str, *words: str) -> str:
    """Point the bench file at what is served; the sequence to run is the caller's."""
    baud = words[words.index("--baud") + 1] if "--baud" in words else "19200"
    if words[0] in {"--modbus-rtu", "--text-line"}:
        point(folder / "th-s0.bench.yaml", words[0].lstrip("-"), place, baud=baud, parity="none")
    else:
        point(folder / "th-s0.bench.yaml", words[0].lstrip("-"), place)
    return place


WIRES = pytest.mark.parametrize(
    "words",
    [RTU_19200, RTU_115200, RTU_TCP, TEXT],
    ids=["RTU 19200", "RTU 115200", "RTU over TCP", "text line 115200"],
)


@WIRES
def test_a_good_panel_passes(folder: Path, words: tuple[str, ...]) -> None:
    with serve(folder, *words) as process:
        over(folder, place_of(process), *words)
        passed(folder / "short.sequence.yaml", folder / "logs")


@WIRES
@pytest.mark.parametrize("fault", ["K1 coil open", "K1 stuck picked up"])
def test_a_faulty_panel_fails(folder: Path, words: tuple[str, ...], fault: str) -> None:
    with serve(folder, *words, "--fault", fault) as process:
        over(folder, place_of(process), *words)
        status, answer, err = run(folder / "short.sequence.yaml", folder / "logs")
    assert (status, answer.get("verdict")) == (1, "fail"), err


@pytest.mark.slow
@WIRES
def test_whole_procedure_on_a_good_panel(folder: Path, words: tuple[str, ...]) -> None:
    with serve(folder, *words) as process:
        over(folder, place_of(process), *words)
        passed(folder / "th-s0.sequence.yaml", folder / "logs")


@pytest.mark.slow
@WIRES
def test_whole_procedure_on_a_panel_that_does_not_seal_in(folder: Path, words: tuple[str, ...]) -> None:
    with serve(folder, *words, "--fault", "K1.13-14 stuck open") as process:
        over(folder, place_of(process), *words)
        status, answer, err = run(folder / "th-s0.sequence.yaml", folder / "logs")
    assert (status, answer.get("verdict")) == (1, "fail"), err


@pytest.mark.parametrize(
    ("words", "least_us"),
    # by hand: a write of eight coils and its answer are 10 + 8 characters, and t3.5 between
    [(RTU_19200, 12_317), (RTU_115200, 3_468)],
    ids=["19200", "115200"],
)
def test_no_write_in_the_journal_is_faster_than_the_wire(
    folder: Path, words: tuple[str, ...], least_us: int
) -> None:
    with serve(folder, *words) as process:
        over(folder, place_of(process), *words)
        answer = passed(folder / "short.sequence.yaml", folder / "logs")
    lines = (Path(answer["run"]) / "journal.jsonl").read_text().splitlines()
    written = [line["data"] for line in map(json.loads, lines) if line["kind"] == "written"]
    took_us = [data["acknowledged_us"] - data["sent_us"] for data in written if data["board"] == "IO1"]
    assert len(took_us) > 3
    assert min(took_us) >= least_us
    assert min(took_us) <= least_us + 2_000  # and the best of them is close to it


def test_words_of_the_bench_files_own(folder: Path) -> None:
    words = "write one: 'CONTACT {unit}/{channel} {state}', write reply: 'DONE {unit}/{channel} {state}', "
    words += "read outputs: 'CONTACTS {unit}', outputs reply: 'CONTACTS {unit} ARE {image}', "
    words += "read inputs: 'SENSES {unit}', inputs reply: 'SENSES {unit} ARE {image}', image base: binary, "
    words += "identify: 'WHO {unit}', identify reply: 'HERE {unit} IS {maker}, {product}, {revision}', "
    words += "line end: CRLF, "
    for bench in (folder / "th-s0.bench.yaml", folder / "served/th-s0.bench.yaml"):
        text = bench.read_text().replace("simulated: true\n", "")
        own = f"driver: text-line\n    settings: {{{words} port: PORT, baud: '115200', parity: none}}"
        bench.write_text(text.replace("driver: simulated", own))
    with serve(folder, *TEXT) as process:
        place = place_of(process)
        edit(folder / "th-s0.bench.yaml", "PORT", place)
        with FarEnd(place) as line:
            assert line.ask(b"CONTACTS 1\r\n", 27, 0.5) == b"CONTACTS 1 ARE 00000000\r\n"
            assert line.ask(b"SWITCH 1 00\r\n", 16, 0.5) == b"NOT UNDERSTOOD\r\n"
        passed(folder / "short.sequence.yaml", folder / "logs")


def test_two_boards_and_the_hands_on_one_bus(folder: Path) -> None:
    """Units 1, 2 and 247; F1 opened by unit 247 stops the panel."""
    for bench in (folder / "th-s0.bench.yaml", folder / "served/th-s0.bench.yaml"):
        split_board(bench)
    with serve(folder, *RTU_115200) as process:
        name = over(folder, place_of(process), *RTU_115200)
        with FarEnd(name) as line:
            for asked, answered in (
                ("02 01 00 00 00 01", "02 81 01"),  # IO2 has no outputs
                ("F7 01 00 00 00 02", "F7 01 01 00"),
                ("03 01 00 00 00 01", ""),
            ):
                wanted = bytes.fromhex(answered)
                answer = line.ask(sealed(bytes.fromhex(asked)), len(wanted) + 2, 0.2)
                assert answer == (sealed(wanted) if wanted else b"")
                time.sleep(0.005)  # more than t3.5
        passed(folder / "short.sequence.yaml", folder / "logs")
        by_hand = SHORT.replace("start, stop against start", "F1 open against start")
        (folder / "by-hand.sequence.yaml").write_text(by_hand)
        passed(folder / "by-hand.sequence.yaml", folder / "logs")


def test_two_boards_of_one_unit_cannot_be_served(folder: Path) -> None:
    """On two ports they may have the same unit; on the one line that is served they may not."""
    bench = folder / "served/th-s0.bench.yaml"
    split_board(bench)
    text = bench.read_text().replace("simulated: true\n", "")
    for port in ("COM3", "COM4"):
        own = f"driver: modbus-rtu\n    settings: {{port: {port}, unit: 1}}"
        text = text.replace("driver: simulated", own, 1)
    bench.write_text(text)
    with serve(folder, *RTU_19200) as process:
        out, err = process.communicate(timeout=20)
    assert (out, process.returncode) == ("", 4)
    assert err == "boards IO1 and IO2 both answer to unit 1; one server needs a different `unit` for each\n"


def test_two_languages_on_one_line_cannot_be_served(folder: Path) -> None:
    bench = folder / "served/th-s0.bench.yaml"
    split_board(bench)
    text = bench.read_text().replace("simulated: true\n", "")
    for unit, echo in ((1, "true"), (2, "false")):
        own = f"driver: text-line\n    settings: {{port: COM3, unit: {unit}, echo: {echo}}}"
        text = text.replace("driver: simulated", own, 1)
    bench.write_text(text)
    with serve(folder, *TEXT) as process:
        out, err = process.communicate(timeout=20)
    assert (out, process.returncode) == ("", 4)
    assert err == (
        "boards IO1 and IO2 have different settings, and one line serves one language;"
        " give both the same in the bench file\n"
    )


@pytest.mark.parametrize(
    ("driver", "where"),
    [
        ("modbus-rtu", "port: COM3"),
        ("modbus-rtu-tcp", "host: 192.0.2.1, port: 502"),
        ("modbus-tcp", "host: 192.0.2.1"),
    ],
)
def test_the_unit_in_the_bench_file_counts(folder: Path, driver: str, where: str) -> None:
    bench = folder / "served/th-s0.bench.yaml"
    text = bench.read_text().replace("simulated: true\n", "")
    own = f"driver: {driver}\n    settings: {{{where}, unit: 17}}"
    bench.write_text(text.replace("driver: simulated", own))
    with serve(folder, *RTU_115200) as process, FarEnd(place_of(process)) as line:
        frame = sealed(bytes([17]) + POLL[1:-2])
        assert line.ask(frame, 6) == sealed(bytes([17]) + HEALTHY[1:-2])
        time.sleep(0.005)  # more than t3.5
        assert line.ask(POLL, 6, 0.1) == b""


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT, signal.SIGKILL], ids=lambda s: s.name)
def test_link_is_there_while_it_serves(folder: Path, how: signal.Signals) -> None:
    """Even where the command itself is killed, its server sees that and ends in good order."""
    link = folder / "line"
    with serve(folder, "--modbus-rtu", f"pty:{link}") as process:
        assert place_of(process) == str(link)
        with FarEnd(str(link)) as line:
            assert line.ask(POLL, 6) == HEALTHY
            process.send_signal(how)
            out, err = process.communicate(timeout=10)
    assert (out, err.strip()) == ("", {15: "terminated", 2: "interrupted", 9: ""}[how])
    assert process.returncode == {15: 143, 2: 130, 9: -9}[how]
    assert not link.is_symlink()


def test_served_on_a_serial_port(folder: Path) -> None:
    """The far end of a pseudo terminal is a serial port by name; the client has its near end."""
    import os

    near, far = os.openpty()
    try:
        port = os.ttyname(far)
        with serve(folder, "--modbus-rtu", port, "--parity", "none") as process:
            assert place_of(process) == port
            os.write(near, POLL)
            answer = b""
            while len(answer) < 6:
                answer += os.read(near, 64)
            assert answer == HEALTHY
            process.send_signal(signal.SIGTERM)
            assert process.wait(10) == 143
    finally:
        os.close(near)
        os.close(far)


TCP = ("--modbus-tcp", "127.0.0.1:0")
SERIAL_ONLY = "is for a serial line; take it out, or serve with --modbus-rtu or --text-line"


@pytest.mark.parametrize(
    ("words", "status", "message"),
    [
        pytest.param(
            (),
            2,
            "panelproof serve: one of the arguments --modbus-tcp --modbus-rtu --modbus-rtu-tcp --text-line is"
            " required; see panelproof serve --help",
            id="no wire",
        ),
        pytest.param(
            (*TCP, "--modbus-rtu", "pty"),
            2,
            "panelproof serve: argument --modbus-rtu: not allowed with argument --modbus-tcp;"
            " see panelproof serve --help",
            id="two wires",
        ),
        pytest.param((*TCP, "--baud", "9600"), 2, f"--baud {SERIAL_ONLY}", id="baud on TCP"),
        pytest.param((*TCP, "--unpaced"), 2, f"--unpaced {SERIAL_ONLY}", id="unpaced on TCP"),
        pytest.param((*RTU_TCP, "--parity", "odd"), 2, f"--parity {SERIAL_ONLY}", id="parity on TCP"),
        pytest.param(
            (*RTU_19200, "--clients", "1"),
            2,
            "--clients is for TCP; a serial line has one master",
            id="clients on a line",
        ),
        pytest.param((*TCP, "--clients", "0"), 2, "--clients 0: at least 1 is needed", id="no clients"),
        pytest.param(
            ("--modbus-rtu", "COM9", "--unpaced"),
            2,
            "--unpaced is for a pseudo terminal; a serial port has its own pace",
            id="a port without pace",
        ),
        pytest.param(
            ("--modbus-rtu", "pty", "--baud", "19201"),
            2,
            "--baud 19201: one of 1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200,"
            " 230400, 460800, 921600 is needed",
            id="an odd baud",
        ),
        pytest.param(
            ("--modbus-rtu", "pty", "--turnaround", "5"),
            2,
            "--turnaround 5: ",
            id="a turnaround without unit",
        ),
        pytest.param(
            ("--modbus-rtu-tcp", "5020"),
            2,
            "'5020' is not HOST:PORT; for example 127.0.0.1:5020, port 0 for any free one",
            id="no address",
        ),
        pytest.param(("--modbus-rtu", "/nowhere/ttyX"), 4, "/nowhere/ttyX", id="a port that is missing"),
        pytest.param(
            ("--modbus-rtu", "pty:/nowhere/line"),
            4,
            "cannot link /nowhere/line to a pseudo terminal (no such file or directory); choose another path",
            id="a link that cannot be",
        ),
    ],
)
def test_what_cannot_be_served_is_one_line(
    folder: Path, words: tuple[str, ...], status: int, message: str
) -> None:
    with serve(folder, *words) as process:
        out, err = process.communicate(timeout=20)
    assert (out, process.returncode) == ("", status), err
    assert err.startswith(message), err
    assert err.endswith("\n")
    assert err.count("\n") == 1


def test_a_port_that_is_taken(folder: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        with serve(folder, "--modbus-rtu-tcp", address) as process:
            _, err = process.communicate(timeout=20)
    assert err == f"cannot serve at {address} (address already in use); choose another address, or port 0\n"
    assert process.returncode == 4


def test_a_link_that_is_taken(folder: Path) -> None:
    (folder / "line").write_text("mine")
    with serve(folder, "--modbus-rtu", f"pty:{folder / 'line'}") as process:
        _, err = process.communicate(timeout=20)
    assert (process.returncode, err.count("\n")) == (4, 1)
    assert "(file exists); choose another path" in err
    assert (folder / "line").read_text() == "mine"


def test_without_pseudo_terminals_one_line_says_so(folder: Path) -> None:
    """As on a system that has none: their modules cannot be imported, everything else can."""
    from harness.bench.registry import server_command

    hidden = "import sys; sys.modules.update(dict.fromkeys(('pty', 'tty', 'termios', 'fcntl'))); "
    command = server_command()
    command[-1] = hidden + command[-1]
    command += ["--panel", str(folder / "th-s0.panel.yaml"), "--bench", str(folder / "th-s0.bench.yaml")]
    done = subprocess.run([*command, *RTU_19200], capture_output=True, text=True, timeout=20, check=False)
    assert (done.returncode, done.stdout) == (4, "")
    assert done.stderr == "this system has no pseudo terminals; give a serial port, or serve on TCP\n"
    with subprocess.Popen([*command, *TCP], stdout=subprocess.PIPE, text=True) as process:
        assert place_of(process).startswith("127.0.0.1:")
        process.terminate()


TCP_POLL = bytes.fromhex("00 01 00 00 00 06 01 02 00 07 00 01")
TCP_HEALTHY = bytes.fromhex("00 01 00 00 00 04 01 02 01 01")


def test_clients_are_served_side_by_side(folder: Path) -> None:
    with serve(folder, *TCP) as process:
        address = ("127.0.0.1", int(place_of(process).rpartition(":")[2]))
        lines = [socket.create_connection(address, 2.0) for _ in range(5)]
        for line in (*lines, *reversed(lines)):
            line.sendall(TCP_POLL)
            assert line.recv(64) == TCP_HEALTHY
        for line in lines:
            line.close()


@pytest.mark.parametrize("wire", [TCP, RTU_TCP], ids=["Modbus TCP", "RTU over TCP"])
def test_one_client_too_many_is_closed_and_the_place_comes_free(folder: Path, wire: tuple[str, ...]) -> None:
    """As boards with one connection do."""
    asked, good = (POLL, HEALTHY) if wire is RTU_TCP else (TCP_POLL, TCP_HEALTHY)
    with serve(folder, *wire, "--clients", "1") as process:
        address = ("127.0.0.1", int(place_of(process).rpartition(":")[2]))
        with socket.create_connection(address, 2.0) as first:
            for _ in range(3):
                first.sendall(asked)
                assert first.recv(64) == good
                with socket.create_connection(address, 2.0) as second:
                    assert second.recv(1) == b""
        for _ in range(100):  # the server may not have seen the end of the first one yet
            with socket.create_connection(address, 2.0) as third:
                third.sendall(asked)
                try:
                    if third.recv(64) == good:
                        return
                except ConnectionResetError:
                    pass
    raise AssertionError("the place did not come free")


def test_help_names_every_wire(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["serve", "--help"])
    said = capsys.readouterr().out
    for word in ("--modbus-tcp", "--modbus-rtu", "--modbus-rtu-tcp", "--text-line", "PTY-OR-PORT"):
        assert word in said
