"""Where the shipped demo files lie: `demo:NAME` is the same file in a checkout and an installed copy."""

from __future__ import annotations

from pathlib import Path

from harness.source import nearest, refuse

PREFIX = "demo:"


def demo_folder() -> Path:
    """`harness/demo` in an installed copy, `sequences` beside `harness` in a checkout."""
    inside = Path(__file__).resolve().parent
    installed = inside / "demo"
    return installed if installed.is_dir() else inside.parent / "sequences"


def demo_names() -> list[str]:
    """Names of all shipped demo files, sorted; empty where none were shipped."""
    folder = demo_folder()
    return sorted(entry.name for entry in folder.iterdir() if entry.is_file()) if folder.is_dir() else []


def resolve(name: str, base: Path | None = None) -> Path:
    """The path that `name` means: a shipped file for `demo:NAME`, else a path, relative to folder `base`.

    Raises FileError when no demo file has that name. Other paths are not looked up here.
    """
    if not name.startswith(PREFIX):
        return base / name if base is not None else Path(name)
    wanted = name.removeprefix(PREFIX)
    names = demo_names()
    if wanted not in names:
        hint = nearest(wanted, names)
        if not hint:
            hint = f"; there are {', '.join(names)}" if names else "; this copy came without demo files"
        refuse(name, f"no demo file has this name{hint}")
    return demo_folder() / wanted
