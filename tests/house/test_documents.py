"""The papers are true: the README's lines, files and references, and every verb's help."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest

from harness.cli.main import main
from harness.cli.verbs import VERBS

ROOT = Path(__file__).resolve().parents[2]
README = ROOT / "README.md"
PAPERS = [README, ROOT / "DEVELOPERS.md", ROOT / "CHANGELOG.md", ROOT / "sequences" / "README.md"]

pytestmark = pytest.mark.skipif(not README.exists(), reason="the papers lie in the checkout only")


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def call(*words: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    return main(words, out=out, err=err), out.getvalue(), err.getvalue()


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """The README's worked example, written out as its reader would."""
    text = README.read_text(encoding="utf-8")
    for block in blocks(text, "yaml"):
        name = re.match(r"# (small\.\w+\.yaml)\n", block)
        if name:
            (tmp_path / name.group(1)).write_text(block, encoding="utf-8")
    (table,) = blocks(text, "csv")
    (tmp_path / "small.table.csv").write_text(table, encoding="utf-8")
    return tmp_path


def test_the_worked_example_is_four_files_that_fit(small: Path) -> None:
    names = sorted(path.name for path in small.iterdir())
    assert names == ["small.bench.yaml", "small.panel.yaml", "small.sequence.yaml", "small.table.csv"]
    status, out, err = call("check", *(str(small / name) for name in names))
    assert (status, err) == (0, "")
    assert out.endswith("small.sequence.yaml with all that it names, small.table.csv: nothing wrong\n")


def test_the_worked_table_agrees_with_the_worked_circuit(small: Path) -> None:
    status, out, _ = call(
        "table", str(small / "small.panel.yaml"), "--against", str(small / "small.table.csv")
    )
    assert status == 0
    assert "no difference" in out


@pytest.mark.parametrize(
    ("fault", "status"),
    [
        pytest.param(None, 0, id="healthy"),
        pytest.param("K1 coil open", 1, id="coil open"),
        pytest.param("K1.11-12 stuck open", 1, id="break contact stuck open"),
    ],
)
def test_the_worked_example_runs_and_finds_a_fault(small: Path, fault: str | None, status: int) -> None:
    words = ["run", str(small / "small.sequence.yaml"), "--virtual-time", "--logs", str(small / "logs")]
    words += ["--fault", fault] if fault else []
    assert call(*words)[0] == status


def first_line_with(word: str) -> str:
    text = README.read_text(encoding="utf-8")
    return next(line for block in blocks(text, "sh") for line in block.splitlines() if word in line)


def test_the_first_run_line_is_the_main_job_from_nothing() -> None:
    assert first_line_with("panelproof run") == (
        "python3 -m venv .venv && .venv/bin/pip install --quiet . "
        "&& .venv/bin/panelproof run demo:th-p1.sequence.yaml"
    )


def test_the_first_test_line_installs_what_tests_need() -> None:
    assert first_line_with("pytest") == (
        "python3 -m venv .venv && .venv/bin/pip install --quiet '.[test]' && .venv/bin/python -m pytest -n 3"
    )


def readme_commands() -> list[list[str]]:
    text = README.read_text(encoding="utf-8") if README.exists() else ""
    lines = [line for block in blocks(text, "sh") for line in block.splitlines()]
    calls = [re.match(r"(?:\.venv/bin/)?panelproof (table|check|wiring) (demo:.*)", line) for line in lines]
    return [[found.group(1), *found.group(2).split()] for found in calls if found]


@pytest.mark.parametrize("words", readme_commands(), ids=" ".join)
def test_commands_of_the_readme_work(words: list[str]) -> None:
    status, out, err = call(*words)
    assert (status, err) == (0, "")
    assert out


@pytest.mark.parametrize("verb", VERBS, ids=lambda verb: verb.name)
def test_every_verb_has_help_with_an_example_and_stands_in_the_readme(
    verb: object, capsys: pytest.CaptureFixture[str]
) -> None:
    name = verb.name  # type: ignore[attr-defined]
    with pytest.raises(SystemExit) as end:
        main([name, "--help"])
    assert end.value.code == 0
    assert f"panelproof {name} " in capsys.readouterr().out.partition("example")[2]
    assert f"panelproof {name}" in README.read_text(encoding="utf-8")


@pytest.mark.parametrize("paper", PAPERS, ids=lambda path: path.name)
def test_references_between_papers_lead_somewhere(paper: Path) -> None:
    for target in re.findall(r"\]\(([^)#:]+)\)", paper.read_text(encoding="utf-8")):
        assert (paper.parent / target).exists(), target


def test_the_map_names_modules_that_exist() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    folders = ("harness", "drivers", "tests/benchmarks")
    known = {path.name for folder in folders for path in (ROOT / folder).rglob("*.py")}
    named = set(re.findall(r"`(\w+\.py)`", text))
    assert named
    assert named <= known
