"""The run as it happens: a live step list and lamps on a terminal, plain lines on a pipe or with NO_COLOR."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from typing import TYPE_CHECKING, Any, Protocol, Self, TextIO

from harness.bench.hands import HAND
from harness.cli.colour import coloured
from harness.cli.result import NOTICE, late_words
from harness.measure.reading import Reading, Verdict
from harness.run.events import (
    Asked,
    BoardFound,
    Broken,
    ClockStepped,
    Event,
    Exchanged,
    MadeSafe,
    Moved,
    Progress,
    RunStarted,
    StepEnded,
    StepStarted,
    WatchdogProved,
)
from harness.wording import listed

if TYPE_CHECKING:
    from rich.console import RenderableType

_STYLES = {
    Verdict.PASS: "bold green",
    Verdict.INCONCLUSIVE: "bold yellow",
    Verdict.FAIL: "bold red",
    Verdict.ERROR: "bold red",
}


class Screen(Protocol):
    """Shows events. `live`: it wants progress between steps."""

    live: bool

    def show(self, event: Event) -> None: ...

    def quiet(self) -> AbstractContextManager[None]: ...

    def __enter__(self) -> Self: ...

    def __exit__(self, *error: object) -> None: ...


def make_screen(out: TextIO, err: TextIO, *, json: bool) -> Screen:
    """Live on a terminal, else plain lines; with --json nothing but JSON goes to standard output."""
    if json:
        return Plain(err)
    return Live(out) if coloured(out) else Plain(out)


class Plain:
    """One line an event that a person cares about."""

    live = False

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self._stream.flush()

    def quiet(self) -> AbstractContextManager[None]:
        """Plain lines never write over a question."""
        return nullcontext()

    def show(self, event: Event) -> None:
        """Print the event, if it is one to print."""
        for line in lines_of(event):
            print(line, file=self._stream, flush=True)


def lines_of(event: Event) -> list[str]:
    """The plain lines of an event; none for most."""
    lines: list[str] = []
    match event:
        case RunStarted():
            lines = head(event)
        case BoardFound():
            hand = " (sets what a person sets on a real bench)" if event.board == HAND else ""
            lines = [f"board {event.board}: {_identity(event)}{hand}"]
            lines += [f"board {event.board}: {remark}" for remark in event.remarks]
        case WatchdogProved():
            lines = [f"board {event.board}: watchdog {event.text}, off within {event.off_within_ms} ms"]
        case StepEnded():
            verdict = str(event.verdict).upper() if event.verdict else "pass"
            lines = [f"{verdict:<12} {event.title}{remark(event)}"]
        case Broken() | Exchanged() | ClockStepped():
            lines = [event.text]
        case Asked():
            lines = [f"{event.request}: {event.answer}"]
        case MadeSafe():
            lines = [event.text if not event.proved else f"safe: {event.text}"]
    return lines


def head(event: RunStarted) -> list[str]:
    """Who, what, on what, and whether it is real."""
    source = {"table": "a hand-written truth table", "panel": "the panel's own circuit"}[event.expected_from]
    modifications = f" with modifications {', '.join(event.modifications)}" if event.modifications else ""
    serial = f", serial {event.panel_serial}" if event.panel_serial else ""
    lines = [NOTICE] if event.simulated else []
    lines += [
        f"{event.panel}{serial}, diagram {event.diagram} revision {event.revision}{modifications}",
        f"{event.title}: {len(event.steps)} steps and row 0, expected states from {source}",
        f"bench {event.bench}{', virtual time, no wire' if event.virtual_time else ''}",
    ]
    return lines + [f"seeded fault: {name}" for name in event.faults]


def _identity(event: BoardFound) -> str:
    said = " ".join(filter(None, (event.maker, event.product, event.revision)))
    return f"{said or 'does not say what it is'} (driver {event.driver})"


def remark(event: StepEnded) -> str:
    """What to know of a judged step in half a line: the worst reading, or the times."""
    bad = [r for r in event.readings if r.verdict is not Verdict.PASS]
    if bad:
        return f" - {_brief(bad[0])}{_others(bad)}"
    if event.note:
        return f" - {event.note}"
    times = [r for r in event.readings if r.quantity == "time" and r.low_us is not None]
    return f" - {_spread(times)}" if times else ""


def _others(bad: list[Reading]) -> str:
    """What else was wrong, by tag: a stop coil must not hide behind the relays that come before it."""
    tags = list(dict.fromkeys(reading.of for reading in bad if reading.of != bad[0].of))
    if tags:
        return f"; also {listed(tags, most=6)}"
    return f" and {len(bad) - 1} more" if len(bad) > 1 else ""


def _brief(reading: Reading) -> str:
    late = f", {late_words(reading)}" if reading.late_us is not None else ""
    if late and reading.expected == reading.read:
        return f"{reading.of} {reading.read}{late}"
    return f"{reading.of} expected {reading.expected}, read {reading.read}{late}"


def _spread(times: list[Reading]) -> str:
    low = min(r.low_us for r in times if r.low_us is not None) / 1e3
    high = max(r.high_us for r in times if r.high_us is not None) / 1e3
    return f"{times[0].of} in {low:.1f} to {high:.1f} ms, {times[0].expected}"


class Live:
    """Finished steps scroll up; below them the step at work, its progress and the lamps."""

    live = True

    def __init__(self, stream: TextIO) -> None:
        from rich.console import Console
        from rich.live import Live as RichLive

        self._console = Console(file=stream, highlight=False)
        self._live = RichLive(console=self._console, refresh_per_second=10, transient=True)
        self._step: StepStarted | None = None
        self._progress: Progress | None = None
        self._started: RunStarted | None = None
        self._positions: dict[str, str] = {}
        self._failed = 0

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._live.stop()

    @contextmanager
    def quiet(self) -> Iterator[None]:
        """The live part leaves the screen while a person is asked."""
        self._live.stop()
        try:
            yield
        finally:
            self._live.start()

    def show(self, event: Event) -> None:
        """Update the screen."""
        match event:
            case RunStarted():
                self._started = event
            case StepStarted():
                self._step, self._progress = event, None
            case Progress():
                self._progress = event
            case Moved():
                self._positions |= event.positions
            case StepEnded():
                self._failed += event.verdict is Verdict.FAIL
        self._print(event)
        self._live.update(self._below())

    def _print(self, event: Event) -> None:
        plain = isinstance(event, StepEnded) and event.verdict is Verdict.PASS
        for line in lines_of(event):
            self._console.print(_styled(line, event), no_wrap=plain, overflow="ellipsis" if plain else "fold")

    def _below(self) -> RenderableType:
        from rich.console import Group
        from rich.progress_bar import ProgressBar
        from rich.text import Text

        if self._step is None or self._started is None:
            return Text("")
        total = len(self._started.steps) + 1
        doing = self._progress.doing if self._progress else "moving"
        title = Text.assemble((self._step.title, "bold"), f"  {doing}")
        title.truncate(self._console.width - 1, overflow="ellipsis")
        failed = Text(f"{self._step.index} of {total} done, {self._failed} failed")
        bar = ProgressBar(total=total, completed=self._step.index, width=min(40, self._console.width - 2))
        notice = [Text(NOTICE, style="bold yellow")] if self._started.simulated else []
        places = Text("set: " + ", ".join(f"{tag} {place}" for tag, place in self._positions.items()))
        places.truncate(self._console.width - 1, overflow="ellipsis")
        return Group(Text(""), title, bar, failed, places, self._lamps(), *notice)

    def _lamps(self) -> RenderableType:
        from rich.columns import Columns
        from rich.text import Text

        states = self._progress.states if self._progress else {}
        return Columns([Text(*_lamp(tag, on)) for tag, on in states.items()], padding=(0, 2))


def _lamp(tag: str, on: bool | None) -> tuple[str, str]:
    if on is None:
        return f"{tag} ??", "bold yellow"
    return (f"{tag} ON ", "reverse") if on else (f"{tag} off", "dim")


def _styled(line: str, event: Event) -> Any:
    from rich.text import Text

    text = Text(line)
    if isinstance(event, StepEnded):
        word = str(event.verdict).upper() if event.verdict else "pass"
        text.highlight_regex(rf"^{word}", _STYLES[event.verdict])
    elif line == NOTICE or isinstance(event, Exchanged):
        text.stylize("bold yellow")
    elif isinstance(event, Broken):
        text.stylize("bold red")
    return text
