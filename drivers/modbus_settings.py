"""The settings of a Modbus board in a bench file: what each may be, what is wrong, and their values."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from harness.bench.parts import BoardSpec, SettingValue
from harness.units import TIME, parse

Settings = Mapping[str, SettingValue]

# setting: (default, least, most); None: not used unless given. Addresses are those on the wire, from 0
# (MODBUS Application Protocol V1.1b3, 4.4).
UNITS_TCP = (1, 0, 255)  # MODBUS Messaging on TCP/IP V1.0b
UNITS_SERIAL = (1, 1, 247)  # MODBUS over Serial Line V1.02, 2.2; nothing answers the broadcast unit 0
_NUMBERS: dict[str, tuple[int | None, int, int]] = {
    "first output": (0, 0, 65535),
    "first input": (0, 0, 65535),
    "most at once": (None, 1, 2000),
    "watchdog register": (None, 0, 65535),
    "watchdog clear register": (None, 0, 65535),
    "watchdog clear value": (None, 0, 65535),
    "watchdog feed register": (None, 0, 65535),
    "watchdog feed value": (None, 0, 65535),
}
_TIMES = ("watchdog count",)
_WORDS = {"identification": ("yes", "no")}
COMMON = ("unit", *_NUMBERS, *_TIMES, *_WORDS)
_TOGETHER = (
    ("watchdog register", "watchdog count"),
    ("watchdog clear register", "watchdog clear value"),
    ("watchdog feed register", "watchdog feed value"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchdogRegisters:
    """A board's watchdog: its time-out register, what one count is worth, and (register, value) to write."""

    register: int
    count_ns: int
    clear: tuple[int, int] | None
    feed: tuple[int, int] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusSettings:
    """The settings that all Modbus boards have. `most`: channels or registers in one request."""

    unit: int
    first_output: int
    first_input: int
    most: int
    identifies: bool
    watchdog: WatchdogRegisters | None


def problems_of(
    settings: Settings,
    own: Sequence[str],
    units: tuple[int, int, int],
    *,
    numbers: Mapping[str, tuple[int | None, int, int]] | None = None,
    times: Sequence[str] = (),
) -> list[str]:
    """Everything wrong; `own` are the keys of the line, of which it says itself what they may be, but for
    those in `numbers` and `times`."""
    keys = (*own, *COMMON)
    problems = [_unknown(key, keys) for key in settings if key not in keys]
    for key, (_, least, most) in {**(numbers or {}), "unit": units, **_NUMBERS}.items():
        problems += _not_a_number(settings, key, least, most)
    for key in (*times, *_TIMES):
        problems += _not_a_time(settings, key)
    for key, words in _WORDS.items():
        if key in settings and str(settings[key]) not in words:
            problems.append(f"`{key}` is {settings[key]!r}; {' or '.join(words)} is needed")
    return [*problems, *_not_together(settings)]


def channel_problems(spec: BoardSpec) -> list[str]:
    """What is wrong with the numbers of channels, and with a watchdog that the settings do not describe."""
    problems = []
    for what, count in (("output", spec.output_count), ("input", spec.input_count)):
        if count < 0:
            problems.append(f"{count} {what}s; 0 or more are needed")
        elif int(spec.settings.get(f"first {what}", 0)) + count > 0x10000:
            problems.append(f"{count} {what}s from `first {what}` go beyond address 65535")
    return problems + (watchdog_problems(spec.settings) if spec.watchdog else [])


def watchdog_problems(settings: Settings) -> list[str]:
    """Why a board with these settings cannot have its watchdog armed."""
    if "watchdog register" in settings:
        return []
    lacking = "a watchdog is wanted, but the settings lack `watchdog register` and `watchdog count`"
    return [f"{lacking}; take them from the board's manual"]


def values_of(settings: Settings) -> ModbusSettings:
    """The values of settings in which nothing is wrong."""
    return ModbusSettings(
        unit=int(settings.get("unit", UNITS_TCP[0])),
        first_output=int(settings.get("first output", 0)),
        first_input=int(settings.get("first input", 0)),
        most=int(settings.get("most at once", 0xFFFF)),
        identifies=str(settings.get("identification", "yes")) == "yes",
        watchdog=_watchdog(settings),
    )


def time_ns(settings: Settings, key: str) -> int | None:
    """A time, in ns; None when it is not given."""
    return round(parse(str(settings[key]), TIME) * 1e9) if key in settings else None


def _watchdog(settings: Settings) -> WatchdogRegisters | None:
    count_ns = time_ns(settings, "watchdog count")
    if count_ns is None:
        return None
    return WatchdogRegisters(
        register=int(settings["watchdog register"]),
        count_ns=count_ns,
        clear=_written(settings, "watchdog clear"),
        feed=_written(settings, "watchdog feed"),
    )


def _written(settings: Settings, what: str) -> tuple[int, int] | None:
    if f"{what} register" not in settings:
        return None
    return int(settings[f"{what} register"]), int(settings[f"{what} value"])


def _not_a_number(settings: Settings, key: str, least: int, most: int) -> Iterator[str]:
    if key not in settings:
        return
    text = str(settings[key]).strip()
    if not (text.isascii() and text.isdigit() and least <= int(text) <= most):
        yield f"`{key}` is {text!r}; a whole number from {least} to {most} is needed"


def _not_a_time(settings: Settings, key: str) -> Iterator[str]:
    if key not in settings:
        return
    try:
        value_s = parse(str(settings[key]), TIME)
    except ValueError as error:
        yield f"`{key}`: {error}"
        return
    if value_s < 0 or (key in _TIMES and round(value_s * 1e9) == 0):
        yield f"`{key}` is {str(settings[key])!r}; a time above 0 is needed"


def _not_together(settings: Settings) -> Iterator[str]:
    for pair in _TOGETHER:
        for given, missing in (pair, pair[::-1]):
            if given in settings and missing not in settings:
                yield f"`{given}` is given, but not `{missing}`; give both or neither"
    if "watchdog register" not in settings:
        for key in ("watchdog clear register", "watchdog feed register"):
            if key in settings:
                yield f"`{key}` is given, but not `watchdog register`; give that too"


def _unknown(key: str, keys: Sequence[str]) -> str:
    near = get_close_matches(key, keys, n=1)
    hint = f"; did you mean `{near[0]}`?" if near else ""
    return f"no setting `{key}`; allowed: {', '.join(keys)}{hint}"
