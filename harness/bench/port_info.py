"""What is known of a serial port, and how a bench file names it so that the name stays the same. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class PortInfo:
    """A serial port as the system knows it; empty text or None where it does not.

    `by_id`, `by_path`: names that the system keeps for the adapter, and for the socket that it is plugged in.
    `taken_by`: the program that has it open; empty when none is seen, None where that cannot be seen.
    """

    device: str
    description: str = ""
    maker: str = ""
    product: str = ""
    vid: int | None = None
    pid: int | None = None
    serial_number: str = ""
    location: str = ""
    by_id: str = ""
    by_path: str = ""
    latency_ms: int | None = None
    taken_by: str | None = None

    @property
    def usb(self) -> str:
        """`0403:6001`, as the adapter's kind is written; empty where it is no USB adapter."""
        return "" if self.vid is None or self.pid is None else f"{self.vid:04x}:{self.pid:04x}"


@dataclass(frozen=True, slots=True)
class Named:
    """A port, what to write for it as `port` in a bench file, and why that."""

    port: PortInfo
    name: str
    why: str


def named(ports: Iterable[PortInfo]) -> list[Named]:
    """Each port with the name to use.

    By the adapter's serial number where it has one of its own; cheap adapters have none, or all the same one:
    then only the socket tells them apart.
    """
    found = list(ports)
    sockets: dict[tuple[str, str], set[str]] = {}
    for port in found:
        sockets.setdefault((port.usb, port.serial_number), set()).add(port.location.partition(":")[0])
    return [_named(port, alone=len(sockets[port.usb, port.serial_number]) == 1) for port in found]


def _named(port: PortInfo, *, alone: bool) -> Named:
    if port.by_id and port.serial_number and alone:
        return Named(port, port.by_id, "stays with the adapter, by its serial number")
    if port.by_path:
        why = "several adapters have its serial number" if port.serial_number else "it has no serial number"
        return Named(port, port.by_path, f"stays with the socket, because {why}: plug it in there only")
    if port.device.upper().startswith("COM"):
        keeps = "adapter" if port.serial_number else "socket, because the adapter has no serial number"
        return Named(port, port.device, f"Windows keeps this number for the {keeps}")
    if port.usb:
        return Named(port, port.device, "may be another one after plugging in again: look before each run")
    return Named(port, port.device, "built in, the name stays")
