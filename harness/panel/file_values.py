"""Are the values of a panel file possible: kinds, voltages, times, names of positions."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from harness.models import Problems
from harness.panel.armature import decay_s, rise_s
from harness.panel.file_shape import CoilShape, LoadShape, PanelShape, RelayShape, coil_of, ways_to_stop
from harness.source import KeyPath
from harness.units import TIME, VOLTAGE, show
from harness.wording import either, listed, quoted

# EN 50005: the last digit of a contact number says what the terminal is. 5 to 8 are contacts of time-delay
# relays. From memory of the standard, not checked against its text.
_FUNCTIONS = {
    "make": (("3", "4"), ("7", "8")),
    "break": (("1", "2"), ("5", "6")),
    "change-over": (("1", "2", "4"), ("5", "6", "8")),
}
_LIKE = {"make": "13-14", "break": "21-22", "change-over": "31-32-34"}
_DELAYED = ("delayed pick-up", "delayed drop-out")


def check_values(shape: PanelShape, problems: Problems, broken: Collection[str] = ()) -> None:
    """Add every impossible value to `problems`; whoever names a `broken` part is not blamed."""
    _check_supplies(shape, problems)
    _check_positions(shape, problems)
    nominal = [supply.nominal for supply in shape.supplies.values()]
    for path, coil in _coils(shape):
        _check_coil(path, coil, max(nominal), problems)
    for tag, relay in shape.relays.items():
        path = ("relays", tag)
        _check_kind(path, relay, problems)
        _check_reset(path, relay, shape, problems, broken)
        _check_numbers(path, relay, problems)
        _check_gap(path, relay, problems)
        _check_times(path, relay, nominal, problems)
    _check_loads(shape, problems)
    _check_stopped(shape, problems, broken)


def _check_supplies(shape: PanelShape, problems: Problems) -> None:
    for tag, supply in shape.supplies.items():
        low, high = supply.range
        if not low <= supply.nominal <= high:
            text = f"nominal {show(supply.nominal, VOLTAGE)} lies outside the range of {tag}, "
            text += f"{show(low, VOLTAGE)} to {show(high, VOLTAGE)}"
            problems.add(("supplies", tag, "nominal"), text)


def _check_positions(shape: PanelShape, problems: Problems) -> None:
    for tag, device in shape.devices.items():
        for name, contact in device.contacts.items():
            path: KeyPath = ("devices", tag, "contacts", name, "closed in")
            _check_names(path, contact.closed_in, device.positions, tag, problems)


def _check_names(
    path: KeyPath, names: tuple[str, ...], positions: tuple[str, ...], tag: str, problems: Problems
) -> None:
    known = frozenset(positions)
    for index, name in enumerate(names):
        if name not in known:
            hint = problems.hint(name, positions, lambda: f"; it has {listed(positions)}")
            problems.add((*path, index), f"{tag} has no position {quoted(name)}{hint}")


def _coils(shape: PanelShape) -> Iterator[tuple[KeyPath, CoilShape | LoadShape]]:
    for tag, relay in shape.relays.items():
        if relay.coil:
            yield ("relays", tag, "coil"), relay.coil
        yield from ((("relays", tag, "coils", name), coil) for name, coil in (relay.coils or {}).items())
    yield from ((("loads", tag), load) for tag, load in shape.loads.items())


def _check_coil(path: KeyPath, coil: CoilShape | LoadShape, nominal: float, problems: Problems) -> None:
    pick_up, drop_out = show(coil.pick_up, VOLTAGE), show(coil.drop_out, VOLTAGE)
    if coil.drop_out >= coil.pick_up:
        text = f"drop-out {drop_out} is not below pick-up {pick_up}"
        problems.add((*path, "drop-out"), text)
    if coil.pick_up >= nominal:
        text = (
            f"pick-up {pick_up} is not below the nominal supply, {show(nominal, VOLTAGE)}; it never picks up"
        )
        problems.add((*path, "pick-up"), text)


def _check_kind(path: KeyPath, relay: RelayShape, problems: Problems) -> None:
    if relay.kind == "latching":
        _check_latching(path, relay, problems)
    else:
        if relay.coils is not None:
            text = f"a {relay.kind} relay has one coil; write 'coil', or 'kind: latching' for two"
            problems.add((*path, "coils"), text, key=True)
        if relay.coil is None:
            problems.add(path, f"'coil' is missing in {path[-1]}", key=True)
    if relay.kind in _DELAYED and relay.delay is None:
        problems.add(path, f"'delay' is missing in {path[-1]}; a {relay.kind} relay has one", key=True)
    if relay.kind not in _DELAYED and relay.delay is not None:
        text = f"a {relay.kind} relay has no delay; expected kind {either(_DELAYED)}"
        problems.add((*path, "delay"), text, key=True)


def _check_latching(path: KeyPath, relay: RelayShape, problems: Problems) -> None:
    if relay.coil is not None:
        text = "a latching relay has two coils; write 'coils: {A1-A2: {...set...}, B1-B2: {...reset...}}'"
        problems.add((*path, "coil"), text, key=True)
    elif relay.coils is None:
        problems.add(
            path, f"'coils' is missing in {path[-1]}; a latching relay has two, set and reset", key=True
        )
    elif len(relay.coils) != 2:
        text = f"found {len(relay.coils)} coils; a latching relay has two, set and reset"
        problems.add((*path, "coils"), text, key=True)


def _check_reset(
    path: KeyPath, relay: RelayShape, shape: PanelShape, problems: Problems, broken: Collection[str]
) -> None:
    at: KeyPath = (*path, "reset by")
    if relay.kind != "hand-reset":
        if relay.reset_by is not None:
            text = f"a {relay.kind} relay is not reset by hand; expected kind hand-reset"
            problems.add(at, text, key=True)
        return
    if not relay.reset_by or len(relay.reset_by) != 1:
        text = "a hand-reset relay is reset by one device; expected such as 'reset by: {S9: [pressed]}'"
        problems.add(at, text, key=True)
        return
    (tag, names), *_ = relay.reset_by.items()
    if tag in broken:
        return
    if tag not in shape.devices:
        hint = problems.hint(tag, shape.devices, lambda: f"; devices are {listed(shape.devices)}")
        problems.add((*at, tag), f"no device has the tag {tag}{hint}", key=True)
        return
    _check_names((*at, tag), names, shape.devices[tag].positions, tag, problems)


def _check_numbers(path: KeyPath, relay: RelayShape, problems: Problems) -> None:
    """Two-digit numbers must follow EN 50005; contacts of devices and other numbers are not judged."""
    for name, kind in relay.contacts.items():
        numbers = name.split("-")
        at: KeyPath = (*path, "contacts", name)
        count = 3 if kind == "change-over" else 2
        if len(numbers) != count:
            text = f"a {kind} contact has {count} terminals such as {_LIKE[kind]}; {name} has {len(numbers)}"
            problems.add(at, text, key=True)
        elif all(number.isdecimal() and len(number) == 2 for number in numbers):
            _check_digits(at, name, kind, problems)


def _check_digits(at: KeyPath, name: str, kind: str, problems: Problems) -> None:
    numbers = name.split("-")
    digits = tuple(number[1] for number in numbers)
    if digits not in _FUNCTIONS[kind]:
        fitting = [other for other, all_digits in _FUNCTIONS.items() if digits in all_digits]
        said = f"numbers of a {fitting[0]} contact" if fitting else "numbers of no contact"
        text = f"{name} are {said} by EN 50005; a {kind} contact is numbered such as {_LIKE[kind]}"
        problems.add(at, text, key=True)
    elif len({number[0] for number in numbers}) > 1:
        text = f"{name} are numbers of different contacts by EN 50005; the first digits must be equal"
        problems.add(at, text, key=True)


def _check_gap(path: KeyPath, relay: RelayShape, problems: Problems) -> None:
    for key in ("operate", "release"):
        shortest = getattr(relay, key)[0]
        if relay.gap > shortest:
            text = (
                f"gap {show(relay.gap, TIME)} is longer than the shortest {key} time, {show(shortest, TIME)}"
            )
            problems.add((*path, "gap"), text)


def _check_times(path: KeyPath, relay: RelayShape, nominal: list[float], problems: Problems) -> None:
    """Stated times cannot be shorter than what the coil alone takes at nominal supply and 20 C.

    Which supply feeds a coil is not asked here: the one that gives the coil the shortest time decides.
    """
    shapes = [relay.coil] if relay.coil else list((relay.coils or {}).values())
    coils = [coil_of(("", ""), coil) for coil in shapes if coil.drop_out < coil.pick_up < max(nominal)]
    if not coils or len(coils) != len(shapes):
        return
    pick_up, drop_out = "to reach pick-up", "to fall to drop-out"
    _check_time(path, relay, "operate", (rise_s(coils[0], max(nominal)), pick_up), problems)
    if relay.kind == "latching":
        _check_time(path, relay, "release", (rise_s(coils[-1], max(nominal)), pick_up), problems)
    elif relay.kind != "hand-reset":
        lowest = min(volts for volts in nominal if volts > coils[0].pick_up_v)
        _check_time(path, relay, "release", (decay_s(coils[0], lowest), drop_out), problems)


def _check_time(
    path: KeyPath, relay: RelayShape, key: str, coil: tuple[float, str], problems: Problems
) -> None:
    shortest = getattr(relay, key)[0]
    coil_s, what = coil
    if shortest < coil_s:
        text = (
            f"shortest {key} time {show(shortest, TIME)} is less than the {show(coil_s, TIME, 3)} that the "
        )
        text += f"coil's current alone takes {what} at nominal supply; check time, resistance and inductance"
        problems.add((*path, key), text)


def _check_loads(shape: PanelShape, problems: Problems) -> None:
    for tag, load in shape.loads.items():
        if load.kind != "lamp" and load.inductance == 0:
            problems.add(("loads", tag), f"'inductance' is missing in {tag}; a {load.kind} has one", key=True)


def _check_stopped(shape: PanelShape, problems: Problems, broken: Collection[str]) -> None:
    outputs = dict.fromkeys([*shape.relays, *shape.loads])
    for path, way in ways_to_stop(shape):
        for tag in way:
            if tag not in outputs and tag not in broken:
                hint = problems.hint(tag, outputs, lambda: f"; outputs are {listed(outputs)}")
                problems.add((*path, tag), f"no relay or load has the tag {tag}{hint}", key=True)
