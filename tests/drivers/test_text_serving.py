"""A text-line device on a served line, in virtual time: characters come and go one by one."""

from __future__ import annotations

import pytest

from drivers.text_serving import PacedText, PlainText

CHARACTER_NS = 1000


class Parrot:
    """Answers each line with itself and an exclamation mark; counts how often it was let look."""

    def __init__(self) -> None:
        self.begun = b""
        self.fed: list[bytes] = []
        self.looks = 0

    def feed(self, data: bytes) -> bytes:
        self.fed.append(data)
        *lines, self.begun = (self.begun + data).split(b"\n")
        return b"".join(line + b"!\n" for line in lines)

    def look(self) -> None:
        self.looks += 1


@pytest.mark.parametrize("turnaround_ns", [0, 50_000])
def test_paced_each_character_has_its_time(turnaround_ns: int) -> None:
    device = Parrot()
    talk = PacedText(device, CHARACTER_NS, turnaround_ns)
    talk.hear(b"ab\n", 500)
    assert talk.next_ns == 500 + CHARACTER_NS
    said = []
    while (next_ns := talk.next_ns) is not None:
        assert talk.step(next_ns - 1) == b""
        said.append((next_ns, talk.step(next_ns)))
    assert device.fed == [b"a", b"b", b"\n"]
    over_ns = 500 + 3 * CHARACTER_NS + turnaround_ns
    wanted = [(over_ns + k * CHARACTER_NS, bytes([byte])) for k, byte in enumerate(b"ab!\n", start=1)]
    assert [entry for entry in said if entry[1]] == wanted
    assert device.looks > len(said)


def test_paced_late_steps_lose_nothing_and_both_directions_go_at_once() -> None:
    device = Parrot()
    talk = PacedText(device, CHARACTER_NS)
    talk.hear(b"a\n", 0)
    talk.hear(b"b\n", 2 * CHARACTER_NS)
    assert talk.step(20 * CHARACTER_NS) == b"a!\nb!\n"
    assert talk.next_ns is None


def test_plain_is_at_once() -> None:
    device = Parrot()
    talk = PlainText(device)
    talk.hear(b"a", 5)
    assert talk.next_ns is None
    talk.hear(b"b\nc\n", 7)
    assert talk.next_ns == 7
    assert talk.step(7) == b"ab!\nc!\n"
    assert (talk.next_ns, talk.step(8)) == (None, b"")
    assert device.looks == 2
