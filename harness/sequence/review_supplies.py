"""Review of what a bench measures and sets of the panel's supplies."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from harness.bench.parts import Measure
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
    for measure in loaded.bench.measures:
        yield from _too_coarse(loaded, measure, levels.get(measure.of, {}))
    for setting in loaded.bench.supply_settings:
        path: KeyPath = ("supply", "set", setting.of)
        yield from _unknown(loaded, setting.of, path, key=True)
        for level in levels.get(setting.of, {}).values():
            if not 1 <= round(level / setting.scale_v) <= HIGHEST_COUNT:
                text = f"{level:g} V is {level / setting.scale_v:.4g} counts of {setting.scale_v:g} V; "
                text += f"1 to {HIGHEST_COUNT} fit the register"
                yield loaded.bench_source.problem((*path, "scale"), text)


def _too_coarse(loaded: LoadedSequence, measure: Measure, levels: Mapping[str, float]) -> Iterator[Problem]:
    """One reading may not fit two levels, nor an absent supply: it would prove neither."""
    last_name, last_v, last_off_v = "absent", 0.0, measure.uncertainty
    for name, level_v in sorted(levels.items(), key=lambda item: item[1]):
        off_v = measure.tolerance * level_v + measure.uncertainty
        if level_v == last_v:
            continue
        if level_v - off_v <= last_v + last_off_v:
            text = f"{name}, {level_v:g} V within {off_v:.3g} V, cannot be told from {last_name}, "
            text += f"{last_v:g} V within {last_off_v:.3g} V; "
            text += f"lower 'tolerance' or 'uncertainty' of {measure.name}"
            yield loaded.bench_source.problem(("measures", measure.name), text, key=True)
            return
        last_name, last_v, last_off_v = name, level_v, off_v


def _unknown(loaded: LoadedSequence, tag: str, path: KeyPath, *, key: bool) -> Iterator[Problem]:
    tags = [supply.tag for supply in loaded.panel.supplies]
    if tag not in tags:
        hint = nearest(tag, tags) or f"; supplies are {listed(tags)}"
        text = f"panel {loaded.panel.tag} has no supply {quoted(tag)}{hint}"
        yield loaded.bench_source.problem(path, text, key=key)
