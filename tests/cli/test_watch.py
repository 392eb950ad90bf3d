"""`panelproof watch`: words, screen, keys, what is refused; and whole sessions at a pseudo terminal."""

from __future__ import annotations

import io
import json
import os
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from modbus_models import TableDevice
from serving import serving
from wire_benches import copy_demo, edit, journal_kinds, point_at

from harness.bench.files import load_bench
from harness.bench.parts import Bench
from harness.cli.main import main
from harness.cli.watch_keys import Keys
from harness.cli.watch_screen import screen_lines
from harness.cli.watch_view import View
from harness.demo_files import resolve
from harness.panel.files import load_panel
from harness.panel.parts import Panel
from harness.run.by_hand import outputs_of, refusals
from harness.run.hold_to_run import HoldToRun, Limits
from harness.run.looking import Seen

posix = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo terminals")
SECOND = 1_000_000_000


@pytest.mark.parametrize(
    ("fed", "words"),
    [
        pytest.param([" "], ["hold"], id="space"),
        pytest.param(["   "], ["hold"] * 3, id="repeats at once"),
        pytest.param(["\x1b[A", "\x1b[B", "\x1bOA", "\x1bOB"], ["up", "down", "up", "down"], id="arrows"),
        pytest.param(["\x1b[C\x1b[D"], ["down", "up"], id="sideways"),
        pytest.param(["\x1b", "[A"], ["up"], id="in two pieces"),
        pytest.param(["\x1b[", "A "], ["up", "hold"], id="in two pieces, more behind"),
        pytest.param(["\x1b", ""], ["other"], id="escape alone"),
        pytest.param(["\x1b", "", " "], ["other", "hold"], id="escape, then space"),
        pytest.param(["\x1b\x1b[A"], ["other", "up"], id="escape, then an arrow"),
        pytest.param(["\x1b[1;5A"], ["up"], id="with a modifier"),
        pytest.param(["\x1b[I\x1b[O"], ["focus", "focus lost"], id="focus"),
        pytest.param(["\x1b[15~"], ["other"], id="function key"),
        pytest.param(["7q"], ["7", "quit"], id="digit and end"),
        pytest.param(["\x03", "\x04", "Q"], ["quit"] * 3, id="ways to end"),
        pytest.param(["x", "\xe4", "٣", "\x00"], ["other"] * 4, id="anything else"),
        pytest.param([""], [], id="nothing"),
    ],
)
def test_keys(fed: list[str], words: list[str]) -> None:
    keys = Keys()
    assert [word for text in fed for word in keys.feed(text)] == words


@pytest.fixture
def s0() -> tuple[Bench, Panel]:
    """TH-S0 on its bench: DO0 S0.11-12 and DO1 B1.11-12 by break contacts, DO2 S1.13-14."""
    return load_bench(resolve("demo:th-s0.bench.yaml")).bench, load_panel(
        resolve("demo:th-s0.panel.yaml")
    ).panel


FORBIDDEN = [
    pytest.param([{"S0": "pressed"}], {0}, {0}, id="one position of one device"),
    pytest.param([{"S0": "pressed", "S1": "pressed"}], set(), {0, 2}, id="two that are not at rest"),
    pytest.param([{"S0": "pressed", "S1": "released"}], {0}, {0, 2}, id="one while the other is at rest"),
    pytest.param([{"S1": "pressed", "F1": "open"}], {2}, {2}, id="with something that is set by hand"),
    pytest.param([{"S0": "released", "S1": "released"}], {3}, {0, 2}, id="what stands when all is safe"),
    pytest.param([], set(), set(), id="none"),
]


@pytest.mark.parametrize(("forbidden", "known", "unknown"), FORBIDDEN)
def test_what_a_forbidden_combination_keeps_from_being_held(
    s0: tuple[Bench, Panel], forbidden: list[dict[str, str]], known: set[int], unknown: set[int]
) -> None:
    """Output 3 is the supply contactor. Without the panel every output that has a part in it is refused."""
    bench, panel = replace(s0[0], forbidden=tuple(forbidden)), s0[1]
    assert refusals(bench, panel).keys() == known
    assert refusals(bench, None).keys() == unknown
    assert all("--panel PANEL may show" in reason for reason in refusals(bench, None).values())


def test_an_output_that_is_on_when_safe_is_held_off(s0: tuple[Bench, Panel]) -> None:
    board = replace(s0[0].boards[0], safe_on=(1,))
    held = outputs_of(replace(s0[0], boards=(board,)))
    assert [(h.name, h.state) for h in held] == [
        ("DO0", True),
        ("DO1", False),
        ("DO2", True),
        ("supply contactor", True),
    ]
    assert [(h.contact(True), h.contact(False)) for h in held[1:3]] == [
        ("open", "closed"),
        ("closed", "open"),
    ]


def seen_at(bench: Bench, *, word: int = 0, commanded: int = 0, read_back: int | None = 0) -> Seen:
    names = [board.name for board in bench.boards]
    return Seen(word, dict.fromkeys(names, commanded), dict.fromkeys(names, read_back))


WELL = 1 << 7  # TH-S0's emergency-stop loop is whole


def test_words_of_channels(s0: tuple[Bench, Panel]) -> None:
    """DI0 is inverted: on while K1 is dropped out. DI1 watches lamp P1."""
    view = View(s0[0])
    rest = view.lines(seen_at(s0[0], word=WELL | 1))
    assert rest["DI0"] == "DI0 K1 on: dropped out"
    assert rest["DI1"] == "DI1 P1 off: de-energised"
    assert rest["DO0"] == "DO0 S0.11-12 off, contact closed"
    assert rest["emergency stop"] == "emergency stop not pressed"
    assert rest["supply present"] == "supply absent"
    live = view.lines(seen_at(s0[0], word=1 << 1 | 1 << 6 | 1 << 2, commanded=1 << 7 | 1, read_back=1 << 7))
    assert live["DI0"] == "DI0 K1 off: picked up"
    assert live["DI1"] == "DI1 P1 on: energised"
    assert live["DO0"] == "DO0 S0.11-12 ON READS off, contact open"
    assert live["supply contactor"] == "supply contactor ON, contact closed"
    assert live["emergency stop"] == "EMERGENCY STOP PRESSED, or its loop broken"
    assert live["supply present"] == "supply present"
    assert live["IO1 input 2"] == "IO1 input 2 on (not in the terminal map)"
    assert view.strays(seen_at(s0[0], word=WELL | 1 << 2, read_back=1 << 5)) == [
        "IO1 input 2",
        "IO1 output 5",
    ]


def screen(bench: Bench, seen: Seen, size: tuple[int, int], keys: HoldToRun | None = None) -> list[str]:
    keys = keys or HoldToRun(len(outputs_of(bench)), Limits())
    return [line.plain for line in screen_lines(View(bench), seen, keys, SECOND, True, size)]


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (80, 10), (40, 12)], ids=str)
def test_the_screen_fits(size: tuple[int, int]) -> None:
    bench = load_bench(resolve("demo:th-p1.bench.yaml")).bench
    lines = screen(bench, seen_at(bench, word=1 << 15), size)
    assert max(len(line) for line in lines) < size[0]
    assert len(lines) < max(size[1], 14)
    assert "SIMULATED, NO PANEL TESTED"[: size[0] - 2] in "\n".join(lines)


@pytest.mark.parametrize("size", [(80, 24), (120, 24)], ids=str)
def test_the_screen_shows_every_channel(size: tuple[int, int]) -> None:
    bench = load_bench(resolve("demo:th-p1.bench.yaml")).bench
    text = "\n".join(screen(bench, seen_at(bench, word=1 << 15), size))
    for name in [*(o.name for o in bench.outputs), *(i.name for i in bench.inputs), "supply contactor"]:
        assert f"{name} " in text
    for words in ("supply contactor open", "emergency stop not pressed", "supply absent", "S2.13-14"):
        assert words in text


@pytest.mark.parametrize(("columns", "shown"), [(80, False), (120, True), (160, True)], ids=str)
def test_a_wide_screen_names_board_and_channel(columns: int, shown: bool) -> None:
    bench = load_bench(resolve("demo:th-p1.bench.yaml")).bench
    lines = screen(bench, seen_at(bench), (columns, 40))
    for output in bench.outputs:
        (line,) = (line for line in lines if f" {output.name} " in line)
        assert (f" {output.board} output {output.channel} " in line) == shown
    (contactor,) = (line for line in lines if " 13 supply contactor" in line)
    assert ("IO1 output 15" in contactor) == shown


def test_the_screen_says_when_the_panel_is_live_and_what_is_held() -> None:
    bench = load_bench(resolve("demo:th-p1.bench.yaml")).bench
    keys = HoldToRun(13, Limits())
    keys.key("up", 0)
    keys.key("hold", 0)
    lines = screen(bench, seen_at(bench, word=1 << 14, commanded=1 << 15, read_back=1 << 15), (80, 24), keys)
    assert "SUPPLY CONTACTOR CLOSED: THE PANEL IS LIVE" in lines
    assert "EMERGENCY STOP PRESSED, or its loop broken" in lines
    assert "supply contactor is held, off in 9 s at the latest" in lines
    assert any(line.startswith("> 13 supply contactor") and "ON" in line for line in lines)


def test_a_screen_too_low_keeps_the_chosen_output_in_sight() -> None:
    bench = load_bench(resolve("demo:th-p1.bench.yaml")).bench
    keys = HoldToRun(13, Limits())
    for _ in range(8):
        keys.key("down", 0)
    lines = screen(bench, seen_at(bench, word=1 << 15), (80, 16), keys)
    assert any(line.startswith(">  9 DO8") for line in lines)
    assert any("more: a taller" in line for line in lines)


def answer(*words: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    status = main(["watch", *words], out=out, err=err)
    return status, out.getvalue(), err.getvalue()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        pytest.param(
            ["demo:th-s0.bench.yaml"], "name the panel to simulate with --panel PANEL", id="no panel"
        ),
        pytest.param(["demo:th-s0.panel.yaml"], "expected a bench file", id="not a bench"),
        pytest.param(["nowhere.bench.yaml"], "nowhere.bench.yaml", id="no such file"),
        pytest.param(
            ["demo:th-s0.bench.yaml", "--panel", "demo:th-p1.panel.yaml"],
            "which panel TH-P1 does not have",
            id="a panel that the bench is not hooked up to",
        ),
        pytest.param(
            ["demo:th-s0.bench.yaml", "--panel", "no.panel.yaml"], "no.panel.yaml", id="no such panel"
        ),
    ],
)
def test_words_that_do_not_go_together_are_refused_in_one_line(words: list[str], said: str) -> None:
    status, out, err = answer(*words)
    assert (status, out) == (2, "")
    assert said in err
    assert len(err.splitlines()) == 1


@pytest.fixture
def device() -> TableDevice:
    """A board for TH-S0's bench that does not say what it is: as real as a bench without one can be."""
    tables = {"coils": range(8), "inputs": range(8)}
    return TableDevice(tables, {"coils": {}, "inputs": {7: True, 0: True}})


@pytest.fixture
def real(tmp_path: Path, device: TableDevice) -> Iterator[Path]:
    """TH-S0's bench file, its board at `device`."""
    copy_demo(tmp_path, "th-s0.bench.yaml", "th-s0.panel.yaml")
    with serving({1: device}) as port:
        point_at(tmp_path / "th-s0.bench.yaml", port)
        yield tmp_path / "th-s0.bench.yaml"


def test_one_document_with_every_channel(real: Path, device: TableDevice) -> None:
    device.bits["inputs"][2] = True
    status, out, err = answer(str(real), "--json")
    document = json.loads(out)
    assert (status, err, document["format"], document["bench"], document["simulated"]) == (
        0,
        "",
        1,
        "TH-B0",
        False,
    )
    assert document["boards"][0]["board"] == "IO1"
    assert [entry["imitates"] for entry in document["outputs"]] == ["S0.11-12", "B1.11-12", "S1.13-14"]
    assert (
        document["outputs"][0] | {"on": False, "reads back": False, "contact": "closed"}
        == document["outputs"][0]
    )
    (first, second) = document["inputs"]
    assert (first["watches"], first["on"], first["shows"]) == ("K1", True, "dropped out")
    assert (second["watches"], second["on"], second["shows"]) == ("P1", False, "de-energised")
    assert (document["emergency stop pressed"], document["supply present"]) == (False, False)
    assert document["supply contactor"]["on"] is False
    assert document["not in the terminal map"]["IO1 input 2"] is True
    assert not any(device.bits["coils"].values())


def test_measures_are_shown_with_what_they_are_sure_to(real: Path, device: TableDevice) -> None:
    """Worked out by hand: 725 counts of 0.1 V."""
    with real.open("a") as file:
        file.write(
            "measures: {U1: {board: IO1, input register: 3, scale: 0.1 V, uncertainty: 0.4 V},"
            " U2: {board: IO1, input register: 9, scale: 0.1 V, uncertainty: 0.4 V}}\n"
        )
    device.tables["input registers"] = range(4)
    device.registers["input registers"] = {3: 725}
    status, out, _ = answer(str(real), "--json")
    first, second = json.loads(out)["measures"]
    assert status == 0
    assert (round(first["value"], 6), first["unit"], first["uncertainty"]) == (72.5, "V", 0.4)
    assert second["value"] is None  # the board refuses that register


def test_a_simulated_panel_is_watched_as_simulated() -> None:
    status, out, _ = answer("demo:th-s0.bench.yaml", "--panel", "demo:th-s0.panel.yaml", "--json")
    assert status == 0
    assert json.loads(out)["simulated"] is True


class Leaves(io.StringIO):
    """A reader of a pipe that acts once it has read a text, and leaves after another one."""

    def __init__(self, acts: dict[str, Callable[[], object]], last: str) -> None:
        super().__init__()
        self._acts, self._last = acts, last

    def write(self, text: str) -> int:
        if self._last in self.getvalue():
            raise BrokenPipeError
        count = super().write(text)
        for words in [words for words in self._acts if words in self.getvalue()]:
            self._acts.pop(words)()
        return count


def test_on_a_pipe_changes_come_as_lines_until_nobody_reads(real: Path, device: TableDevice) -> None:
    inputs = device.bits["inputs"]
    acts: dict[str, Callable[[], object]] = {
        "IO1 output 3 off": lambda: inputs.update({1: True}),
        "DI1 P1 on: energised": lambda: inputs.update({7: False, 2: True}),
        "EMERGENCY STOP PRESSED": lambda: inputs.update({1: False}),
    }
    out, err = Leaves(acts, "IO1 input 2 on"), io.StringIO()
    inputs_again = threading.Timer(1.5, lambda: inputs.update({3: True}))  # a change for nobody
    inputs_again.start()
    assert main(["watch", str(real)], out=out, err=err) == 0
    inputs_again.join(5)
    changes = [line.split(" s  ")[1] for line in out.getvalue().splitlines() if " s  " in line]
    assert changes[:2] == ["DI1 P1 on: energised", "EMERGENCY STOP PRESSED, or its loop broken"]
    assert not any(device.bits["coils"].values())


def test_a_board_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    copy_demo(tmp_path, "th-s0.bench.yaml")
    point_at(tmp_path / "th-s0.bench.yaml", 1)
    status, out, err = answer(str(tmp_path / "th-s0.bench.yaml"), "--json")
    assert status == 4
    assert len(err.splitlines()) == 1
    assert json.loads(out)["error"] in err


def test_a_bench_with_voltage_before_the_contactor_closed_is_refused(real: Path, device: TableDevice) -> None:
    device.bits["inputs"][6] = True
    status, _, err = answer(str(real))
    assert status == 4
    assert "the supply reads present before the contactor closed" in err


# What these tests start may lie in a checkout or be installed: the same place as what they import. The pseudo
# terminal becomes the one that Ctrl-C comes from.
START = f"""\
import fcntl, sys, termios
sys.path[:] = {sys.path!r}
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
from harness.cli.main import entry
entry()
"""


class Terminal:
    """A session of `watch` at a pseudo terminal. `shown` is all that it has written there."""

    def __init__(self, *words: str) -> None:
        self.near, far = os.openpty()
        self.shown = b""
        environment = os.environ | {"TERM": "xterm", "COLUMNS": "80", "LINES": "24"}
        environment.pop("NO_COLOR", None)
        self.process = subprocess.Popen(
            [sys.executable, "-c", START, "watch", *words],
            stdin=far,
            stdout=far,
            stderr=far,
            start_new_session=True,
            env=environment,
        )
        os.close(far)

    def pump(self, seconds: float) -> None:
        """Read what is shown for so long."""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            if self.near < 0 or not select.select([self.near], [], [], left)[0]:
                break
            try:
                self.shown += os.read(self.near, 65536)
            except OSError:
                break

    def until(self, done: Callable[[], bool], *, typing: bytes = b"", seconds: float = 20.0) -> None:
        """Wait, typing all the while as a held key does."""
        end = time.monotonic() + seconds
        while not done():
            assert time.monotonic() < end, self.shown[-3000:].decode("utf-8", "replace")
            if typing:
                os.write(self.near, typing)
            self.pump(0.05)

    def shows(self, words: str) -> Callable[[], bool]:
        return lambda: words.encode() in self.shown

    def ends(self, seconds: float = 20.0) -> int:
        end = time.monotonic() + seconds
        while self.process.poll() is None:
            assert time.monotonic() < end
            self.pump(0.05)
        self.pump(0.2)
        return self.process.returncode

    def hang_up(self) -> None:
        if self.near >= 0:
            os.close(self.near)
            self.near = -1


@contextmanager
def terminal(*words: str) -> Iterator[Terminal]:
    made = Terminal(*words)
    try:
        yield made
    finally:
        made.process.terminate()  # not killed: its guardian would go on for ever once the panel is gone
        try:
            made.process.wait(10)
        except subprocess.TimeoutExpired:
            made.process.kill()
            made.process.wait()
        made.hang_up()


def on(device: TableDevice) -> list[int]:
    return [channel for channel, state in device.bits["coils"].items() if state]


READY = "hold the space bar: on"


@posix
def test_a_session_at_a_terminal(real: Path, device: TableDevice) -> None:
    import termios

    with terminal(str(real), "--acknowledge", "--logs", str(real.parent / "logs")) as screen_:
        screen_.until(screen_.shows(READY))
        assert b"Cautions" in screen_.shown
        assert on(device) == []
        screen_.until(lambda: on(device) == [0], typing=b" ")
        screen_.until(screen_.shows("DO0 is held, off in 9 s"), typing=b" ")
        screen_.until(lambda: on(device) == [])  # let go
        screen_.until(screen_.shows("off: let go"))
        os.write(screen_.near, b"\x1b[B")
        screen_.pump(0.3)
        screen_.until(lambda: on(device) == [1], typing=b" ")
        device.bits["inputs"][7] = False  # the emergency stop
        screen_.until(lambda: on(device) == [], typing=b" ")
        device.bits["inputs"][7] = True
        held_since = time.monotonic()
        for _ in range(10):  # its reset re-energises nothing while the key is still held
            os.write(screen_.near, b" ")
            screen_.pump(0.05)
            if time.monotonic() - held_since > 0.15:
                break  # this test was held up itself: that is a key let go
            assert on(device) == []
            held_since = time.monotonic()
        screen_.pump(1.0)
        os.write(screen_.near, b"4")
        screen_.until(lambda: on(device) == [7], typing=b" ")
        screen_.until(screen_.shows("SUPPLY CONTACTOR CLOSED: THE PANEL IS LIVE"), typing=b" ")
        os.write(screen_.near, b"x")
        screen_.until(screen_.shows("off: another key"))
        assert on(device) == []
        os.write(screen_.near, b"q")
        assert screen_.ends() == 0
        (folder,) = (real.parent / "logs").iterdir()
        assert f"Record: {folder}".encode() in screen_.shown
        assert b"all outputs off, read back from every board" in screen_.shown
        assert termios.tcgetattr(screen_.near)[3] & termios.ECHO  # the terminal is as it was
    kinds = journal_kinds(folder)
    assert kinds.index("guarded") < kinds.index("written")
    assert kinds[-1] == "sealed"
    assert kinds.count("written") >= 6
    assert main(["verify", str(folder)], out=io.StringIO(), err=io.StringIO()) == 0


def ctrl_c(session: Terminal) -> None:
    os.write(session.near, b"\x03")


def signalled(number: str) -> Callable[[Terminal], None]:
    return lambda session: session.process.send_signal(getattr(signal, number))


ENDINGS = [
    pytest.param(ctrl_c, 130, id="Ctrl-C"),
    pytest.param(signalled("SIGTERM"), 143, id="SIGTERM"),
    pytest.param(signalled("SIGKILL"), -9, id="kill -9"),
    pytest.param(Terminal.hang_up, 143, id="terminal closed"),
]


@posix
@pytest.mark.parametrize(("end", "status"), ENDINGS)
def test_whatever_ends_it_nothing_stays_on(
    real: Path, device: TableDevice, end: Callable[[Terminal], None], status: int
) -> None:
    with terminal(str(real), "--acknowledge", "--logs", str(real.parent / "logs")) as session:
        session.until(session.shows(READY))
        os.write(session.near, b"\x1b[A")  # the contactor, which comes last
        session.until(lambda: on(device) == [7], typing=b" ")
        end(session)
        deadline = time.monotonic() + 5
        while on(device):
            assert time.monotonic() < deadline
            time.sleep(0.01)
        assert session.ends() == status
        killed_or_gone = status == -signal.SIGKILL or session.near < 0
        assert (b"Record: " in session.shown) != killed_or_gone


@posix
def test_a_board_that_is_lost_ends_it(tmp_path: Path, device: TableDevice) -> None:
    copy_demo(tmp_path, "th-s0.bench.yaml")
    with serving({1: device}) as port:
        point_at(tmp_path / "th-s0.bench.yaml", port)
        edit(tmp_path / "th-s0.bench.yaml", "timeout: 500 ms", "timeout: 200 ms")
        with terminal(
            str(tmp_path / "th-s0.bench.yaml"), "--acknowledge", "--logs", str(tmp_path)
        ) as session:
            session.until(session.shows(READY))
            session.until(lambda: on(device) == [0], typing=b" ")
            device.fails = True
            session.until(lambda: on(device) == [], typing=b" ")
            assert session.ends() == 4
            assert b"IO1" in session.shown


@posix
def test_cautions_that_nobody_keeps_move_nothing(real: Path, device: TableDevice) -> None:
    with terminal(str(real), "--logs", str(real.parent / "logs")) as session:
        session.until(session.shows("Type yes when all of this is so"))
        os.write(session.near, b"no\n")
        assert session.ends() == 2
        assert b"the cautions were not acknowledged" in session.shown
    assert on(device) == []


@posix
def test_a_second_watch_of_the_same_bench_is_refused(real: Path) -> None:
    with terminal(str(real), "--acknowledge", "--logs", str(real.parent / "logs")) as session:
        session.until(session.shows(READY))
        status, _, err = answer(str(real), "--json")
        assert status == 4
        assert "in use" in err
