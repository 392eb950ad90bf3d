"""What the probes of a panel read: thresholds with hysteresis, then a filter time."""

from __future__ import annotations

from collections.abc import Sequence

from harness.panel.agenda import Agenda
from harness.panel.parts import Probe

PROBE = "probe"


class Inputs:
    """`word` has bit k set while probe k reads on. A change shows once it has lasted the filter time."""

    def __init__(self, probes: Sequence[Probe], agenda: Agenda) -> None:
        self.word = 0
        self._raw = 0
        self._filters_ns = [round(probe.filter_s * 1e9) for probe in probes]
        self._agenda = agenda

    def copy(self, agenda: Agenda) -> Inputs:
        """The same state on another agenda."""
        other = object.__new__(Inputs)
        other.__dict__.update(self.__dict__)
        other._agenda = agenda
        return other

    def update(self, index: int, zone: int, now_ns: int) -> None:
        """The voltage of probe `index` is in another zone: 0 reads off, 2 reads on, 1 changes nothing."""
        bit = 1 << index
        if zone == 1 or bool(self._raw & bit) == (zone == 2):
            return
        self._raw ^= bit
        if not (self._raw ^ self.word) & bit:
            self._agenda.cancel((PROBE, index))
        elif self._filters_ns[index]:
            self._agenda.put((PROBE, index), now_ns + self._filters_ns[index])
        else:
            self.word ^= bit

    def show(self, index: int) -> None:
        """The filter time of probe `index` has passed since it changed."""
        self.word ^= 1 << index
