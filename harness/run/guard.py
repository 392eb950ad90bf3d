"""The runner's side of the guardian: start it, let it know that the runner lives, and take leave of it.

The guardian is a process of its own (`harness.cli.guardian`), started before any output can move. It makes
the bench safe when the runner cannot: `guard_watch.py` is how that is noticed, `guard_safe.py` what is done.

Two ways to reach the boards then. `own`: the control channel is a pipe, and the guardian opens the ports
itself. `shared`: the channel is a Unix socket, which also carries the runner's open ports, so that nothing
has to be opened anew; where the system or a driver cannot, it is `own`.

The guardian answers beats. The runner never has more of them on the way than the guardian may leave
unanswered, so that a beat never waits for room in the channel, and a guardian that is stopped is noticed.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from typing import Any, Literal, Protocol

from harness.bench.board import Board
from harness.clock import NS, Clock
from harness.errors import BenchError
from harness.run import guard_words as words
from harness.run.guard_plan import Plan

Way = Literal["shared", "own"]
BEAT_NS = NS // 20
MOST_UNANSWERED = 100
_GROUP_OF_ITS_OWN, _CONSOLE_OF_ITS_OWN = 0x200, 0x8000000  # of Windows: closing its console ends a process
START_S = 20.0
END_S = 5.0


class _Channel(Protocol):
    def fileno(self) -> int: ...

    def close(self) -> None: ...


def can_share() -> bool:
    """Whether this system lets one process hand open ports to another."""
    return hasattr(socket, "AF_UNIX") and hasattr(socket, "send_fds")


class Guard:
    """One guardian, from its start to its end. `command` starts its process; the way is added to it.

    `on_guard` is False until `arm`; from then on `end` needs to know whether the bench is safe.
    """

    def __init__(self, command: Sequence[str], way: Way, clock: Clock, kept: Sequence[int] = ()) -> None:
        """Start the process. `kept`: open files that it holds too, the bench's locks. Raises BenchError."""
        self.way: Way = "own" if way == "shared" and not can_share() else way
        self.on_guard = False
        self._clock = clock
        self._boards: Mapping[str, Board] = {}
        self._connections = -1
        self._next_ns = 0
        self._unanswered = 0
        self._complained = False
        self._ready = threading.Event()
        self._gone = False
        self._reason = ""
        self._process, self._channel = _start([*command, self.way], self.way, kept)
        self._ear = threading.Thread(target=self._listen, daemon=True)
        self._ear.start()

    def brief(self, plan: Plan) -> None:
        """Tell it the bench; it gets ready while the runner opens the boards."""
        self._say(words.line(plan.as_json()))

    def arm(self, boards: Mapping[str, Board], patience_s: float | None) -> None:
        """Wait until it is ready; from here on it guards `boards`, which are open. Raises BenchError.

        `patience_s`: how long it keeps trying to reach a board after the runner's death; None for ever.
        """
        if not self._ready.wait(START_S) or self._gone:
            reason = self._reason or ("it ended" if self._gone else f"not ready after {START_S:g} s")
            raise BenchError(f"the guardian did not start: {reason}; nothing was switched on")
        self._boards = boards
        self._hand_on()
        self._say(words.armed(patience_s))
        self.on_guard = True

    def beat(self) -> None:
        """The runner is alive; said every 50 ms at most. Raises BenchError once the guardian is lost."""
        now_ns = self._clock.now_ns()
        if now_ns < self._next_ns:
            return
        self._next_ns = now_ns + BEAT_NS
        if self._gone or self._unanswered > MOST_UNANSWERED:
            self._complain()
            return
        self._unanswered += 1
        self._say(words.BEAT)
        self._hand_on()

    def ending(self) -> None:
        """The runner has made safe; what is left to do may take long."""
        self._say(words.ENDING, heed=False)

    def end(self, *, safe: bool) -> None:
        """Take leave. Safe: it goes without a trace. Not safe: it goes on trying, after the runner's end too.

        Call it when the boards are closed.
        """
        self._say(words.DONE if safe else words.TAKE_OVER, heed=False)
        self._channel.close()
        if not safe:
            threading.Thread(target=self._process.wait, daemon=True).start()
            return
        try:
            self._process.wait(END_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._ear.join(END_S)
        assert self._process.stdout is not None
        self._process.stdout.close()

    @property
    def pid(self) -> int:
        """Its process number."""
        return self._process.pid

    def _hand_on(self) -> None:
        """Hand the open ports on, when there are others than last time."""
        if self.way != "shared":
            return
        connections = sum(board.connections for board in self._boards.values())
        if connections == self._connections:
            return
        self._connections = connections
        groups: dict[int, list[str]] = {}
        for name, board in self._boards.items():
            descriptor = board.descriptor
            if descriptor is not None:
                groups.setdefault(descriptor, []).append(name)
        self._say(words.descriptors(list(groups.values())), list(groups))

    def _say(self, data: bytes, descriptors: Sequence[int] = (), *, heed: bool = True) -> None:
        try:
            _send(self._channel, data, descriptors)
        except OSError as error:
            self._gone = self._gone or isinstance(error, ConnectionError)  # its end of the channel is closed
            if heed:
                self._complain()

    def _complain(self) -> None:
        """Once: the run has to end then, and what ends it must not be ended itself."""
        if self._complained:
            return
        self._complained = True
        how = "does not answer" if not self._gone and self._process.poll() is None else "is gone"
        raise BenchError(
            f"the guardian process {how}: nobody would switch off if this program died; the run was ended"
        )

    def _listen(self) -> None:
        """What it says; in a thread, because not every system can look into a pipe without waiting."""
        assert self._process.stdout is not None
        with self._process.stdout as said:
            for text in said:
                self._unanswered = 0
                word, _, rest = text.strip().partition(" ")
                if word == words.READY:
                    self._ready.set()
                elif word == words.CANNOT:
                    self._reason = rest
        self._gone = True
        self._ready.set()


def _start(command: Sequence[str], way: Way, kept: Sequence[int]) -> tuple[subprocess.Popen[str], _Channel]:
    """The process in a session of its own, so that what ends the runner from a terminal does not reach it."""
    own: dict[str, Any] = {"start_new_session": True, "pass_fds": tuple(kept)}
    if sys.platform == "win32":
        own = {"creationflags": _GROUP_OF_ITS_OWN | _CONSOLE_OF_ITS_OWN}
    ours, theirs = socket.socketpair() if way == "shared" else (None, None)
    try:
        process = subprocess.Popen(  # noqa: S603 - this very program
            command,
            stdin=subprocess.PIPE if theirs is None else theirs.fileno(),
            stdout=subprocess.PIPE,
            encoding="utf-8",
            **own,
        )
    except OSError as error:
        if ours is not None:
            ours.close()
        raise BenchError(f"the guardian did not start: {error}; nothing was switched on") from error
    finally:
        if theirs is not None:
            theirs.close()
    channel = ours if ours is not None else process.stdin
    assert channel is not None
    return process, channel


def _send(channel: _Channel, data: bytes, descriptors: Sequence[int]) -> None:
    """All of `data`, and the descriptors with its first byte."""
    if isinstance(channel, socket.socket):
        sent = socket.send_fds(channel, [data], list(descriptors)) if descriptors else 0
        channel.sendall(data[sent:])
        return
    while data:
        data = data[os.write(channel.fileno(), data) :]
