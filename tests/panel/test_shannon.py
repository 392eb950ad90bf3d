"""Relay circuits published with their functions, entered as panels: derived tables equal the functions.

Source of the functions: C. E. Shannon, "A Symbolic Analysis of Relay and Switching Circuits", Transactions of
the AIEE 57 (1938), as reprinted in Collected Papers pp. 471-495. In the paper a contact or network is a
hindrance: 0 is closed and 1 is open, `+` is series, `.` is parallel, a prime is a break contact; an operated
relay closes its make contacts, so its variable is 0. The tests keep that convention: `hindrances` turns
positions into the paper's variables, and a load is on where the published function is 0.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

import pytest
from switching import Circuit, Expression, lamp_network, parallel, pressed, series

from harness.panel.parts import Panel
from harness.panel.settling import Settler
from harness.panel.table import DerivedTable, derive_table

Hindrance = Callable[[dict[str, int]], int]


def hindrances(positions: dict[str, str]) -> dict[str, int]:
    """The paper's variables: 0 for a pressed push-button, whose make contacts are closed."""
    return {
        tag: 0 if place == "pressed" else 1
        for tag, place in positions.items()
        if place in ("pressed", "released")
    }


def assert_equals(table: DerivedTable, functions: dict[str, Hindrance], *, rows: int) -> None:
    assert len(table.rows) == rows
    for row in table.rows:
        expected = {tag: not function(hindrances(row.positions)) for tag, function in functions.items()}
        assert {tag: row.states[tag] for tag in functions} == expected, row.positions


# --- item 1: figure 5 simplified to figure 6 ---

FIGURE_5 = series(
    "W",
    parallel("W'", series("X", "Y")),
    parallel(series("X", "Z"), series("S", "W'", "Z"), series("Z'", "Y", parallel("S'", "V"))),
)
FIGURE_6 = series("W", "X", "Y", parallel("Z", "S'", "V"))


def figure_6(v: dict[str, int]) -> int:
    """W + X + Y + Z S' V"""
    return v["W"] | v["X"] | v["Y"] | (v["Z"] & (1 - v["S"]) & v["V"])


@pytest.mark.parametrize("network", [FIGURE_5, FIGURE_6], ids=["figure 5", "figure 6"])
def test_figure_5_and_its_simplification_are_the_published_function(network: tuple[object, ...]) -> None:
    table = derive_table(lamp_network(network).panel())
    assert_equals(table, {"Y1": figure_6}, rows=64)
    assert sum(row.states["Y1"] is True for row in table.rows) == 7


# --- item 2: the bridge of figure 10, whose middle contact carries current both ways ---


def bridge() -> Panel:
    circuit = Circuit()
    for literal, first, second in (
        ("R", "L+", "c"),
        ("S", "c", "out"),
        ("U", "L+", "d"),
        ("V", "d", "out"),
        ("T", "c", "d"),
    ):
        circuit.contact(literal, first, second)
    circuit.load("Y1", "out")
    return circuit.panel()


def bridge_paths(v: dict[str, int]) -> int:
    """(R+S)(U+V)(R+T+V)(U+T+S)"""
    r, s, t, u, w = v["R"], v["S"], v["T"], v["U"], v["V"]
    return (r | s) & (u | w) & (r | t | w) & (u | t | s)


def bridge_cuts(v: dict[str, int]) -> int:
    """RU + SV + RTV + STU"""
    r, s, t, u, w = v["R"], v["S"], v["T"], v["U"], v["V"]
    return (r & u) | (s & w) | (r & t & w) | (s & t & u)


@pytest.mark.parametrize("function", [bridge_paths, bridge_cuts], ids=["paths", "cuts"])
def test_bridge_conducts_both_ways(function: Hindrance) -> None:
    table = derive_table(bridge())
    assert_equals(table, {"Y1": function}, rows=32)
    assert sum(row.states["Y1"] is True for row in table.rows) == 16


# --- item 6: a set of simultaneous equations with shared contacts ---


def simultaneous() -> Panel:
    """W = A+B+CW; X = A+B+WX; Y = A+CY; Z = EZ+F, with one contact A and one contact B shared."""
    circuit = Circuit()
    circuit.contact("A", "L+", "a")
    circuit.contact("B", "a", "b")
    circuit.coil("W", "w")
    circuit.coil("X", "x")
    circuit.coil("Y", "y")
    circuit.coil("Z", "z")
    circuit.network(parallel("C", "W"), "b", "w")
    circuit.network(parallel("W", "X"), "b", "x")
    circuit.network(parallel("C", "Y"), "a", "y")
    circuit.network(series(parallel("E", "Z"), "F"), "L+", "z")
    return circuit.panel()


def test_simultaneous_equations_from_rest() -> None:
    """From rest every relay starts as 1 (open) on the right-hand side; W closes before X needs it."""
    functions: dict[str, Hindrance] = {
        "W": lambda v: v["A"] | v["B"] | v["C"],
        "X": lambda v: v["A"] | v["B"] | (v["A"] | v["B"] | v["C"]),
        "Y": lambda v: v["A"] | v["C"],
        "Z": lambda v: v["E"] | v["F"],
    }
    assert_equals(derive_table(simultaneous()), functions, rows=32)


def test_simultaneous_equations_hold_once_operated() -> None:
    """With A and B closed and C open, W = A+B+CW and Y = A+CY keep what they were: history decides."""
    table = derive_table(simultaneous())
    row = next(r for r in table.rows if hindrances(r.positions) == {"A": 0, "B": 0, "C": 1, "E": 1, "F": 0})
    assert row.states == {"W": False, "X": False, "Y": False, "Z": False}
    assert "depends on history" in row.notes


# --- item 7: the selective circuit ---

SELECTIVE = series(
    parallel(
        "w",
        series(
            parallel("x", series(parallel("y", "z"), parallel("y'", "z'"))),
            parallel("x'", series(parallel("y'", "z"), parallel("y", "z'"))),
        ),
    ),
    parallel(
        "w'",
        series(
            parallel("x", series(parallel("y'", "z"), parallel("y", "z'"))),
            parallel("x'", "y", "z"),
        ),
    ),
)
"""w{x(yz+y'z')+x'(y'z+yz')} + w'[x(y'z+yz')+x'yz]"""


def test_selective_circuit_operates_for_one_three_or_four() -> None:
    circuit = lamp_network(SELECTIVE)
    assert circuit.contact_count == 20
    table = derive_table(circuit.panel())
    assert len(table.rows) == 16
    for row in table.rows:
        operated = sum(place == "pressed" for tag, place in row.positions.items() if tag in "wxyz")
        assert row.states["Y1"] is (operated in (1, 3, 4)), row.positions


# --- item 9: light switched from n places ---


def parity_light(n: int) -> Circuit:
    """A change-over at each end and n - 2 reversing switches between."""
    circuit = Circuit()
    circuit.contact("s1", "L+", "1a")
    circuit.contact("s1'", "L+", "1b")
    for k in range(2, n):
        for literal, here, there in (
            (f"s{k}", "a", "a"),
            (f"s{k}", "b", "b"),
            (f"s{k}'", "a", "b"),
            (f"s{k}'", "b", "a"),
        ):
            circuit.contact(literal, f"{k - 1}{here}", f"{k}{there}")
    circuit.contact(f"s{n}", f"{n - 1}a", "out")
    circuit.contact(f"s{n}'", f"{n - 1}b", "out")
    circuit.load("Y1", "out")
    return circuit


@pytest.mark.parametrize("n", [2, 3, 4, 5])
def test_light_from_n_places_changes_with_every_switch(n: int) -> None:
    circuit = parity_light(n)
    assert circuit.contact_count == 4 * (n - 1)
    for row in derive_table(circuit.panel()).rows:
        open_places = sum(hindrances(row.positions).values())
        assert row.states["Y1"] is (open_places % 2 == 0), row.positions


# --- item 11: the adder to the base two ---

DIGITS = 3


def adder() -> Panel:
    """s0 = a0 (+) b0, c1 = a0.b0; then s = S1,3(a, b, c), next c = S2,3(a, b, c); an open contact is a 1."""
    circuit = Circuit()
    for j in range(DIGITS):
        a, b, c, then = f"a{j}", f"b{j}", f"c{j}", f"c{j + 1}"
        if j == 0:
            circuit.network(series(parallel(a, f"{b}'"), parallel(f"{a}'", b)), "L+", "s0")
            circuit.network(parallel(a, b), "L+", f"k{then}")
        else:
            differ = series(parallel(a, f"{b}'"), parallel(f"{a}'", b))
            agree = series(parallel(a, b), parallel(f"{a}'", f"{b}'"))
            circuit.network(series(parallel(agree, c), parallel(differ, f"{c}'")), "L+", f"s{j}")
            circuit.network(series(parallel(a, b), parallel(a, c), parallel(b, c)), "L+", f"k{then}")
        circuit.load(f"Y{j}", f"s{j}")
        circuit.coil(then, f"k{then}")
    return circuit.panel()


def test_adder_adds() -> None:
    """Every sum of two numbers of three digits, against arithmetic; released and dropped out are 1."""
    table = derive_table(adder())
    assert len(table.rows) == 2 ** (2 * DIGITS)
    for row in table.rows:
        digit = hindrances(row.positions)
        one, other = (sum(digit[f"{name}{j}"] << j for j in range(DIGITS)) for name in "ab")
        read = sum((not row.states[f"Y{j}"]) << j for j in range(DIGITS))
        assert read + ((not row.states[f"c{DIGITS}"]) << DIGITS) == one + other, row.positions


def test_adder_oracle_covers_all_pairs() -> None:
    pairs = {
        tuple(sum(hindrances(row.positions)[f"{name}{j}"] << j for j in range(DIGITS)) for name in "ab")
        for row in derive_table(adder()).rows
    }
    assert pairs == set(product(range(2**DIGITS), repeat=2))


# --- item 5: lock-in ---


def lock_in(expression: Expression) -> Panel:
    """Relay X fed through a network of R, S and its own contacts."""
    circuit = Circuit()
    circuit.coil("X", "x")
    circuit.network(expression, "L+", "x")
    return circuit.panel()


OPERATE_FORM = series(parallel("R", "X"), "S")
RELEASE_FORM = parallel(series("R'", "X"), "S'")


def operate_form(r: int, s: int, x: int) -> int:
    """X = R X + S: R is the operate path, S the hold path."""
    return (r & x) | s


def release_form(r: int, s: int, x: int) -> int:
    """X = (R' + X) S'"""
    return ((1 - r) | x) & (1 - s)


@pytest.mark.parametrize(
    ("network", "function"),
    [(OPERATE_FORM, operate_form), (RELEASE_FORM, release_form)],
    ids=["X = RX + S", "X = (R' + X)S'"],
)
@pytest.mark.parametrize(("r", "s", "x"), list(product((0, 1), repeat=3)))
def test_lock_in(
    network: Expression, function: Callable[[int, int, int], int], r: int, s: int, x: int
) -> None:
    """From X operated (0) or not (1) to every pair of R and S: X takes the published value, and stays."""
    made = lock_in(network)
    settler = Settler(made)
    motion, _ = settler.start({})
    reached = next(a for a in product((0, 1), repeat=2) if function(*a, 0) == function(*a, 1) == x)
    for step in (reached, (r, s)):
        positions = pressed(*[tag for tag, value in zip("RS", step, strict=True) if value == 0])
        settler.move(motion, settler.complete(positions))
        assert motion.states()["X"] is (function(*step, x) == 0), step
