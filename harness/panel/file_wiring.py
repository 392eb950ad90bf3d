"""Is a panel file a circuit: tags, terminals and wires that fit together, every problem with its place."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator

from harness.models import Problems
from harness.panel.file_shape import PanelShape, RelayShape
from harness.panel.parts import Terminal
from harness.source import KeyPath
from harness.wording import listed, quoted

# Strip terminals exist by being named in a wire; only their tag tells them from a misspelt part.
STRIP = "X"
_Numbers = dict[str, dict[str, None]]
_SECTIONS = ("supplies", "devices", "breakers", "relays", "loads", "resistors", "diodes", "wires")


def check_wiring(shape: PanelShape, problems: Problems, broken: Collection[str] = ()) -> None:
    """Add every problem of tags, terminals and wires to `problems`; terminals of `broken` parts pass."""
    _check_tags(shape, problems)
    _check_poles(shape, problems)
    _check_contact_names(shape, problems)
    _check_wires(shape, problems, broken)
    _check_unwired(shape, problems)


def part_terminals(shape: PanelShape) -> _Numbers:
    """Tag of each part to the numbers of its terminals, in file order, strips left out."""
    numbers: _Numbers = {}
    for tag, device in shape.devices.items():
        numbers[tag] = _split(device.contacts)
    for tag, breaker in shape.breakers.items():
        numbers[tag] = _split(breaker.poles)
    for tag, relay in shape.relays.items():
        numbers[tag] = _coil_numbers(relay) | _split(relay.contacts)
    numbers |= {tag: dict.fromkeys("12") for section in (shape.loads, shape.resistors) for tag in section}
    return numbers | {tag: dict.fromkeys("AK") for tag in shape.diodes}


def poles(shape: PanelShape) -> dict[Terminal, None]:
    """The bare terminals: supply poles and earth."""
    names = [pole for supply in shape.supplies.values() for pole in (supply.positive, supply.negative)]
    return dict.fromkeys(names + ([shape.earth] if shape.earth else []))


def _split(names: Iterable[str]) -> dict[str, None]:
    return dict.fromkeys(number for name in names for number in name.split("-"))


def _coil_numbers(relay: RelayShape) -> dict[str, None]:
    return (dict.fromkeys(("A1", "A2")) if relay.coil else {}) | _split(relay.coils or ())


def _check_tags(shape: PanelShape, problems: Problems) -> None:
    owners: dict[str, str] = {}
    for section in _SECTIONS:
        for tag in getattr(shape, section):
            if tag in owners:
                line = problems.source.place((owners[tag], tag), key=True)[0]
                text = (
                    f"tag {tag} is given already under {owners[tag]} (line {line}); each part has its own tag"
                )
                problems.add((section, tag), text, key=True)
            owners.setdefault(tag, section)


def _check_poles(shape: PanelShape, problems: Problems) -> None:
    seen: dict[tuple[Terminal, Terminal], str] = {}
    for tag, supply in shape.supplies.items():
        pair = (supply.positive, supply.negative)
        if supply.positive == supply.negative:
            problems.add(("supplies", tag, "negative"), f"both poles of {tag} are {supply.negative}")
        elif pair in seen:
            problems.add(("supplies", tag), f"{tag} has the same poles as {seen[pair]}", key=True)
        seen.setdefault(pair, tag)
        if shape.earth in pair:
            text = f"earth is a pole of {tag}; name it by itself, such as PE, and join it by a wire"
            problems.add(("earth",), text)


def _check_contact_names(shape: PanelShape, problems: Problems) -> None:
    for path, name in _contact_places(shape):
        numbers = name.split("-")
        if len(set(numbers)) < len(numbers):
            problems.add(path, f"contact {name} has the same terminal twice", key=True)
    for tag, breaker in shape.breakers.items():
        counts = Counter(number for pole in breaker.poles for number in pole.split("-"))
        for number in (number for number, count in counts.items() if count > 1):
            problems.add(("breakers", tag, "poles"), f"terminal {tag}:{number} belongs to two poles")
    for tag, relay in shape.relays.items():
        shared = set(_coil_numbers(relay)) & set(_split(relay.contacts))
        for number in sorted(shared):
            text = f"terminal {tag}:{number} belongs to a coil and to a contact"
            problems.add(("relays", tag, "contacts"), text, key=True)


def _contact_places(shape: PanelShape) -> Iterator[tuple[KeyPath, str]]:
    for tag, device in shape.devices.items():
        yield from ((("devices", tag, "contacts", name), name) for name in device.contacts)
    for tag, breaker in shape.breakers.items():
        yield from ((("breakers", tag, "poles", index), name) for index, name in enumerate(breaker.poles))
    for tag, relay in shape.relays.items():
        yield from ((("relays", tag, "contacts", name), name) for name in relay.contacts)
        yield from ((("relays", tag, "coils", name), name) for name in relay.coils or ())


def _check_wires(shape: PanelShape, problems: Problems, broken: Collection[str]) -> None:
    numbers, bare = part_terminals(shape), poles(shape)
    first: dict[Terminal, tuple[str, int]] = {}
    for tag, terminals in shape.wires.items():
        if len(terminals) < 2:
            found = f"only {terminals[0]}" if terminals else "no terminal"
            problems.add(("wires", tag), f"wire {tag} joins {found}; expected two or more, in looping order")
        for index, terminal in enumerate(terminals):
            path: KeyPath = ("wires", tag, index)
            if terminal in first:
                problems.add(path, _used_already(terminal, tag, first[terminal], problems))
            elif terminal.partition(":")[0] not in broken and not _exists(terminal, numbers, bare):
                problems.add(path, _unknown(terminal, numbers, bare, problems))
            first.setdefault(terminal, (tag, index))


def _used_already(terminal: Terminal, tag: str, earlier: tuple[str, int], problems: Problems) -> str:
    other, index = earlier
    line = problems.source.place(("wires", other, index))[0]
    where = f"stands twice in wire {tag}" if other == tag else f"is in wire {other} already"
    return f"terminal {terminal} {where} (line {line}); each terminal belongs to one wire, once"


def _exists(terminal: Terminal, numbers: _Numbers, bare: Collection[Terminal]) -> bool:
    tag, colon, number = terminal.partition(":")
    if not colon:
        return terminal in bare
    return number in numbers[tag] if tag in numbers else tag.startswith(STRIP)


def _unknown(terminal: Terminal, numbers: _Numbers, bare: Collection[Terminal], problems: Problems) -> str:
    """Why there is no such terminal, and what there is."""
    tag, colon, number = terminal.partition(":")
    if not colon:
        hint = problems.hint(
            terminal, bare, lambda: f"; bare names here are {listed(bare)}, others are TAG:NUMBER"
        )
        return f"{terminal} is neither a supply pole nor the earth{hint}"
    if tag in numbers:
        return f"{tag} has no terminal {quoted(number)}; it has {listed(numbers[tag])}"
    return f"no part has the tag {tag}{problems.hint(tag, numbers, lambda: _tags_like(tag, numbers))}"


def _tags_like(tag: str, numbers: _Numbers) -> str:
    alike = [known for known in numbers if known[0].casefold() == tag[0].casefold()]
    return f"; there are {listed(alike)}" if alike else f"; terminal strips have tags that start with {STRIP}"


def _check_unwired(shape: PanelShape, problems: Problems) -> None:
    wired = {terminal for terminals in shape.wires.values() for terminal in terminals}
    for path, terminal, what in _must_be_wired(shape):
        if terminal not in wired:
            problems.add(path, f"{what} {terminal} is in no wire", key=True)


def _must_be_wired(shape: PanelShape) -> Iterator[tuple[KeyPath, Terminal, str]]:
    for tag, supply in shape.supplies.items():
        yield ("supplies", tag, "positive"), supply.positive, "supply pole"
        yield ("supplies", tag, "negative"), supply.negative, "supply pole"
    if shape.earth:
        yield ("earth",), shape.earth, "earth terminal"
    for tag, relay in shape.relays.items():
        names: dict[KeyPath, str] = {("relays", tag, "coils", name): name for name in relay.coils or ()}
        if relay.coil:
            names[("relays", tag, "coil")] = "A1-A2"
        for path, name in names.items():
            yield from ((path, f"{tag}:{number}", "coil terminal") for number in name.split("-"))
    for tag in shape.loads:
        yield from ((("loads", tag), f"{tag}:{number}", "load terminal") for number in "12")
