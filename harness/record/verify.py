"""Verification of a run's record: any altered, missing, added or reordered line, and any changed file.

Lines are counted from 1, as an editor counts them. A sealed and untouched run is `sealed`; a journal without
a seal whose lines are all in order is `interrupted`; anything else that can be read is `altered`.

What it cannot show is `LIMITS`: the chain carries no signature, so whoever rewrites all of it is not seen.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO, Literal

from harness.record.chain import Chain
from harness.record.guardian_log import guardian_line
from harness.record.journal import LONGEST_LINE, NAME, run_files

LIMITS = """\
What this cannot show, because the chain of hashes carries no signature:
- an interrupted run (no seal) whose last lines were cut off at the end of a line: what is left is in order;
- a sealed run that was cut in the same way: it then looks like an interrupted one, and is reported as that;
- a change whose maker computed anew every hash from there to the end and the seal (for the seal alone,
  and with it for the other files of the run, that is one hash);
- a run's folder that was removed as a whole.
To close these, keep the hash of the last line (or a copy of the run) where nobody can change it."""

NO_GUARDIAN = "no guardian's record: nothing says that the outputs were made safe"

State = Literal["sealed", "interrupted", "altered", "absent", "unreadable"]

_EXIT: dict[State, int] = {"sealed": 0, "altered": 1, "absent": 2, "interrupted": 3, "unreadable": 4}
_GRAVEST: tuple[State, ...] = ("altered", "absent", "unreadable", "interrupted", "sealed")


@dataclass(frozen=True, slots=True)
class Verification:
    """What the record of one run shows. `path` as given; `lines`: complete lines; `problems`: a line each.

    `verdict` is that of the seal, `last_hash` the hash of the last line: both empty where there is none.
    `guardian`: what the guardian did when the runner could not, by its own journal; empty if nothing,
    `NO_GUARDIAN` where a guarded run has neither that journal nor a seal.
    """

    path: str
    state: State
    lines: int
    problems: tuple[str, ...]
    verdict: str = ""
    last_hash: str = ""
    guardian: str = ""

    @property
    def ok(self) -> bool:
        """Sealed, and nothing altered, missing, added or reordered."""
        return self.state == "sealed"

    @property
    def exit_status(self) -> int:
        """0 sealed, 1 altered, 2 no such run, 3 interrupted (inconclusive), 4 cannot be read."""
        return _EXIT[self.state]

    def as_json(self) -> dict[str, Any]:
        """For `--json`: everything here, with `ok`."""
        return {
            "path": self.path,
            "ok": self.ok,
            "state": self.state,
            "lines": self.lines,
            "verdict": self.verdict,
            "last hash": self.last_hash,
            "problems": list(self.problems),
            "guardian": self.guardian,
        }


def verify_run(path: Path) -> Verification:
    """Verify the run in folder `path`, or whose `journal.jsonl` is `path`. Never raises for what it finds."""
    try:
        folder = path if path.is_dir() else path.parent
        journal = folder / NAME
        if not journal.is_file() or (path != folder and path.name != NAME):
            problem = f"{path}: no run there; give the folder of a run, or the {NAME} in it"
            return Verification(str(path), "absent", 0, (problem,))
        with journal.open("rb") as file:
            chain = _read(file)
        found = _verification(path, chain, _compare(chain.sealed_files, folder))
        return replace(found, guardian=guardian_line(folder) or _missed(chain))
    except OSError as error:
        problem = f"{error.filename or path}: cannot be read: {error.strerror or error}"
        return Verification(str(path), "unreadable", 0, (problem,))


def verify_runs(paths: Iterable[Path]) -> tuple[Verification, ...]:
    """`verify_run` for each."""
    return tuple(verify_run(path) for path in paths)


def exit_status(verifications: Sequence[Verification]) -> int:
    """The exit status for several runs: that of the gravest, altered before all others; 2 for none at all."""
    states = {verification.state for verification in verifications}
    return next((_EXIT[state] for state in _GRAVEST if state in states), 2)


def as_json(verifications: Sequence[Verification]) -> dict[str, Any]:
    """The document of `verify --json`."""
    return {
        "format": 1,
        "ok": bool(verifications) and all(verification.ok for verification in verifications),
        "runs": [verification.as_json() for verification in verifications],
    }


def _read(file: BinaryIO) -> Chain:
    chain = Chain()
    for text, whole in _lines(file):
        if whole:
            chain.take(text)
        else:
            chain.take_overlong()
    return chain


def _lines(file: BinaryIO) -> Iterator[tuple[bytes, bool]]:
    """Each line with its newline, and whether it is whole; of one that is too long only the beginning."""
    while text := file.readline(LONGEST_LINE):
        whole = len(text) < LONGEST_LINE or text.endswith(b"\n")
        rest = text
        while rest and not whole and not rest.endswith(b"\n"):
            rest = file.readline(LONGEST_LINE)
        yield text, whole


def _compare(sealed: dict[str, tuple[str, int]] | None, folder: Path) -> list[str]:
    """Problems of the run's other files against the seal; none without a seal, which then says nothing."""
    if sealed is None:
        return []
    present = run_files(folder)
    problems = [f"{_shown(name)}: missing; the seal lists it" for name in sealed if name not in present]
    for name, path in present.items():
        if name not in sealed:
            problems.append(f"{_shown(name)}: added; the seal does not list it")
        elif not _is_as_sealed(path, *sealed[name]):
            problems.append(f"{_shown(name)}: changed since the seal")
    return problems


def _missed(chain: Chain) -> str:
    """A guarded run ends with a seal or with its guardian's record; one with neither is to be said."""
    return NO_GUARDIAN if chain.guarded and chain.sealed_files is None else ""


def _shown(name: str) -> str:
    """A file's name as it may stand in a message; one from a foreign journal may hold anything."""
    return name if name.isprintable() else ascii(name)


def _is_as_sealed(path: Path, sha256: str, size: int) -> bool:
    if path.is_symlink() or not path.is_file() or path.stat().st_size != size:
        return False
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest() == sha256


def _verification(path: Path, chain: Chain, file_problems: list[str]) -> Verification:
    problems = chain.problems + file_problems
    state: State = "sealed"
    if problems:
        state = "altered"
    elif chain.foreign:
        state, problems = "unreadable", [f"{path}: {chain.foreign}"]
    elif chain.sealed_files is None:
        state = "interrupted"
    if chain.torn:
        problems.append(f"line {chain.lines + 1}: torn: the writing of it did not finish")
    if state == "interrupted":
        intact = f"{chain.lines} line{'s' * (chain.lines != 1)} intact"
        problems.append(f"interrupted: no seal; {intact}; what happened after cannot be shown")
    elif chain.sealed_files is None and not chain.foreign:
        problems.append("no seal: the run was interrupted, or its end was cut off")
    return Verification(
        str(path), state, chain.lines, tuple(problems), verdict=chain.verdict, last_hash=chain.last_hash
    )
