"""Is the safe state that a bench file asks for one, and can its watchdogs bring it about and be proved?

A watchdog's time-out has to outlast the silence of a run in good order. Three polls must fit into it, so that
one late poll on a busy computer trips nothing. Where a question is asked again, the wait for the answer that
was lost and the poll after it must fit too, or the retry would come to a board that has tripped meanwhile. A
board without retries needs no more: an answer lost there ends the run anyhow.
"""

from __future__ import annotations

from harness.bench.file_shape import BenchShape, BoardShape, WatchdogShape
from harness.bench.registry import check_watchdog, known_drivers
from harness.models import Problems
from harness.source import KeyPath
from harness.units import TIME, show

POLLS_IN_TIME_OUT = 3


def check_safe_states(shape: BenchShape, problems: Problems) -> None:
    """Add what is wrong with safe states and watchdogs to `problems`."""
    contactor = shape.supply.contactor
    for name, board in shape.boards.items():
        own = contactor.channel if contactor is not None and contactor.board == name else None
        _check_safe_on(name, board, own, problems)
        if board.watchdog is not None:
            path: KeyPath = ("boards", name, "watchdog")
            _check_proof(path, name, board, board.watchdog, own, problems)
            _check_spare(path, name, board.watchdog, shape, problems)
            _check_loop(path, name, board.watchdog, shape, problems)
            _check_time_out(path, board.watchdog, shape, problems)
            _check_driver(path, board, problems)


def _check_safe_on(name: str, board: BoardShape, contactor: int | None, problems: Problems) -> None:
    for index, channel in enumerate(board.safe_on):
        path: KeyPath = ("boards", name, "safe on", index)
        if channel >= board.outputs:
            problems.add(path, _no_channel(name, "output", channel, board.outputs))
        elif channel == contactor:
            problems.add(path, f"output {channel} is the supply contactor's; safe means that it is off")


def _check_proof(
    path: KeyPath,
    name: str,
    board: BoardShape,
    watchdog: WatchdogShape,
    contactor: int | None,
    problems: Problems,
) -> None:
    output, proof_input = watchdog.proof_output, watchdog.proof_input
    place = (*path, "proof output")
    if output >= board.outputs:
        problems.add(place, _no_channel(name, "output", output, board.outputs))
    elif output == contactor:
        problems.add(
            place, f"output {output} is the supply contactor's; a proof may not switch the supply on"
        )
    elif output in board.safe_on:
        text = f"output {output} is on in the safe state, so nothing would show that the watchdog switched it"
        problems.add(place, f"{text} off; choose another")
    if proof_input is not None and proof_input >= board.inputs:
        problems.add((*path, "proof input"), _no_channel(name, "input", proof_input, board.inputs))


def _check_spare(
    path: KeyPath, name: str, watchdog: WatchdogShape, bench: BenchShape, problems: Problems
) -> None:
    """Without a contactor the panel's supply is on while the watchdog is proved."""
    if bench.supply.contactor is not None:
        return
    for tag, output in bench.outputs.items():
        if (output.board, output.channel) == (name, watchdog.proof_output):
            text = f"output {watchdog.proof_output} is {tag}, and this bench has no supply contactor: the "
            problems.add(
                (*path, "proof output"), f"{text}proof would move a live panel; choose a spare output"
            )


def _check_loop(
    path: KeyPath, name: str, watchdog: WatchdogShape, bench: BenchShape, problems: Problems
) -> None:
    """A loop takes both its channels for itself."""
    if watchdog.proof_input is None:
        return
    for tag, output in bench.outputs.items():
        if (output.board, output.channel) == (name, watchdog.proof_output) and bench.supply.contactor:
            text = f"output {watchdog.proof_output} is {tag}, wired to the panel; a loop needs a spare output"
            problems.add((*path, "proof output"), text)
    special = {"supply present": bench.supply.present, "the emergency stop": bench.emergency_stop}
    taken = [(tag, reading) for tag, reading in (*bench.inputs.items(), *special.items()) if reading]
    for tag, reading in taken:
        if (reading.board, reading.channel) == (name, watchdog.proof_input):
            text = f"input {watchdog.proof_input} is taken by {tag}; a loop needs a spare input"
            problems.add((*path, "proof input"), text)


def _no_channel(name: str, side: str, channel: int, count: int) -> str:
    allowed = f"it has 0 to {count - 1}" if count else f"it has no {side}s"
    return f"board {name} has no {side} {channel}; {allowed}"


def _check_time_out(path: KeyPath, watchdog: WatchdogShape, bench: BenchShape, problems: Problems) -> None:
    poll_s = max(board.poll for board in bench.boards.values())
    waits_s = [board.timeout + poll_s for board in bench.boards.values() if board.retries]
    place = (*path, "time-out")
    if watchdog.time_out < POLLS_IN_TIME_OUT * poll_s:
        least = show(POLLS_IN_TIME_OUT * poll_s, TIME)
        text = (
            f"the watchdog would trip between polls; give it at least {least}, three times the longest poll"
        )
        problems.add(place, text)
    elif waits_s and watchdog.time_out <= max(waits_s):
        text = "the watchdog would trip while a lost answer is waited for; give it more than "
        text += f"{show(max(waits_s), TIME)} ('timeout' and 'poll' of a board with retries)"
        problems.add(place, f"{text}, or lower that 'timeout'")


def _check_driver(path: KeyPath, board: BoardShape, problems: Problems) -> None:
    if board.driver in known_drivers():
        for text in check_watchdog(board.driver, board.settings):
            problems.add(path, text, key=True)
