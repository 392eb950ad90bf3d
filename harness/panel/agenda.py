"""An agenda: what is due and when, one entry a key, cancelled or replaced freely."""

from __future__ import annotations

NEVER = 1 << 62
Key = tuple[str, int]


class Agenda:
    """Entries by key; entries due at the same moment come out in the order of their keys."""

    def __init__(self) -> None:
        self._due: dict[Key, int] = {}
        self.next_ns = NEVER

    def put(self, key: Key, at_ns: int) -> None:
        """Set or replace an entry."""
        self._due[key] = at_ns
        self._restate()

    def cancel(self, key: Key) -> None:
        """Forget an entry if there is one."""
        if self._due.pop(key, None) is not None:
            self._restate()

    def take(self, at_ns: int) -> list[Key]:
        """Remove and return what is due by `at_ns`."""
        if self.next_ns > at_ns:
            return []
        taken = sorted(key for key, due in self._due.items() if due <= at_ns)
        for key in taken:
            del self._due[key]
        self._restate()
        return taken

    def copy(self) -> Agenda:
        other = Agenda()
        other._due = dict(self._due)
        other.next_ns = self.next_ns
        return other

    def __len__(self) -> int:
        return len(self._due)

    def _restate(self) -> None:
        self.next_ns = min(self._due.values(), default=NEVER)
