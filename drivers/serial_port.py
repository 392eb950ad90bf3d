"""A serial port as a line of bytes: its settings in a bench file, opening it, and what went wrong.

DTR and RTS stay low at opening as far as a program can say so: a board may take a pulse on them as a reset,
and a converter as "send". The system may still raise both for an instant when a port is opened, before any
program can lower them (Linux does, as terminals expect it); where that moves an output of the board, only a
change on the board or its cable helps.

A port belongs to one program. It is locked (flock, and TIOCEXCL on a real port, where there are such), so
that two programs never move one bench; a second one is told so.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from drivers.adapters import SYSFS, quicken
from drivers.serial_line import DescriptorLine, PolledLine, SerialLine, is_pseudo, names_pseudo
from harness.bench.parts import SettingValue
from harness.clock import Clock
from harness.errors import BoardAbsent
from harness.wording import either, nearest_name

if TYPE_CHECKING:
    from serial import Serial

SERIAL_KEYS = ("port", "baud", "parity", "stop bits")
DATA_BITS = "data bits"  # only for boards whose bus does not fix it
PARITIES = ("even", "odd", "none")
_BAUD = (300, 4_000_000)
_CHOICES = {"stop bits": ("1", "2"), DATA_BITS: ("8", "7")}


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """How characters go over the line. Defaults: those of MODBUS over Serial Line V1.02, 2.5.1 and 3.2."""

    port: str
    baud: int = 19200
    parity: str = "even"
    stop_bits: int = 1
    data_bits: int = 8


def check_serial_settings(settings: Mapping[str, SettingValue]) -> list[str]:
    """Everything wrong with the line's own keys among `settings`, each with what is allowed."""
    problems = []
    if not str(settings.get("port", "")).strip():
        problems.append("`port` is missing; give the serial port's name (`panelproof ports` lists them)")
    elif not str(settings["port"]).isprintable():
        problems.append("`port` holds characters that no port's name has; `panelproof ports` lists them")
    problems += _baud_problems(settings)
    if "parity" in settings:
        problems += _word_problems("parity", settings["parity"], PARITIES)
    for key, choices in _CHOICES.items():
        if key in settings:
            problems += _word_problems(key, settings[key], choices)
    return problems


def _baud_problems(settings: Mapping[str, SettingValue]) -> list[str]:
    text = str(settings.get("baud", 19200)).strip()
    least, most = _BAUD
    if text.isascii() and text.isdigit() and len(text) < 9 and least <= int(text) <= most:
        return []
    return [f"`baud` is {text!r}; a whole number from {least} to {most} is needed, such as 9600 or 19200"]


def _word_problems(key: str, value: SettingValue, choices: Iterable[str]) -> list[str]:
    text, allowed = str(value).strip(), tuple(choices)
    if text in allowed:
        return []
    near = nearest_name(text, allowed)
    hint = f"; did you mean {near}?" if near else ""
    return [f"`{key}` is {text!r}; {either(allowed)} is needed{hint}"]


def serial_settings(settings: Mapping[str, SettingValue]) -> SerialSettings:
    """The values of settings in which nothing is wrong.

    Two stop bits where there is no parity and nothing is said (MODBUS over Serial Line V1.02, 2.5.1).
    """
    parity = str(settings.get("parity", "even")).strip()
    return SerialSettings(
        port=str(settings["port"]).strip(),
        baud=int(settings.get("baud", 19200)),
        parity=parity,
        stop_bits=int(settings.get("stop bits", 2 if parity == "none" else 1)),
        data_bits=int(settings.get(DATA_BITS, 8)),
    )


def open_serial(where: str, settings: SerialSettings, clock: Clock, *, sysfs: Path = SYSFS) -> SerialLine:
    """Open the port; what came before is dropped. `where` begins each message: "board IO1 on COM3 unit 1".

    Raises BoardAbsent.
    """
    import serial  # noqa: PLC0415 - a line is opened rarely, and `--help` must stay light

    try:
        port = _unopened(settings)
        port.open()
    except (OSError, ValueError, _termios_error()) as error:
        raise BoardAbsent(f"{where}: {_why_not(settings, error)}") from error
    if not isinstance(getattr(port, "fd", None), int):
        return PolledLine(port, clock, _remarks(port, settings, sysfs))
    assert isinstance(port, serial.Serial)
    descriptor = port.fileno()
    pseudo = is_pseudo(descriptor)
    if not pseudo:
        _claim(descriptor)
    remarks = () if pseudo else _remarks(port, settings, sysfs)
    return DescriptorLine(descriptor, clock, port.close, pseudo=pseudo, remarks=remarks)


def adopt_serial(where: str, descriptor: int, settings: SerialSettings, clock: Clock) -> SerialLine:
    """Go on with a port that another process had open, as that process had set it.

    The descriptor is the line's from here on, even when this raises BoardAbsent.
    """
    line = DescriptorLine(descriptor, clock, lambda: os.close(descriptor), pseudo=is_pseudo(descriptor))
    try:
        os.ttyname(descriptor)
        os.set_blocking(descriptor, False)
    except OSError as error:
        line.close()
        raise BoardAbsent(f"{where}: cannot go on with {settings.port} ({_cause(error)})") from error
    return line


def _unopened(settings: SerialSettings) -> Serial:
    """The port with all that is to be so at opening; opening does it in one go.

    A pseudo terminal has no characters on a wire. Asked for a parity it refuses, or not, depending on what
    else was changed (tcsetattr of the GNU C library), so it is not asked.
    """
    import serial  # noqa: PLC0415

    port = serial.Serial()
    port.port = settings.port
    port.baudrate = settings.baud
    if not names_pseudo(settings.port):
        parities = (serial.PARITY_EVEN, serial.PARITY_ODD, serial.PARITY_NONE)
        port.parity = dict(zip(PARITIES, parities, strict=True))[settings.parity]
        port.stopbits = settings.stop_bits
        port.bytesize = settings.data_bits
    port.timeout = port.write_timeout = 0
    port.dtr = port.rts = False
    port.exclusive = True
    return port


def _claim(descriptor: int) -> None:
    """Refuse programs that do not look at the lock. A pseudo terminal would stay claimed after a kill."""
    try:
        import fcntl  # noqa: PLC0415 - absent on Windows, where a port is never shared
        import termios  # noqa: PLC0415

        fcntl.ioctl(descriptor, termios.TIOCEXCL)
    except (ImportError, AttributeError, OSError):
        pass  # the lock is there all the same


def _remarks(port: Serial, settings: SerialSettings, sysfs: Path) -> tuple[str, ...]:
    return quicken(getattr(port, "set_low_latency_mode", None), settings.port, sysfs)


def _termios_error() -> type[Exception]:
    try:
        import termios  # noqa: PLC0415 - absent on Windows
    except ImportError:
        return OSError
    return termios.error


# what the system says -> what it means here and what to try
_REASONS = {
    errno.ENOENT: "there is no {port}; is the adapter plugged in? `panelproof ports` lists what there is",
    errno.EACCES: "no rights to open {port}; on Linux add the user to the group that owns it, often dialout,"
    " and log in anew",
    errno.EBUSY: "{port} is taken by another program; end that one",
    errno.ENOTTY: "{port} is not a serial port; `panelproof ports` lists them",
    errno.EIO: "there is nothing behind {port}; check the adapter and its cable, or take another port",
    errno.EINVAL: "{port} does not accept these settings; check `baud`, `parity`, `stop bits`",
}
_SAME = {
    errno.EAGAIN: errno.EBUSY,
    errno.EPERM: errno.EACCES,
    errno.EISDIR: errno.ENOTTY,
    errno.ENXIO: errno.EIO,
    errno.ENODEV: errno.EIO,
    errno.ENOTDIR: errno.ENOENT,
    errno.ELOOP: errno.ENOENT,
    errno.ENAMETOOLONG: errno.ENOENT,
}


def _why_not(settings: SerialSettings, error: Exception) -> str:
    number = _number_of(error)
    reason = _REASONS.get(_SAME.get(number, number), f"cannot open {{port}} ({_cause(error)})")
    return reason.replace("{port}", settings.port)


def _number_of(error: Exception) -> int:
    """The system's number of an error that pyserial may have wrapped in words of its own."""
    for cause in (error, error.__context__):
        if isinstance(cause, OSError) and cause.errno:
            return cause.errno
        if cause is not None and cause.args and isinstance(cause.args[0], int):
            return cause.args[0]
    if isinstance(error, ValueError):
        return errno.EINVAL
    text = str(error)
    if "PermissionError" in text:  # Windows says so when another program has the port
        return errno.EBUSY
    return errno.ENOENT if "FileNotFoundError" in text else 0


def _cause(error: Exception) -> str:
    text = getattr(error, "strerror", None) or str(error)
    return " ".join(str(text).split()).lower()
