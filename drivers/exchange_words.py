"""The words that the Modbus exchanges share, so that one fault reads the same on every line."""

from __future__ import annotations

from drivers.modbus_question import EXCEPTIONS, Fault, Question
from harness.errors import BenchError, BoardRefused, BoardTimeout


def refused(where: str, question: Question, fault: Fault) -> BenchError:
    """The board answered with an exception code."""
    advice = EXCEPTIONS.get(fault.code, ("", "look the code up in the board's manual"))[1]
    return BoardRefused(
        f"{where}: {question.name}: refused with exception {fault.code:02X} ({fault.text}); {advice}",
        code=fault.code,
    )


def too_late(where: str, question: Question, timeout_s: float, received: int, check: str) -> BenchError:
    """No whole answer by the deadline, of which `received` bytes came; `check` says what to look at."""
    came = f"only {counted(received)} of an answer" if received else "no answer"
    return BoardTimeout(
        f"{where}: {question.name}: {came} within {timeout_s * 1000:g} ms;"
        f" check {check}, or raise `timeout` in the bench file"
    )


def cause(error: Exception) -> str:
    """What the system says went wrong."""
    return (getattr(error, "strerror", None) or str(error) or type(error).__name__).lower()


def counted(count: int) -> str:
    """So many bytes."""
    return f"{count} byte" if count == 1 else f"{count} bytes"
