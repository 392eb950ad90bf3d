"""Spells, watches and exchanged inputs, worked out by hand from short lists of shots."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench.parts import Bench, BoardSpec, InputChannel
from harness.measure.reading import Verdict
from harness.run.channels import Channels
from harness.run.exchanged import Seen, exchanged_inputs
from harness.run.sampling import Shot
from harness.run.spells import Spells
from harness.run.watching import Vigil
from harness.sequence.steps import Watch

MS = 1_000_000


def channel(number: int, tag: str, proves: str = "load", *, inverted: bool = False) -> InputChannel:
    return InputChannel(
        name=f"DI{number}",
        board="IO",
        channel=number,
        watches=tag,
        proves=proves,  # type: ignore[arg-type]
        terminals=("a", "b"),
        resistance_ohm=1e4,
        on_v=15,
        off_v=5,
        inverted=inverted,
    )


def channels(*inputs: InputChannel) -> Channels:
    board = BoardSpec(name="IO", driver="simulated", settings={}, output_count=0, input_count=8)
    return Channels(Bench(tag="B", title="", boards=(board,), inputs=inputs))


def shots(*words: int, every_ms: int = 10, took_ms: int = 2) -> list[Shot]:
    return [Shot(k * every_ms * MS, (k * every_ms + took_ms) * MS, word) for k, word in enumerate(words)]


def vigil(longest_ms: float, *words: int) -> Vigil:
    watch = Watch(states={"Y4": True, "Y1": False}, longest_s=longest_ms / 1e3, why="engine would stop")
    made = Vigil(watch, channels(channel(0, "Y4"), channel(1, "Y1")), lambda ns: ns // 1000)
    for shot in shots(*words):
        made.see(shot)
    return made


# Words: bit 0 is Y4, bit 1 is Y1. Shown in samples 1 to 3: true length between 30-12=18 and 42-0=42 ms.
@pytest.mark.parametrize(
    ("longest_ms", "words", "verdict", "low_us", "high_us"),
    [
        pytest.param(20, (3, 3, 2, 3, 0), Verdict.PASS, None, None, id="never shown"),
        pytest.param(50, (3, 1, 1, 1, 3), Verdict.PASS, 18000, 42000, id="surely shorter than allowed"),
        pytest.param(42, (3, 1, 1, 1, 3), Verdict.PASS, 18000, 42000, id="at most as long as allowed"),
        pytest.param(30, (3, 1, 1, 1, 3), Verdict.INCONCLUSIVE, 18000, 42000, id="perhaps longer"),
        pytest.param(17.9, (3, 1, 1, 1, 3), Verdict.FAIL, 18000, 42000, id="surely longer"),
        pytest.param(0, (3, 1, 3, 3, 3), Verdict.FAIL, 0, 22000, id="nothing allowed, one sample shows it"),
        pytest.param(17.9, (3, 3, 1, 1, 1), Verdict.FAIL, 18000, 32000, id="still showing at the end"),
    ],
)
def test_a_watch_judges_by_bounds(
    longest_ms: float, words: tuple[int, ...], verdict: Verdict, low_us: int | None, high_us: int | None
) -> None:
    reading = vigil(longest_ms, *words).reading()
    assert (reading.verdict, reading.low_us, reading.high_us) == (verdict, low_us, high_us)


def test_a_watch_says_what_when_and_why() -> None:
    reading = vigil(10, 3, 1, 1, 1, 3).reading()
    assert reading.expected == "never Y4 on, Y1 off together for more than 10 ms"
    assert reading.read == "so for 18.0 to 42.0 ms, first seen 0.012 s into the run"
    assert (reading.late_us, reading.note) == (8000, "engine would stop")


@given(
    start=st.integers(0, 200), length=st.integers(0, 200), period=st.integers(1, 20), took=st.integers(0, 20)
)
def test_bounds_of_a_spell_always_hold(start: int, length: int, period: int, took: int) -> None:
    """The input is on in [start, start+length); each sample reads it at some moment of its transaction."""
    spells = Spells(0)
    for sent in range(0, 500, period + took):
        moment = sent + took // 2
        spells.see(Shot(sent, sent + took, 0), start <= moment < start + length)
    worst = spells.finish()
    if worst is not None:
        assert worst.shortest_ns <= length <= worst.longest_ns


def test_a_relay_is_judged_by_its_contact_not_by_its_coil() -> None:
    mapped = channels(channel(0, "K1", "coil"), channel(1, "K1", "contact"))
    assert [mapped.state("K1", word) for word in (0b00, 0b01, 0b10, 0b11)] == [False, False, True, True]


def test_inputs_of_one_tag_that_disagree_leave_it_unclear() -> None:
    mapped = channels(channel(0, "K1", "contact"), channel(1, "K1", "contact", inverted=True))
    assert [mapped.state("K1", word) for word in (0b00, 0b01, 0b10, 0b11)] == [None, True, False, None]
    assert mapped.pattern({"K1": True}).shown_by(0b01)
    assert not mapped.pattern({"K1": True}).shown_by(0b11)


THREE = (channel(0, "Y1"), channel(1, "Y2"), channel(2, "Y3"))
ROWS = ({"Y1": True, "Y2": False, "Y3": False}, {"Y1": False, "Y2": True, "Y3": False})


@pytest.mark.parametrize(
    ("words", "pair"),
    [
        pytest.param((0b001, 0b010), None, id="nothing wrong"),
        pytest.param((0b010, 0b001), ("DI0", "DI1"), id="Y1 and Y2 exchanged"),
        pytest.param((0b100, 0b010), ("DI0", "DI2"), id="Y1 and Y3 exchanged"),
        pytest.param((0b000, 0b010), None, id="a load that stays off is no exchange"),
        pytest.param((0b010, 0b100), None, id="three in a ring fit no pair"),
    ],
)
def test_exchanged_inputs_are_named_only_if_one_pair_fits(
    words: tuple[int, int], pair: tuple[str, str] | None
) -> None:
    seen = [Seen(states, word) for states, word in zip(ROWS, words, strict=True)]
    found = exchanged_inputs(seen, channels(*THREE))
    assert (found and (found[0].name, found[1].name)) == pair


def test_several_pairs_that_fit_name_none() -> None:
    """Y1 read off and both others on: the row alone cannot tell which of them has Y1's wire."""
    seen = [Seen({"Y1": True}, 0b110)]
    assert exchanged_inputs(seen, channels(*THREE)) is None
