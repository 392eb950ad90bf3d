"""The loop that serves a line: hears what comes, sends what is due when it is due, one thread."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from drivers.line import Line
from drivers.paced_line import earliest
from drivers.rtu_server import Talk
from harness.clock import Clock
from harness.errors import BoardAbsent

_TICK_NS = 50_000_000
_MOST = 4096


class SerialServer:
    """Serves `talk` on `line`; `place` names it in messages."""

    def __init__(self, line: Line, talk: Talk, clock: Clock, place: str) -> None:
        self._line, self._talk, self._clock = line, talk, clock
        self.place = place
        self._stopped = False

    def serve(self, idle: Callable[[], object]) -> None:
        """Serve until `stop`; `idle` is called whenever nothing has come for a while.

        Raises BoardAbsent when the line is lost.
        """
        try:
            while not self._stopped:
                self._turn(idle)
        except OSError as error:
            raise BoardAbsent(
                f"{self.place}: lost ({(error.strerror or str(error)).lower()});"
                " plug it in again and start anew"
            ) from error
        finally:
            self._line.close()

    def stop(self) -> None:
        """Leave `serve` within one tick. May be called from a signal handler or another thread."""
        self._stopped = True

    def close(self) -> None:
        """Close the line where `serve` is not reached. May be called twice."""
        self._line.close()

    def _turn(self, idle: Callable[[], object]) -> None:
        now_ns = self._clock.now_ns()
        answer = self._talk.step(now_ns)
        if answer:
            with suppress(TimeoutError):  # nobody reads: on a wire the characters are gone too
                self._line.send(answer, now_ns + _TICK_NS)
        tick_ns = now_ns + _TICK_NS
        until_ns = earliest(self._talk.next_ns, tick_ns) or tick_ns
        data = self._line.receive(_MOST, until_ns)
        if data:
            self._talk.hear(data, self._clock.now_ns())
        elif until_ns == tick_ns:
            idle()
