"""Build a panel from switching algebra: contacts between named nodes, series and parallel expressions.

A literal `x` is a make contact of push-button or relay x, `x'` a break contact. Nodes become wires; the nodes
`L+` and `L-` are the poles. Push-buttons are the literals that no coil is named after.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from small_panels import button, load, panel, relay

from harness.panel.parts import ContactKind, Load, Panel, Relay

Expression = str | tuple[Any, ...]


def series(*parts: Expression) -> Expression:
    return ("series", *parts)


def parallel(*parts: Expression) -> Expression:
    return ("parallel", *parts)


@dataclass
class Circuit:
    """Contacts, coils and loads gathered between nodes; `panel()` makes the panel of them."""

    contacts: dict[str, dict[str, ContactKind]] = field(default_factory=dict)
    nodes: dict[str, list[str]] = field(default_factory=lambda: {"L+": ["L+"], "L-": ["L-"]})
    relays: dict[str, Relay] = field(default_factory=dict)
    loads: dict[str, Load] = field(default_factory=dict)
    extra: list[object] = field(default_factory=list)
    inner: int = 0

    @property
    def contact_count(self) -> int:
        return sum(len(own) for own in self.contacts.values())

    def contact(self, literal: str, first: str, second: str) -> None:
        """One contact between two nodes."""
        tag, kind = literal.rstrip("'"), "break" if literal.endswith("'") else "make"
        own = self.contacts.setdefault(tag, {})
        place = len(own) + 1
        numbers = (f"{place}1", f"{place}2") if kind == "break" else (f"{place}3", f"{place}4")
        own["-".join(numbers)] = "break" if kind == "break" else "make"
        for number, node in zip(numbers, (first, second), strict=True):
            self.join(node, f"{tag}:{number}")

    def network(self, expression: Expression, first: str, second: str) -> None:
        """A series-parallel network between two nodes."""
        if isinstance(expression, str):
            self.contact(expression, first, second)
        elif expression[0] == "parallel":
            for part in expression[1:]:
                self.network(part, first, second)
        else:
            stops = [first, *(self._new_node() for _ in expression[2:]), second]
            for part, start, stop in zip(expression[1:], stops, stops[1:], strict=False):
                self.network(part, start, stop)

    def coil(self, tag: str, first: str, second: str = "L-", **changes: Any) -> None:
        """A relay's coil between two nodes; literals of its tag are its contacts."""
        self.relays[tag] = relay(tag, {}, **changes)
        self.contacts.setdefault(tag, {})
        self.join(first, f"{tag}:A1")
        self.join(second, f"{tag}:A2")

    def load(self, tag: str, first: str, second: str = "L-") -> None:
        self.loads[tag] = load(tag)
        self.join(first, f"{tag}:1")
        self.join(second, f"{tag}:2")

    def join(self, node: str, terminal: str) -> None:
        self.nodes.setdefault(node, []).append(terminal)

    def panel(self, **changes: Any) -> Panel:
        parts: list[object] = list(self.extra)
        for tag, own in self.contacts.items():
            if tag in self.relays:
                parts.append(replace(self.relays[tag], contacts=relay(tag, own).contacts))
            else:
                parts.append(button(tag, {name: str(kind) for name, kind in own.items()}))
        parts.extend(self.loads.values())
        wiring = "\n".join(
            f"W{i} {' '.join(own)}" for i, own in enumerate(self.nodes.values(), 1) if len(own) > 1
        )
        return panel(parts, wiring, **changes)

    def _new_node(self) -> str:
        self.inner += 1
        return f"n{self.inner}"


def lamp_network(expression: Expression) -> Circuit:
    """One load Y1 fed through a network."""
    circuit = Circuit()
    circuit.network(expression, "L+", "out")
    circuit.load("Y1", "out")
    return circuit


def pressed(*tags: str) -> dict[str, str]:
    """Positions with these push-buttons pressed."""
    return dict.fromkeys(tags, "pressed")
