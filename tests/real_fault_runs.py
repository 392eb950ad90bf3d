"""Short runs over real sockets and pseudo terminals with wire faults, held to the truth as in memory."""

from __future__ import annotations

import random
import socket
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace

from fault_runs import LOADED, NotingRig, Outcome, Protocol, bench_with, carried_out
from memory_wire import Injector
from real_wire import RealWire, listening, pseudo_terminal

from harness.clock import NS, RealClock
from harness.sequence.steps import Sequence as Procedure
from harness.sequence.steps import SetStep, TimeStep

TIMEOUT_S = 0.04
REST = LOADED.panel.rest


def _set(title: str, positions: dict[str, str], *, on: bool) -> SetStep:
    return SetStep(title=title, positions=positions, states={"K1": on, "P1": on}, settle_s=0.3, hold_s=0.05)


PROCEDURE: Procedure = replace(
    LOADED.sequence,
    steps=(
        _set("start", REST | {"S1": "pressed"}, on=True),
        _set("sealed in", REST, on=True),
        _set("stop", REST | {"S0": "pressed"}, on=False),
        _set("stays stopped", REST, on=False),
        TimeStep(
            title="stop button to K1",
            start=REST | {"S1": "pressed"},
            end=REST | {"S1": "pressed", "S0": "pressed"},
            of="K1",
            to=False,
            repeats=2,
            at_least_s=None,
            at_most_s=0.08,
            settle_s=0.3,
            beyond_s=0.3,
        ),
    ),
)


def run_real(
    protocol: Protocol, kinds: Sequence[str], *, seed: int, share: float, faults: Sequence[str] = ()
) -> Outcome:
    """One short run over the real wire of `protocol`."""
    opening = pseudo_terminal if protocol.in_order else listening
    with opening() as (where, accept):
        place = {"port": where} if protocol.in_order else {"host": "127.0.0.1", "port": where}
        bench = bench_with(protocol.settings | place, TIMEOUT_S)
        bench = replace(bench, boards=(replace(bench.boards[0], poll_s=0.002),))
        clock = RealClock()
        rig = NotingRig(LOADED.panel, bench, clock, seed=seed, faults=faults)
        injector = Injector(kinds, share, random.Random(f"{seed} {protocol.name}"), resting=True)
        wire = RealWire(
            protocol.respond(rig),
            injector,
            foreign=protocol.foreign,
            late_ns=round(TIMEOUT_S * NS),
            in_order=protocol.in_order,
            accept=accept,
        )
        thread = threading.Thread(target=wire.serve, daemon=True)
        thread.start()
        try:
            return carried_out(protocol.held(bench.boards[0], clock), rig, injector, PROCEDURE, seed)
        finally:
            wire.ended = True
            if not protocol.in_order:
                _wake(int(str(where)))
            thread.join(5)
            assert not thread.is_alive()


def _wake(port: int) -> None:
    """A server that waits for its next connection gets one, and sees that it is over."""
    with suppress(OSError):
        socket.create_connection(("127.0.0.1", port), 0.2).close()
