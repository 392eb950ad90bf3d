"""No fault of a wire becomes a reading, a wrong pass, a hang or an output left on: many runs in virtual time.

The full figures are printed by tests/benchmarks/wire_faults.py; here each kind has a few runs.
"""

from __future__ import annotations

import pytest
from fault_campaign import campaign
from fault_runs import PANEL_FAULTS, PROTOCOLS, TCP, Protocol, run, wrong
from real_fault_runs import run_real

from drivers.modbus_exchange import Exchange
from drivers.modbus_question import Fault, Question, fault_of
from harness.measure.reading import Verdict

CASES = [
    pytest.param(protocol, kind, kind in protocol.detectable, id=f"{name}, {kind}")
    for name, protocol in PROTOCOLS.items()
    for kind in (*protocol.detectable, *protocol.undetectable)
]


@pytest.mark.parametrize("name", PROTOCOLS)
def test_without_wire_faults_the_good_panel_passes_and_the_faulty_ones_fail(name: str) -> None:
    assert run(PROTOCOLS[name], (), seed=1, share=0.0).result.verdict is Verdict.PASS
    for fault in PANEL_FAULTS:
        assert run(PROTOCOLS[name], (), seed=1, share=0.0, faults=(fault,)).result.verdict is Verdict.FAIL


@pytest.mark.parametrize(("protocol", "kind", "truthful"), CASES)
def test_a_wire_fault_is_never_taken_for_truth(protocol: Protocol, kind: str, truthful: bool) -> None:
    tally = campaign(protocol, kind, range(4), truthful=truthful)
    assert tally.broken == []
    assert tally.faults >= 4


@pytest.mark.parametrize("name", PROTOCOLS)
def test_a_real_wire_with_faults_of_every_kind(name: str) -> None:
    """On a socket or a pseudo terminal, on the real clock."""
    protocol = PROTOCOLS[name]
    kinds = [kind for kind in protocol.detectable if kind not in {"disconnect", "silence"}]
    for seed, faults in enumerate([(), ("K1.13-14 stuck open",)]):
        outcome = run_real(protocol, kinds, seed=seed, share=0.04, faults=faults)
        assert wrong(outcome, faulty=bool(faults), truthful=True, hurried=True) == []
        assert outcome.counts.total() >= 3


def test_retries_are_counted() -> None:
    outcome = run(TCP, ("answer lost",), seed=4, share=0.02)
    assert outcome.result.verdict is Verdict.PASS
    assert outcome.retried == outcome.counts["answer lost"] > 0


def test_the_check_has_teeth(monkeypatch: pytest.MonkeyPatch) -> None:
    """An exchange that takes any transaction's answer for its own is caught handing out old states."""

    def gullible(_exchange: Exchange, question: Question, frame: bytes) -> Fault | None:
        return fault_of(question, frame[6], frame[7:])

    monkeypatch.setattr(Exchange, "_judge", gullible)
    broken = campaign(TCP, "stale", range(6), truthful=True).broken
    assert any("read 0x" in one for one in broken)
