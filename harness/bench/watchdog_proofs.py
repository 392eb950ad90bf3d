"""Proofs that watchdogs work, kept in a file beside the bench file: `NAME.watchdogs.json`.

A proof holds for one board as its bench file describes it, and for a year. A file that cannot be read proves
nothing, and neither does a proof dated in the future: the watchdog is then proved again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from hashlib import sha256
from pathlib import Path
from typing import Any

from harness.bench.parts import BoardSpec
from harness.clock import Moment, rfc3339

FORMAT = 1
ENDING = ".watchdogs.json"
LATEST_S = 1.0
"""What a proof's silence may have been longer by: the lag of inputs, a busy computer."""

_BENCH_ENDING = ".bench.yaml"


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """One board's watchdog seen to work. `description` is a digest of the board as the bench file has it;
    outputs were seen off `off_within_ms` after the last answer at the latest. Moments are RFC 3339, UTC."""

    board: str
    driver: str
    description: str
    time_out_ms: int
    proof_output: int
    off_within_ms: int
    proved: str
    due: str


def description_of(spec: BoardSpec) -> str:
    """SHA-256 of what a proof depends on; another poll or input threshold does not undo it."""
    watchdog = asdict(spec.watchdog) if spec.watchdog else {}
    about = [spec.driver, spec.settings, spec.output_count, spec.input_count, spec.safe_on, watchdog]
    return sha256(json.dumps(about, sort_keys=True).encode()).hexdigest()


def margin_s(time_out_s: float) -> float:
    """How much later than its time-out a watchdog may act: a board looks at it once in a scan of its own."""
    return max(0.1, time_out_s / 5)


def due_after(moment: Moment) -> str:
    """A year after `moment`."""
    day = 28 if (moment.month, moment.day) == (2, 29) else moment.day
    return rfc3339(moment.replace(year=moment.year + 1, day=day))


class Proofs:
    """The proofs of the bench whose file is at `bench_path`."""

    def __init__(self, bench_path: Path) -> None:
        name = bench_path.name.removesuffix(_BENCH_ENDING)
        self.path = bench_path.with_name(f"{name}{ENDING}")

    def standing(self, spec: BoardSpec, now: Moment) -> Proof | None:
        """The proof that holds for this board now, if there is one."""
        proof = self._read().get(spec.name)
        if proof is None or not _sound(proof, spec):
            return None
        return proof if proof.proved <= rfc3339(now) < proof.due else None  # one zone and form: text sorts

    def keep(self, proof: Proof) -> str:
        """Keep a proof; returns in words why it could not be kept, else nothing."""
        proofs = self._read() | {proof.board: proof}
        document = {"format": FORMAT, "boards": [asdict(one) for _, one in sorted(proofs.items())]}
        new = self.path.with_name(f"{self.path.name}.new")
        try:
            new.write_text(json.dumps(document, indent=2) + "\n", encoding="utf-8")
            new.replace(self.path)
        except OSError as error:
            return f"{self.path} cannot be written ({error.strerror or error})"
        return ""

    def _read(self) -> dict[str, Proof]:
        try:
            document = json.loads(self.path.read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError):
            return {}
        if not isinstance(document, dict) or document.get("format") != FORMAT:
            return {}
        boards = document.get("boards")
        found = [_proof(entry) for entry in boards] if isinstance(boards, list) else []
        return {proof.board: proof for proof in found if proof is not None}


def _sound(proof: Proof, spec: BoardSpec) -> bool:
    """Whether it is a proof of this board as it is, and says nothing that no proving can have shown."""
    watchdog = spec.watchdog
    if watchdog is None or proof.description != description_of(spec):
        return False
    stated = (proof.driver, proof.time_out_ms, proof.proof_output)
    if stated != (spec.driver, round(watchdog.time_out_s * 1e3), watchdog.proof_output):
        return False
    longest_s = watchdog.time_out_s + margin_s(watchdog.time_out_s) + LATEST_S
    if not 0 < proof.off_within_ms <= longest_s * 1e3:
        return False
    try:
        return proof.due == due_after(Moment.fromisoformat(proof.proved))
    except ValueError:
        return False


def _proof(entry: Any) -> Proof | None:
    """The proof that an entry states; None where it is not one."""
    kinds = {field.name: int if field.type == "int" else str for field in fields(Proof)}
    if not isinstance(entry, Mapping) or entry.keys() != kinds.keys():
        return None
    sound = all(type(entry[name]) is kind for name, kind in kinds.items())
    return Proof(**entry) if sound else None
