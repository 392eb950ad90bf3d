"""States against patterns of states: does a row show a stop, does it rule a stop out, and how it is said.

What "the engine is stopped" means for a panel is one pattern, or several where there are several ways to
stop; any one of them is a stop (a clutch coil without feed, or a stabilising coil with feed). A state is a
running state only when it rules every one of them out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

Pattern = Mapping[str, bool]


def states_match(states: Pattern, pattern: Pattern) -> bool:
    """Whether `states` states everything that a pattern, not empty, asks for."""
    return bool(pattern) and all(states.get(tag) is on for tag, on in pattern.items())


def states_differ(states: Pattern, pattern: Pattern) -> bool:
    """Whether `states` states something that rules a pattern out."""
    return any(states.get(tag, on) is not on for tag, on in pattern.items())


def states_words(states: Pattern) -> str:
    """`Y4 on and Y1 off`: states as a person says them."""
    return " and ".join(f"{tag} {'on' if on else 'off'}" for tag, on in states.items())


def shows_stop(states: Pattern, stopped: Sequence[Pattern]) -> bool:
    """Whether `states` states all of one way to stop."""
    return any(states_match(states, way) for way in stopped)


def rules_out_stop(states: Pattern, stopped: Sequence[Pattern]) -> bool:
    """Whether `states` states something against every way to stop; silence on one of them is not enough."""
    return all(states_differ(states, way) for way in stopped)


def stop_words(stopped: Sequence[Pattern]) -> str:
    """`Y1 off, or Y2 on`: the ways to stop as a person says them."""
    return ", or ".join(states_words(way) for way in stopped)
