"""Asking the person at the bench: requests on standard error, answers from the keyboard."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TextIO

from harness.errors import UsageError
from harness.run.hands import Ask, cannot_ask


def asker(err: TextIO) -> Ask:
    """A way to ask; without a keyboard nothing can be asked, and such steps are not run."""
    if not sys.stdin.isatty():
        return cannot_ask

    def ask(request: str) -> str:
        print(f"{request}, then press Enter (s and Enter to skip): ", end="", file=err, flush=True)
        answer = sys.stdin.readline()
        return "done" if answer.strip() == "" and answer else "skipped"

    return ask


def acknowledged(cautions: Sequence[str], given: bool, err: TextIO) -> bool:
    """Show the cautions; True once a person keeps them. Raises UsageError when nobody does."""
    print("Cautions", file=err)
    for caution in cautions:
        print(f"  - {caution}", file=err)
    if given:
        return True
    if sys.stdin.isatty():
        print("Type yes when all of this is so: ", end="", file=err, flush=True)
        if sys.stdin.readline().strip().lower() == "yes":
            return True
    raise UsageError("the cautions were not acknowledged; nothing moved. Read them, then use --acknowledge")
