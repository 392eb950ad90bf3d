"""Review of what a bench leaves out: contacts not imitated, states not observed, names that nothing has."""

from __future__ import annotations

from collections.abc import Iterator

from harness.errors import Problem
from harness.sequence.files import LoadedSequence
from harness.sequence.reached import expected_tags, positions_reached
from harness.source import KeyPath
from harness.wording import nearest, quoted


def unmapped(loaded: LoadedSequence) -> Iterator[Problem]:
    """Contacts that nothing imitates, loads that nothing watches, states that nothing observes.

    Where a channel names what the panel does not have, that is the problem; what it leaves out is not told.
    """
    contacts = {(device.tag, contact.name) for device in loaded.panel.devices for contact in device.contacts}
    if all(output.imitates in contacts for output in loaded.bench.outputs):
        yield from _contacts(loaded)
    yield from _hand_moved(loaded)
    observed = {channel.watches for channel in loaded.bench.inputs}
    if observed <= set(loaded.panel.outputs):
        yield from _unwatched(loaded, observed)


def _unwatched(loaded: LoadedSequence, observed: set[str]) -> Iterator[Problem]:
    for load in loaded.panel.loads:
        if load.tag not in observed:
            message = f"no input watches load {load.tag}; map one to it"
            yield loaded.bench_source.problem(("inputs",), message, key=True)
    for tag, path in expected_tags(loaded.sequence).items():
        if tag not in observed and tag in loaded.panel.outputs:
            yield _unobserved(loaded, tag, path)


def _contacts(loaded: LoadedSequence) -> Iterator[Problem]:
    imitated = {output.imitates for output in loaded.bench.outputs}
    for device in loaded.panel.devices:
        if device.inside or device.tag in loaded.bench.hand_set:
            continue
        for contact in device.contacts:
            if (device.tag, contact.name) not in imitated:
                message = (
                    f"no output imitates {device.tag}.{contact.name}; map one to it, or list {device.tag} "
                )
                yield loaded.bench_source.problem(("outputs",), message + "under 'hand'", key=True)


def _hand_moved(loaded: LoadedSequence) -> Iterator[Problem]:
    """Breakers and supplies that the sequence moves have to be set by a person."""
    by_hand = {device.tag for device in loaded.panel.devices if device.inside}
    by_hand |= {supply.tag for supply in loaded.panel.supplies}
    by_hand -= set(loaded.bench.hand_set)
    rest = loaded.panel.rest
    seen: set[str] = set()
    for positions, path in positions_reached(loaded.sequence):
        for tag in sorted(by_hand - seen):
            if positions[tag] != rest[tag]:
                seen.add(tag)
                line = loaded.source.place(path)[0]
                message = (
                    f"the sequence sets {tag} to {positions[tag]} (line {line} of {loaded.source.name}), "
                )
                message += f"and no board can; list {tag} under 'hand'"
                yield loaded.bench_source.problem(("hand",), message, key=True)


def _unobserved(loaded: LoadedSequence, tag: str, path: KeyPath) -> Problem:
    message = f"nothing observes {tag}; map an input to it, or take it out of "
    if loaded.table is not None and tag in loaded.table.columns:
        return Problem(loaded.table.name, *loaded.table.columns[tag], message + "the table")
    return loaded.source.problem(path, message + "what is expected")


def misnamed(loaded: LoadedSequence) -> Iterator[Problem]:
    """Tags in the bench file's own rules that the panel does not have."""
    places, source = loaded.panel.positions, loaded.bench_source
    by_register = {setting.of for setting in loaded.bench.supply_settings}
    for index, tag in enumerate(loaded.bench.hand_set):
        if tag not in places and tag not in by_register:
            message = f"panel {loaded.panel.tag} has no device, breaker or supply {quoted(tag)}"
            yield source.problem(("hand", index), message + nearest(tag, places))
    for index, combination in enumerate(loaded.bench.forbidden):
        for tag, position in combination.items():
            path: KeyPath = ("forbidden", index, tag)
            if tag not in places:
                message = f"panel {loaded.panel.tag} has no device, breaker or supply {quoted(tag)}"
                yield source.problem(path, message + nearest(tag, places), key=True)
            elif position not in places[tag]:
                message = f"{tag} has no position {quoted(position)}; it has {', '.join(places[tag])}"
                yield source.problem(path, message)
    for tag in loaded.bench.longest_on_s:
        if tag not in loaded.panel.outputs:
            message = f"panel {loaded.panel.tag} has no relay or load {quoted(tag)}"
            yield source.problem(("longest on", tag), message + nearest(tag, loaded.panel.outputs), key=True)
