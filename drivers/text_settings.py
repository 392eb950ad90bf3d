"""The settings of a text-line board: its commands and replies as templates, and what their words mean.

Without any template a board speaks the language of the simulated one (`DEFAULTS`, below). As soon as the
bench file gives one template, only those that it gives are used: a command that the board's maker never
thought of must not reach it. A command without a reply is sent and then read back, where the board can; a
question without one is refused here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from difflib import get_close_matches

from drivers.serial_port import DATA_BITS, SERIAL_KEYS, check_serial_settings
from drivers.text_template import Field, Number, Template, Word, Words, may_be_same, parse
from harness.bench.parts import SettingValue
from harness.units import TIME
from harness.units import parse as parse_quantity
from harness.wording import either, nearest_name, quoted

Settings = Mapping[str, SettingValue]

# template: (placeholders that it may have, and groups of them, of each of which it must have one). A command
# without {state} would mean "the other way", and undo itself when sent twice: so no such thing can be said.
_TIME = ("milliseconds", "seconds")
_IDENTITY = ("maker", "product", "revision")
_TEMPLATES: dict[str, tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]] = {
    "write all": (("unit", "image"), (("image",),)),
    "write one": (("unit", "channel", "state"), (("channel",), ("state",))),
    "write reply": (("unit", "image", "channel", "state"), ()),
    "read outputs": (("unit",), ()),
    "outputs reply": (("unit", "image"), (("image",),)),
    "read inputs": (("unit",), ()),
    "inputs reply": (("unit", "image"), (("image",),)),
    "read one input": (("unit", "channel"), (("channel",),)),
    "one input reply": (("unit", "channel", "state"), (("state",),)),
    "identify": (("unit",), ()),
    "identify reply": (("unit", *_IDENTITY), ()),
    "arm watchdog": (("unit", *_TIME), (_TIME,)),
    "arm reply": (("unit", *_TIME), ()),
    "ask watchdog": (("unit",), ()),
    "watchdog reply": (("unit", *_TIME), (_TIME,)),
    "feed watchdog": (("unit",), ()),
    "feed reply": (("unit",), ()),
}
REPLIES = {
    "write all": "write reply",
    "write one": "write reply",
    "read outputs": "outputs reply",
    "read inputs": "inputs reply",
    "read one input": "one input reply",
    "identify": "identify reply",
    "arm watchdog": "arm reply",
    "ask watchdog": "watchdog reply",
    "feed watchdog": "feed reply",
}
READING = ("identify", "read outputs", "read inputs", "read one input", "ask watchdog")
DEFAULTS = {
    "write all": "SWITCH {unit} {image}",
    "write reply": "SWITCHED {unit} {image}",
    "read outputs": "READ OUTPUTS {unit}",
    "outputs reply": "OUTPUTS {unit} {image}",
    "read inputs": "READ INPUTS {unit}",
    "inputs reply": "INPUTS {unit} {image}",
    "identify": "IDENTIFY {unit}",
    "identify reply": "BOARD {unit} {maker} / {product} / {revision}",
    "arm watchdog": "ARM WATCHDOG {unit} {milliseconds}",
    "arm reply": "ARMED WATCHDOG {unit} {milliseconds}",
    "ask watchdog": "READ WATCHDOG {unit}",
    "watchdog reply": "WATCHDOG {unit} {milliseconds}",
}
REFUSAL = "NOT UNDERSTOOD"
LINE_ENDS = {"CR": b"\r", "LF": b"\n", "CRLF": b"\r\n"}
_BASES = {"binary": 2, "decimal": 10, "hexadecimal": 16}
_WORDS = {
    "image base": ("hexadecimal", "binary", "decimal"),
    "letters": ("upper", "lower"),
    "first channel": ("right", "left"),
    "line end": ("LF", "CR", "CRLF"),
    "echo": ("false", "true"),
    "read twice": ("true", "false"),
}  # the first is the default
_NUMBERS = {"unit": (1, 0, 65535), "first output": (0, 0, 65535), "first input": (0, 0, 65535)}
_DIGITS = ("image digits", "input digits", "channel digits", "unit digits")
_MOST_DIGITS = 500
_STATES = {"on word": "ON", "off word": "OFF"}
_TIMES = {"quiet": "50 ms", "write time": "20 ms", "soonest answer": ""}
_TEXTS = ("prompt", "refusal")
_SERIAL = (*SERIAL_KEYS, DATA_BITS)
KEYS = (*_SERIAL, *_NUMBERS, *_TEMPLATES, *_TEXTS, *_WORDS, *_DIGITS, *_STATES, *_TIMES)
_TOGETHER = (("write all", "write one"), ("read inputs", "read one input"))


@dataclass(frozen=True, slots=True, kw_only=True)
class TextRules:
    """The settings of one board as values. `templates` by their key; times in ns.

    `soonest_ns`: no answer comes sooner after its question; None: what the characters take on the wire.
    """

    unit: int
    first_output: int
    first_input: int
    templates: dict[str, Template]
    refusal: Template
    line_end: bytes
    prompt: bytes
    echo: bool
    twice: bool
    quiet_ns: int
    write_ns: int
    soonest_ns: int | None


def problems_of(settings: Settings) -> list[str]:
    """Everything wrong with the settings, each with its key in backticks and what is allowed."""
    serial = {key: value for key, value in settings.items() if key in _SERIAL}
    problems = [_unknown(key) for key in settings if key not in KEYS] + check_serial_settings(serial)
    return [*problems, *talk_problems(settings)]


def talk_problems(settings: Settings) -> list[str]:
    """Everything wrong with what is said, whatever line it is said on."""
    problems = [*_wrong_values(settings)]
    return (
        problems
        or [*_wrong_templates(settings)]
        or [*_wrong_together(settings)]
        or [*_wrong_answers(settings)]
    )


def rules_of(settings: Settings, outputs: int, inputs: int) -> TextRules:
    """The values of settings in which nothing is wrong, for so many channels."""
    word = {key: _word(settings, key) for key in _WORDS}
    numbers = {key: int(settings.get(key, _NUMBERS[key][0])) for key in _NUMBERS}
    times = {key: str(settings.get(key, default)) for key, default in _TIMES.items()}
    soonest = times["soonest answer"]
    return TextRules(
        unit=numbers["unit"],
        first_output=numbers["first output"],
        first_input=numbers["first input"],
        templates={
            key: parse(text, _fields(key, settings, outputs, inputs))
            for key, text in _texts(settings).items()
        },
        refusal=parse(str(settings.get("refusal", REFUSAL)), {"reason": Words()}),
        line_end=LINE_ENDS[word["line end"]],
        prompt=str(settings.get("prompt", "")).encode("ascii"),
        echo=word["echo"] == "true",
        twice=word["read twice"] == "true",
        quiet_ns=_ns(times["quiet"]),
        write_ns=_ns(times["write time"]),
        soonest_ns=_ns(soonest) if soonest else None,
    )


def channel_problems(settings: Settings, outputs: int, inputs: int) -> list[str]:
    """What is wrong with settings, in which nothing else is, for so many channels."""
    have, problems = _texts(settings), []
    rows = (
        ("output", outputs, ("write all", "write one"), "image digits"),
        ("input", inputs, ("read inputs", "read one input"), "input digits"),
    )
    for what, count, keys, digits in rows:
        if count and not any(key in have for key in keys):
            problems.append(f"it has {count} {what}s, but its settings lack `{keys[0]}` or `{keys[1]}`")
        given = settings.get(digits, settings.get("image digits"))
        need = _digits_needed(settings, count)
        if given is not None and 0 < int(given) < need:
            key = digits if digits in settings else "image digits"
            problems.append(f"`{key}` is {given}; {count} {what}s need {need}")
    return problems or [*_wrong_answers(settings, outputs, inputs)]


def commands_of_any_unit(settings: Settings, outputs: int, inputs: int) -> list[Template]:
    """The command templates that name a unit, for whichever; without those whose unit could not be told."""
    unit = Number(10, int(settings.get("unit digits", 0)))
    found = []
    for key, text in _texts(settings).items():
        with suppress(ValueError):
            template = parse(text, _fields(key, settings, outputs, inputs) | {"unit": unit})
            if key in REPLIES and "unit" in template.names:
                found.append(template)
    return found


def given_templates(settings: Settings) -> bool:
    """Whether the bench file describes a language of its own."""
    return any(key in settings for key in _TEMPLATES)


def _texts(settings: Settings) -> dict[str, str]:
    if not given_templates(settings):
        return DEFAULTS
    return {key: str(settings[key]) for key in _TEMPLATES if key in settings}


def _fields(key: str, settings: Settings, outputs: int, inputs: int) -> dict[str, Field | str]:
    """What each placeholder of the template `key` stands for."""
    number = Number(10, int(settings.get("unit digits", 0)))
    unit = number.write(int(settings.get("unit", _NUMBERS["unit"][0])))
    count = inputs if key == "inputs reply" else outputs
    digits = settings.get("image digits")
    if key == "inputs reply":
        digits = settings.get("input digits", digits)
    image = Number(
        _BASES[_word(settings, "image base")],
        _digits_needed(settings, count) if digits is None else int(digits),
        _word(settings, "letters") == "upper",
        _word(settings, "first channel") == "left",
    )
    on, off = (str(settings.get(word, default)) for word, default in _STATES.items())
    every: dict[str, Field | str] = {
        "unit": unit,
        "image": image,
        "channel": Number(10, int(settings.get("channel digits", 0))),
        "state": Word(on, off),
        **dict.fromkeys(_TIME, Number()),
        **dict.fromkeys(_IDENTITY, Words()),
    }
    return {name: every[name] for name in _TEMPLATES[key][0]}


def _digits_needed(settings: Settings, count: int) -> int:
    return len(Number(_BASES[_word(settings, "image base")]).write((1 << max(count, 1)) - 1))


def _word(settings: Settings, key: str) -> str:
    value = settings.get(key, _WORDS[key][0])
    return str(value).lower() if isinstance(value, bool) else str(value)


def _ns(text: str) -> int:
    return round(parse_quantity(text, TIME) * 1e9)


def _unknown(key: str) -> str:
    near = get_close_matches(key, KEYS, n=1)
    hint = f"; did you mean `{near[0]}`?" if near else ""
    return f"no setting `{key}`; allowed: {', '.join(KEYS)}{hint}"


def _wrong_values(settings: Settings) -> Iterator[str]:
    for key, (_, least, most) in (_NUMBERS | dict.fromkeys(_DIGITS, (0, 0, _MOST_DIGITS))).items():
        text = str(settings.get(key, least)).strip()
        if not (text.isascii() and text.isdigit() and len(text) < 9 and least <= int(text) <= most):
            yield f"`{key}` is {quoted(text)}; a whole number from {least} to {most} is needed"
    for key, words in _WORDS.items():
        if _word(settings, key) not in words:
            near = nearest_name(_word(settings, key), words)
            hint = f"; did you mean {near}?" if near else ""
            yield f"`{key}` is {quoted(str(settings[key]))}; {either(words)} is needed{hint}"
    for key in _TIMES:
        yield from _wrong_time(settings, key)
    for key in (*_STATES, "prompt"):
        yield from _wrong_text(settings, key)


def _wrong_time(settings: Settings, key: str) -> Iterator[str]:
    try:
        value_s = parse_quantity(str(settings.get(key, "0 s")), TIME)
    except ValueError as error:
        yield f"`{key}`: {error}"
        return
    if not 0 <= value_s <= 60:
        yield f"`{key}` is {str(settings[key])!r}; 0 s to 60 s are allowed"


def _wrong_text(settings: Settings, key: str) -> Iterator[str]:
    text = str(settings.get(key, "-"))
    if not (0 < len(text) <= 40 and all(" " <= character <= "~" for character in text)):
        yield f"`{key}` is {quoted(text)}; 1 to 40 characters of printable ASCII are allowed"


def _wrong_templates(settings: Settings) -> Iterator[str]:
    for key, text in _texts(settings).items():
        try:
            template = parse(text, _fields(key, settings, 1, 1))
        except ValueError as error:
            yield f"`{key}` {error}"
            continue
        for needed in _TEMPLATES[key][1]:
            if template.names.isdisjoint(needed):
                yield f"`{key}` lacks {either([f'{{{name}}}' for name in needed])}; it is of no use without"
        if template.names.issuperset(_TIME):
            yield f"`{key}` has both {{milliseconds}} and {{seconds}}; use one of them"
    try:
        parse(str(settings.get("refusal", REFUSAL)), {"reason": Words()})
    except ValueError as error:
        yield f"`refusal` {error}"


def _wrong_together(settings: Settings) -> Iterator[str]:
    """What is wrong between settings each of which is right."""
    on, off = (str(settings.get(word, default)) for word, default in _STATES.items())
    if on.startswith(off) or off.startswith(on):
        yield f"`on word` {on!r} and `off word` {off!r}: neither may begin with the other"
    if _word(settings, "first channel") == "left" and _word(settings, "image base") != "binary":
        yield "`first channel` left goes with `image base` binary only"
    have = _texts(settings)
    for one, other in _TOGETHER:
        if one in have and other in have:
            yield f"`{one}` and `{other}` are both given; give the one that the board is to be used with"
    yield from _wrong_pairs(have)


def _wrong_pairs(have: Mapping[str, str]) -> Iterator[str]:
    """Questions without answers, and answers without questions."""
    for question, reply in REPLIES.items():
        if question in have and reply not in have and question in READING:
            yield f"`{question}` is given, but not `{reply}`; give both or neither"
    for reply in dict.fromkeys(REPLIES.values()):
        if reply in have and not any(question in have for question, its in REPLIES.items() if its == reply):
            yield f"`{reply}` is given, but nothing that it answers"
    if "arm watchdog" in have and "ask watchdog" not in have:
        yield "`arm watchdog` is given, but not `ask watchdog`; what cannot be read back is not armed"
    for key in ("ask watchdog", "feed watchdog"):
        if key in have and "arm watchdog" not in have:
            yield f"`{key}` is given, but not `arm watchdog`"
    foreign, command = (
        (("image",), "write one") if "write one" in have else (("channel", "state"), "write all")
    )
    for name in foreign:
        if f"{{{name}}}" in have.get("write reply", ""):
            yield f"`write reply` has {{{name}}}, which `{command}` has not"


def _wrong_answers(settings: Settings, outputs: int = 1, inputs: int = 1) -> Iterator[str]:
    """Replies that could be taken for something else."""
    rules = rules_of(settings, outputs, inputs)
    for question, reply in REPLIES.items():
        answer, command = rules.templates.get(reply), rules.templates.get(question)
        if answer is None or command is None:
            continue
        if _may_be_refusal(answer, rules.refusal):
            yield f"`refusal` could be taken for `{reply}`; correct one of them"
        if question in READING and _may_be_echo(answer, command):
            yield f"`{reply}` could be the command `{question}` itself, sent back; correct one of them"


def _may_be_refusal(answer: Template, refusal: Template) -> bool:
    return may_be_same(answer, refusal) if refusal.names else answer.read(refusal.write({})) is not None


def _may_be_echo(answer: Template, command: Template) -> bool:
    return any(answer.read(command.write({"channel": channel})) is not None for channel in range(32))
