"""A driver in a package of its own joins by its entry point: checked, put to the contract, run, broken."""

from __future__ import annotations

import io
import sys
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from line_benches import SHORT
from wire_benches import copy_demo, panel_on_the_wire, run

from harness.bench.contract import check_board
from harness.bench.files import load_bench
from harness.bench.parts import BoardSpec
from harness.bench.registry import DRIVERS, check_settings, known_drivers, make_board
from harness.cli.main import main
from harness.clock import RealClock

PACKAGE = Path(__file__).parents[1] / "third_party_board"
DRIVER = "bare-socket"


def installed(folder: Path, name: str, points: dict[str, str], module: str, text: str) -> None:
    """What an installer leaves behind: the module, and the metadata with the entry points."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{module}.py").write_text(text, encoding="utf-8")
    info = folder / f"{name.replace('-', '_')}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
    lines = "".join(f"{key} = {value}\n" for key, value in points.items())
    (info / "entry_points.txt").write_text(f"[panelproof.boards]\n{lines}")


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The example package installed where this process, and the guardian's, find it."""
    project = tomllib.loads((PACKAGE / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    points = project["entry-points"]["panelproof.boards"]
    text = (PACKAGE / "bare_socket_board.py").read_text(encoding="utf-8")
    folder = tmp_path / "installed"
    installed(folder, project["name"], points, "bare_socket_board", text)
    with joined(folder, monkeypatch):
        yield folder


@contextmanager
def joined(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Within, what is installed in `folder` is found; nothing of it is left afterwards."""
    before = set(sys.modules)
    monkeypatch.syspath_prepend(folder)
    monkeypatch.setenv("PYTHONPATH", str(folder))
    try:
        yield
    finally:
        for name in set(sys.modules) - before:
            if name.endswith("_board") and "." not in name:
                del sys.modules[name]


def bench_at(folder: Path, address: str, driver: str = DRIVER) -> Path:
    """TH-S0's bench with that driver, and a short sequence for it; what is served lies in `served`."""
    copy_demo(folder, "th-s0.panel.yaml", "th-s0.bench.yaml", "th-s0.table.csv")
    (folder / "short.sequence.yaml").write_text(SHORT)
    bench = folder / "th-s0.bench.yaml"
    text = bench.read_text().replace("simulated: true\n", "")
    board = f"driver: {driver}\n    settings: {{address: '{address}'}}"
    bench.write_text(text.replace("driver: simulated", board))
    return bench


def checked(bench: Path) -> tuple[int, str]:
    err = io.StringIO()
    return main(["check", str(bench)], out=io.StringIO(), err=err), err.getvalue()


def test_it_is_known_beside_our_own(package: Path) -> None:
    assert known_drivers() == DRIVERS | {DRIVER: "bare_socket_board:BareSocketBoard"}


def test_without_the_package_its_name_is_unknown(tmp_path: Path) -> None:
    status, err = checked(bench_at(tmp_path, "127.0.0.1:5020"))
    assert status == 2
    assert f"unknown driver '{DRIVER}'" in err


def test_a_bench_file_with_it_passes_check(package: Path, tmp_path: Path) -> None:
    assert checked(bench_at(tmp_path, "127.0.0.1:5020")) == (0, "")


def test_its_settings_are_checked_like_our_own(package: Path, tmp_path: Path) -> None:
    status, err = checked(bench_at(tmp_path, "127.0.0.1"))
    assert status == 2
    assert "`address` is needed, as HOST:PORT" in err
    assert "th-s0.bench.yaml:" in err.splitlines()[0]
    assert check_settings(DRIVER, {"adress": "x"})[0] == "no setting `adress`; allowed: address"


@pytest.fixture
def served(tmp_path: Path) -> Iterator[int]:
    copy_demo(tmp_path / "served", "th-s0.panel.yaml", "th-s0.bench.yaml")
    with panel_on_the_wire(
        tmp_path / "served/th-s0.panel.yaml", tmp_path / "served/th-s0.bench.yaml"
    ) as port:
        yield port


def test_it_keeps_the_contract(package: Path, tmp_path: Path, served: int) -> None:
    (spec,) = load_bench(bench_at(tmp_path, f"127.0.0.1:{served}")).bench.boards
    assert check_board(lambda: make_board(spec, RealClock())) == []


def test_a_run_goes_through_it(package: Path, tmp_path: Path, served: int) -> None:
    bench_at(tmp_path, f"127.0.0.1:{served}")
    status, answer, err = run(tmp_path / "short.sequence.yaml", tmp_path / "logs")
    assert (status, answer["verdict"], answer["simulated"]) == (0, "pass", True), err
    assert f"(driver {DRIVER})" in err


def test_nothing_there_is_one_line(package: Path, tmp_path: Path) -> None:
    bench_at(tmp_path, "127.0.0.1:1")
    status, answer, _ = run(tmp_path / "short.sequence.yaml", tmp_path / "logs")
    assert (status, answer["verdict"]) == (4, "error")
    assert "nothing answers at 127.0.0.1:1" in str(answer["error"])


def test_one_that_breaks_the_contract_is_told_so(package: Path, tmp_path: Path, served: int) -> None:
    """The failing side: a driver that forgets to make its outputs safe at the board."""
    from bare_socket_board import BareSocketBoard  # type: ignore[import-not-found]

    class Forgets(BareSocketBoard):  # type: ignore[misc]
        def _do_write(self, image: int, timeout_s: float) -> object:
            return super()._do_write(image | 1, timeout_s)

    (spec,) = load_bench(bench_at(tmp_path, f"127.0.0.1:{served}")).bench.boards
    assert check_board(lambda: Forgets(spec, RealClock())) != []


BROKEN = [
    pytest.param("def f(:\n", "cannot be imported: SyntaxError", id="no Python"),
    pytest.param(
        "import no_such_thing\n", "needs no_such_thing, which is not installed", id="lacks a package"
    ),
    pytest.param("1 / 0\n", "cannot be imported: ZeroDivisionError: division by zero", id="fails at import"),
    pytest.param("class Other: ...\n", "has no Thing", id="lacks the class"),
    pytest.param("class Thing: ...\n", "is not a Board; correct its entry point", id="no board"),
    pytest.param(
        "from harness.bench.board import Board\n"
        "class Thing(Board):\n"
        "    @staticmethod\n"
        "    def check_settings(settings):\n"
        "        return [settings['nothing']]\n",
        "cannot check its settings: KeyError: 'nothing'",
        id="a check that fails",
    ),
    pytest.param(
        "from harness.bench.board import Board\nclass Thing(Board):\n    pass\n",
        "cannot be made: TypeError: Can't instantiate abstract class Thing",
        id="hooks not written",
    ),
]


@pytest.mark.parametrize(("text", "words"), BROKEN)
def test_a_broken_one_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, words: str
) -> None:
    installed(tmp_path / "installed", "broken-boards", {"broken": "broken_board:Thing"}, "broken_board", text)
    with joined(tmp_path / "installed", monkeypatch):
        bench = bench_at(tmp_path, "127.0.0.1:1", "broken")
        out, err = io.StringIO(), io.StringIO()
        words_of_run = ["run", str(tmp_path / "short.sequence.yaml"), "--logs", str(tmp_path / "logs")]
        status = main(words_of_run, out=out, err=err)
        said = f"{out.getvalue()}{err.getvalue()}"
        assert status in {2, 4}
        assert words in said
        assert "Traceback" not in said
        assert "internal error" not in said
        status, checking = checked(bench)
        assert (status, checking) == (0, "") or (status == 2 and words in checking)


def test_one_that_fails_in_mid_run_leaves_the_bench_safe(
    package: Path, tmp_path: Path, served: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A driver's own mistake, no BenchError: the run ends as an error in one line, outputs off."""
    import bare_socket_board

    bench = bench_at(tmp_path, f"127.0.0.1:{served}")
    (spec,) = load_bench(bench).bench.boards
    reads = iter(range(12))

    class Fails(bare_socket_board.BareSocketBoard):  # type: ignore[misc, name-defined]
        def _do_read(self, timeout_s: float) -> object:
            if next(reads, None) is None:
                raise IndexError("a mistake in the driver")
            return super()._do_read(timeout_s)

    monkeypatch.setattr(bare_socket_board, "BareSocketBoard", Fails)
    out, err = io.StringIO(), io.StringIO()
    words = ["run", str(tmp_path / "short.sequence.yaml"), "--logs", str(tmp_path / "logs")]
    assert main(words, out=out, err=err) == 4
    assert "IndexError" in err.getvalue()
    assert "Traceback" not in err.getvalue()
    with make_board(BoardSpec(**{**_fields(spec), "driver": DRIVER}), RealClock()) as board:
        assert board.read_back() == 0


def _fields(spec: BoardSpec) -> dict[str, object]:
    return {name: getattr(spec, name) for name in BoardSpec.__dataclass_fields__}
