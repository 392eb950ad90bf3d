"""Moves between positions: order of contacts, one write a board, and no forbidden combination on the way."""

from __future__ import annotations

import pytest

from harness.bench.parts import Bench, BoardSpec, OutputChannel
from harness.errors import BenchUnsafe
from harness.panel.parts import Device, DeviceContact, Diagram, Panel, Span, Supply
from harness.run.moves import Mover, Write


def contact(name: str, *closed_in: str) -> DeviceContact:
    return DeviceContact(name=name, terminals=(f"S:{name}a", f"S:{name}b"), closed_in=frozenset(closed_in))


def selector(tag: str, change: str = "gap") -> Device:
    return Device(
        tag=tag,
        positions=("idle", "one", "two"),
        contacts=(contact("13-14", "one"), contact("23-24", "two"), contact("31-32", "idle")),
        change=change,  # type: ignore[arg-type]
    )


def panel(*devices: Device) -> Panel:
    supply = Supply(tag="main", positive="L+", negative="L-", nominal_v=24, range_v=Span(20, 30))
    return Panel(
        tag="P", title="", diagram=Diagram(number="D", revision="A"), supplies=(supply,), devices=devices
    )


def bench(*devices: Device, boards: int = 1, forbidden: tuple[dict[str, str], ...] = ()) -> Bench:
    outputs = []
    for number, (device, one) in enumerate((d, c) for d in devices for c in d.contacts):
        outputs.append(
            OutputChannel(
                name=f"DO{number}",
                board=f"IO{number % boards}",
                channel=number // boards,
                imitates=(device.tag, one.name),
                terminals=one.terminals,
            )
        )
    specs = tuple(
        BoardSpec(name=f"IO{k}", driver="simulated", settings={}, output_count=8, input_count=0)
        for k in range(boards)
    )
    return Bench(tag="B", title="", boards=specs, outputs=tuple(outputs), forbidden=forbidden)


def mover(*devices: Device, boards: int = 1, forbidden: tuple[dict[str, str], ...] = ()) -> Mover:
    return Mover(panel(*devices), bench(*devices, boards=boards, forbidden=forbidden))


@pytest.mark.parametrize(
    ("change", "first", "second"),
    [
        pytest.param("gap", {0: False}, {1: True}, id="gap: opens before it closes"),
        pytest.param("overlap", {1: True}, {0: False}, id="overlap: closes before it opens"),
    ],
)
def test_a_selector_changes_as_it_is_stated_to(
    change: str, first: dict[int, bool], second: dict[int, bool]
) -> None:
    device = selector("S2", change)
    assert mover(device).plan({"S2": "one"}, {"S2": "two"}) == [Write("IO0", first), Write("IO0", second, 1)]


def test_outputs_that_change_together_on_one_board_are_one_write() -> None:
    one, other = selector("S1"), selector("S2")
    plan = mover(one, other).plan({"S1": "one", "S2": "two"}, {"S1": "idle", "S2": "idle"})
    assert plan == [Write("IO0", {0: False, 4: False}), Write("IO0", {2: True, 5: True}, 1)]


def test_each_board_gets_its_own_write() -> None:
    plan = mover(selector("S1"), boards=3).plan({"S1": "one"}, {"S1": "two"})
    assert plan == [Write("IO0", {0: False}), Write("IO1", {0: True}, 1)]


def test_nothing_to_move_writes_nothing() -> None:
    assert mover(selector("S1")).plan({"S1": "one"}, {"S1": "one"}) == []


def test_rest_commands_every_output_and_break_contacts_the_other_way() -> None:
    device = selector("S1")
    plain = bench(device)
    swapped = OutputChannel(
        name="DO2",
        board="IO0",
        channel=2,
        imitates=("S1", "31-32"),
        terminals=("a", "b"),
        normally_closed=True,
    )
    both = Bench(tag="B", title="", boards=plain.boards, outputs=(*plain.outputs[:2], swapped))
    assert Mover(panel(device), both).rest({"S1": "idle"}) == [Write("IO0", {0: False, 1: False, 2: False})]
    assert Mover(panel(device), plain).rest({"S1": "idle"}) == [Write("IO0", {0: False, 1: False, 2: True})]


def test_a_forbidden_target_is_refused() -> None:
    one, other = selector("S1"), selector("S2")
    with pytest.raises(BenchUnsafe, match="S1 one, S2 one is forbidden"):
        mover(one, other, forbidden=({"S1": "one", "S2": "one"},)).plan(
            {"S1": "idle", "S2": "idle"}, {"S1": "one", "S2": "one"}
        )


def test_a_forbidden_combination_is_not_passed_on_the_way() -> None:
    """S2 closes `two` in the write that opens S3, which contact first nobody knows: so S3 goes first."""
    other = selector("S2", "overlap")
    switch = Device(tag="S3", positions=("open", "closed"), contacts=(contact("13-14", "closed"),))
    forbidden = ({"S3": "closed", "S2": "two"},)
    plan = mover(switch, other, forbidden=forbidden).plan(
        {"S3": "closed", "S2": "one"}, {"S3": "open", "S2": "two"}
    )
    assert plan == [
        Write("IO0", {0: False}),
        Write("IO0", {2: True}, 1),
        Write("IO0", {1: False}, 2),
    ]


def test_no_allowed_order_is_said_and_nothing_planned() -> None:
    """A device that must cross its own forbidden gap: both contacts open reads as `open` of the other one."""
    two = Device(
        tag="S4",
        positions=("left", "right", "off"),
        contacts=(contact("13-14", "left"), contact("23-24", "right")),
    )
    with pytest.raises(BenchUnsafe, match="no order of switching leads from S4 left to S4 right"):
        mover(two, forbidden=({"S4": "off"},)).plan({"S4": "left"}, {"S4": "right"})
