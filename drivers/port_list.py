"""The serial ports of this computer, from what the system keeps in files. No port is opened for it.

Opening one may move DTR and RTS, and with them a board; and a port that another program uses is not to be
touched.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from drivers.adapters import SYSFS, latency_ms
from harness.bench.port_info import PortInfo

if TYPE_CHECKING:
    from serial.tools.list_ports_common import ListPortInfo

LINKS = Path("/dev/serial")
PROC = Path("/proc")


def found_ports(
    list_them: Callable[[], Iterable[ListPortInfo]] | None = None,
    *,
    links: Path = LINKS,
    sysfs: Path = SYSFS,
    proc: Path = PROC,
) -> list[PortInfo]:
    """Every serial port with what is known of it, sorted by name as a person counts."""
    if list_them is None:
        from serial.tools.list_ports import comports  # noqa: PLC0415 - only this verb needs it

        list_them = comports
    by_id, by_path = _links(links / "by-id"), _links(links / "by-path")
    holders = _holders(proc)
    ports = [_port(info, by_id, by_path, holders, sysfs) for info in list_them()]
    return sorted(ports, key=lambda port: (len(port.device), port.device))


def _port(
    info: ListPortInfo,
    by_id: dict[str, str],
    by_path: dict[str, str],
    holders: dict[str, str] | None,
    sysfs: Path,
) -> PortInfo:
    real = os.path.realpath(info.device) if sys.platform != "win32" else info.device
    return PortInfo(
        device=info.device,
        description=_text(info.description),
        maker=_text(info.manufacturer),
        product=_text(info.product),
        vid=info.vid,
        pid=info.pid,
        serial_number=_text(info.serial_number),
        location=_text(info.location),
        by_id=by_id.get(real, ""),
        by_path=by_path.get(real, ""),
        latency_ms=latency_ms(info.device, sysfs),
        taken_by=None if holders is None else holders.get(real, ""),
    )


def _text(value: str | None) -> str:
    """What an adapter says of itself may be anything; it is shown, so it must be printable."""
    text = "" if value in {None, "n/a"} else str(value).strip()
    return text if text.isprintable() else ascii(text)[1:-1]


def _links(folder: Path) -> dict[str, str]:
    """Real name of a port to the name in `folder` that leads to it; the first where several do."""
    names: dict[str, str] = {}
    with suppress(OSError):
        for link in sorted(folder.iterdir()):
            names.setdefault(os.path.realpath(link), str(link))
    return names


def _holders(proc: Path) -> dict[str, str] | None:
    """Who has which device open, as far as this user may see; None where the system does not tell."""
    if not (proc / "self" / "fd").is_dir():
        return None
    holders: dict[str, str] = {}
    for process in proc.iterdir():
        if process.name.isdigit():
            with suppress(OSError):
                for link in (process / "fd").iterdir():
                    with suppress(OSError):
                        holders.setdefault(str(link.readlink()), f"process {process.name}{_name(process)}")
    return holders


def _name(process: Path) -> str:
    with suppress(OSError, UnicodeError):
        name = (process / "comm").read_text(encoding="utf-8").strip()
        return f" ({name})" if name.isprintable() else ""
    return ""
