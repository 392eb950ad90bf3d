"""The live screen of `watch`: outputs on the left, inputs on the right, at 80 columns and more."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Self, TextIO

from harness.bench.parts import InputChannel
from harness.cli.result import NOTICE
from harness.cli.watch_view import View
from harness.clock import NS
from harness.run.by_hand import Held
from harness.run.hold_to_run import HoldToRun
from harness.run.looking import Seen

if TYPE_CHECKING:
    from rich.text import Text

HELP = "up/down or its number: choose   hold the space bar: on   q: end"
EVERY_NS = NS // 10
_WIDE = 110
_WITH_PLACE, _INPUT = 52, 34  # columns that an output with its board and channel takes, and an input
_LIVE, _CAUTION, _DIM = "bold white on red", "bold yellow", "dim"


class Screen:
    """Shows the bench on a terminal; at most ten times a second, and at once when an output is switched."""

    def __init__(self, out: TextIO, view: View, *, simulated: bool) -> None:
        from rich.console import Console, Group
        from rich.live import Live

        self._console = Console(file=out, highlight=False)
        self._group = Group
        self._live = Live(
            console=self._console,
            screen=True,
            auto_refresh=False,
            redirect_stdout=False,
            redirect_stderr=False,
        )
        self._view = view
        self._simulated = simulated
        self._next_ns = 0
        self._held: int | None = None

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._live.stop()

    def show(self, seen: Seen, hand: HoldToRun, now_ns: int) -> None:
        """Update the screen, if it is time."""
        if now_ns < self._next_ns and hand.held == self._held:
            return
        self._next_ns, self._held = now_ns + EVERY_NS, hand.held
        size = self._console.size
        lines = screen_lines(self._view, seen, hand, now_ns, self._simulated, (size.width, size.height))
        self._live.update(self._group(*lines), refresh=True)


def screen_lines(
    view: View, seen: Seen, hand: HoldToRun, now_ns: int, simulated: bool, size: tuple[int, int]
) -> list[Text]:
    """The lines of the screen for a terminal of `size` (columns, rows)."""
    width, height = size[0] - 1, size[1] - 1
    head = _head(view, seen, simulated)
    foot = _foot(view, seen, hand, now_ns)
    room = max(3, height - len(head) - len(foot) - 2)
    shares: tuple[int, ...] = (width // 2 + 1,)
    if width >= _WIDE:  # what the inputs do not need is the outputs', up to the place on the board
        shares = (max(width * 2 // 5, min(_WITH_PLACE, width - 2 * _INPUT)), width * 3 // 10)
    outputs = [
        _output(view, seen, hand, number, held, shares[0] - 1) for number, held in enumerate(view.outputs)
    ]
    room_right = (*shares[1:], width - sum(shares))
    columns = [_window(outputs, hand.chosen, room)]  # each: is it on, and how its contact stands
    inputs = [_input(view, seen, channel, min(room_right) - 1) for channel in view.bench.inputs]
    for share in range(len(shares), 0, -1):
        columns.append(_window(inputs[:room] if share > 1 else inputs, 0, room))
        inputs = inputs[room:]
    lines = [*head, _text(""), *_side_by_side(columns, shares), _text(""), *foot]
    for line in lines:
        line.truncate(width, overflow="ellipsis")
    return lines


def _head(view: View, seen: Seen, simulated: bool) -> list[Text]:
    title = f"bench {view.bench.tag}  {view.bench.title}".rstrip()
    lines = [_text(title, "bold")]
    if simulated:
        lines.append(_text(NOTICE, _CAUTION))
    closed = view.contactor_closed(seen)
    if closed is not None:
        words = "SUPPLY CONTACTOR CLOSED: THE PANEL IS LIVE" if closed else "supply contactor open"
        lines.append(_text(words, _LIVE if closed else ""))
    pressed = view.own("emergency stop", seen)
    lines += [_text(words, _LIVE if pressed and "STOP" in words else "") for words in view.own_words(seen)]
    if view.bench.measures:
        lines.append(_text("   ".join(view.value_words(measure, seen) for measure in view.bench.measures)))
    return lines


def _foot(view: View, seen: Seen, hand: HoldToRun, now_ns: int) -> list[Text]:
    strays = view.strays(seen)
    lines = [_text(f"on, but not in the terminal map: {', '.join(strays)}", _CAUTION)] if strays else []
    if hand.held is None:
        lines.append(_text(hand.note or "nothing is switched on", _CAUTION if hand.note else ""))
    else:
        left_s = max(0.0, hand.left_ns(now_ns) / NS)
        lines.append(
            _text(f"{view.outputs[hand.held].name} is held, off in {left_s:.0f} s at the latest", "bold")
        )
    return [*lines, _text(HELP, _DIM)]


def _output(view: View, seen: Seen, hand: HoldToRun, number: int, held: Held, room: int) -> Text:
    state = view.output_words(held, seen)
    mark = ">" if number == hand.chosen else " "
    contact = held.contact(view.output_on(held, seen))
    line = _placed(
        f"{mark}{number + 1:>3} {held.what:<18} {state:<4} {contact:<6}",
        f"{held.board} output {held.channel}",
        room,
    )
    styled = _text(line, "bold" if number == hand.chosen else "")
    if state != "off":
        styled.highlight_regex(rf"\b{state}\b", "reverse")
    return styled


def _input(view: View, seen: Seen, channel: InputChannel, room: int) -> Text:
    on = view.input_on(channel, seen)
    shows = view.input_shows(channel, seen)
    words = f"{channel.name:<6} {channel.watches:<4} {'ON' if on else 'off':<4} {shows:<12}"
    styled = _text(_placed(words, f"{channel.board} input {channel.channel}", room))
    if on:
        styled.highlight_regex(r"\bON\b", "reverse")
    return styled


def _placed(words: str, place: str, room: int) -> str:
    """With the board and the channel behind it where there is room: what to look for on the terminals."""
    return f"{words} {place}" if len(words) + 1 + len(place) <= room else words.rstrip()


def _window(rows: Sequence[Text], chosen: int, room: int) -> list[Text]:
    """As many rows as there is room for, the chosen one among them, and how many are left out."""
    if len(rows) <= room:
        return list(rows)
    first = min(max(0, chosen - room // 2), len(rows) - room + 1)
    shown = list(rows[first : first + room - 1])
    return [*shown, _text(f"and {len(rows) - len(shown)} more: a taller window shows them", _DIM)]


def _side_by_side(columns: Sequence[list[Text]], shares: Sequence[int]) -> list[Text]:
    lines = []
    for row in range(max(len(column) for column in columns)):
        line = _text("")
        for index, column in enumerate(columns):
            cell = column[row] if row < len(column) else _text("")
            if index < len(shares):
                cell.truncate(shares[index] - 1, overflow="ellipsis")
                cell.pad_right(shares[index] - len(cell.plain))
            line.append_text(cell)
        lines.append(line)
    return lines


def _text(words: str, style: str = "") -> Text:
    from rich.text import Text

    return Text(words, style=style, no_wrap=True)
