"""Review of what a bench measures and sets of the panel's supplies."""

from __future__ import annotations

from collections.abc import Iterator

from harness.errors import Problem
from harness.sequence.files import LoadedSequence
from harness.source import KeyPath
from harness.wording import listed, nearest, quoted

HIGHEST_COUNT = 0xFFFF


def supplies(loaded: LoadedSequence) -> Iterator[Problem]:
    """Measures and settings of supplies that the panel does not have, and levels that no register holds."""
    for measure in loaded.bench.measures:
        if measure.of:
            yield from _unknown(loaded, measure.of, ("measures", measure.name, "of"), key=False)
    levels = {supply.tag: supply.levels for supply in loaded.panel.supplies}
    for setting in loaded.bench.supply_settings:
        path: KeyPath = ("supply", "set", setting.of)
        yield from _unknown(loaded, setting.of, path, key=True)
        for level in levels.get(setting.of, {}).values():
            if not 1 <= round(level / setting.scale_v) <= HIGHEST_COUNT:
                text = f"{level:g} V is {level / setting.scale_v:.4g} counts of {setting.scale_v:g} V; "
                text += f"1 to {HIGHEST_COUNT} fit the register"
                yield loaded.bench_source.problem((*path, "scale"), text)


def _unknown(loaded: LoadedSequence, tag: str, path: KeyPath, *, key: bool) -> Iterator[Problem]:
    tags = [supply.tag for supply in loaded.panel.supplies]
    if tag not in tags:
        hint = nearest(tag, tags) or f"; supplies are {listed(tags)}"
        text = f"panel {loaded.panel.tag} has no supply {quoted(tag)}{hint}"
        yield loaded.bench_source.problem(path, text, key=key)
