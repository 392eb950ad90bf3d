"""`demo:NAME` means a shipped file, in a checkout and in an installed copy alike."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import demo_files
from harness.demo_files import demo_folder, resolve
from harness.errors import FileError


def pretend_house(monkeypatch: pytest.MonkeyPatch, root: Path, folder: str) -> Path:
    """A copy of the program at `root` whose demo files lie in `folder`."""
    (root / "harness").mkdir()
    monkeypatch.setattr(demo_files, "__file__", str(root / "harness" / "demo_files.py"))
    shipped = root / folder
    shipped.mkdir()
    for name in ("th-p1.panel.yaml", "th-p1.bench.yaml"):
        (shipped / name).touch()
    return shipped


@pytest.mark.parametrize("folder", ["sequences", "harness/demo"])
def test_the_same_name_in_a_checkout_and_an_installed_copy(
    folder: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shipped = pretend_house(monkeypatch, tmp_path, folder)
    assert resolve("demo:th-p1.panel.yaml") == shipped / "th-p1.panel.yaml"
    assert resolve("demo:th-p1.panel.yaml", tmp_path) == shipped / "th-p1.panel.yaml"


def test_this_copy_has_its_demo_folder() -> None:
    assert demo_folder().is_dir()


NOT_SHIPPED = [
    ("misspelt", "demo:thp1.panel.yaml", "; did you mean th-p1.panel.yaml?"),
    ("nothing like it", "demo:zzz", "; there are th-p1.bench.yaml, th-p1.panel.yaml"),
    ("a way out of the folder", "demo:../harness", "; there are th-p1.bench.yaml, th-p1.panel.yaml"),
    ("no name", "demo:", "; there are th-p1.bench.yaml, th-p1.panel.yaml"),
]


@pytest.mark.parametrize(
    ("name", "hint"), [row[1:] for row in NOT_SHIPPED], ids=[row[0] for row in NOT_SHIPPED]
)
def test_a_name_that_is_not_shipped(
    name: str, hint: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pretend_house(monkeypatch, tmp_path, "sequences")
    with pytest.raises(FileError) as caught:
        resolve(name)
    assert str(caught.value) == f"{name}:1:1: no demo file has this name{hint}"


def test_a_copy_without_demo_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo_files, "__file__", str(tmp_path / "harness" / "demo_files.py"))
    with pytest.raises(FileError) as caught:
        resolve("demo:a")
    assert str(caught.value) == "demo:a:1:1: no demo file has this name; this copy came without demo files"


def test_other_paths_are_relative_to_the_folder_given() -> None:
    assert resolve("a.panel.yaml") == Path("a.panel.yaml")
    assert resolve("a.panel.yaml", Path("/here")) == Path("/here/a.panel.yaml")
    assert resolve("/there/a.panel.yaml", Path("/here")) == Path("/there/a.panel.yaml")
