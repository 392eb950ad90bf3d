"""One run at a time on a bench: a lock for each address that the boards are reached at, refused when taken.

The lock is on an open file, so the system lets go of it when its holder dies, in whatever way; what is left
of the file then locks nothing. The words in it say who holds it, for the message alone. A guardian that
inherits the descriptors holds on until the bench is safe. The files lie where every user of the computer can
open them, because two people share a bench and not an account.

Boards on one gateway have a unit each and may be of two benches, so the unit is part of an address. A serial
line belongs to one program at a time, whatever is on it, also where a converter leads to it.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import socket
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

from harness.bench.parts import Bench, BoardSpec
from harness.clock import Clock
from harness.errors import BenchError

_FOLDER = "panelproof-benches"
_LONGEST_WORDS = 300
_LOCKED_BYTE = 4096  # where Windows locks, which keeps others from reading what is locked
_FLAGS = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
_BUSES = ("modbus-rtu-tcp",)  # behind a host, and yet one line that takes one question at a time
_DEFAULTS = {"port": 502, "unit": 1}  # of boards behind a host, if the bench file leaves them out


class BenchInUse(BenchError):
    """Another run, or a watch, holds the bench."""


@dataclass(frozen=True, slots=True)
class BenchLock:
    """What is held. `descriptors`: for a child to inherit (`pass_fds`) that is to hold on after us."""

    descriptors: tuple[int, ...] = ()


UNLOCKED = BenchLock()


@contextmanager
def held(bench: Bench, who: str, clock: Clock, folder: Path | None = None) -> Iterator[BenchLock]:
    """Hold every address of the bench. `who`: the sequence, or what else is being done, for others to read.

    Raises BenchInUse, and BenchError where no lock can be kept.
    """
    words = f"pid {os.getpid()}, {who}, since {clock.wall().astimezone():%Y-%m-%d %H:%M}"
    addresses = {address_of(spec): spec.name for spec in bench.boards if spec.driver != "simulated"}
    with ExitStack() as stack:
        place = _made(folder or _shared_folder()) if addresses else Path()
        lock = [
            stack.enter_context(_locked(place, address, f"bench {bench.tag}, board {name}", words))
            for address, name in sorted(addresses.items())
        ]
        yield BenchLock(tuple(lock))


def address_of(spec: BoardSpec) -> str:
    """Where a board is reached: the same text for every way of writing the same place."""
    settings = spec.settings
    if "host" in settings:
        port, unit = (int(settings.get(key, default)) for key, default in _DEFAULTS.items())
        place = f"{_numeric(str(settings['host']).strip())} port {port}"
        return place if spec.driver in _BUSES else f"{place} unit {unit}"
    if "port" in settings:
        return _real_port(str(settings["port"]).strip())
    return f"{spec.driver} {json.dumps(settings, sort_keys=True)}"


def _numeric(host: str) -> str:
    """The address that a host name stands for; the name itself where that cannot be found out."""
    with suppress(ValueError):
        return str(ip_address(host.strip("[]")))
    with suppress(OSError, UnicodeError):
        found = sorted(socket.getaddrinfo(host, None), key=lambda info: info[0] != socket.AF_INET)
        return str(found[0][4][0])
    return host.lower()


def _real_port(port: str) -> str:
    """A serial port by its real name: links under /dev/serial/by-id lead to the same device."""
    if sys.platform == "win32":
        return port.upper().removeprefix("\\\\.\\")
    with suppress(OSError, RuntimeError, ValueError):
        return str(Path(port).resolve())
    return port


def _shared_folder() -> Path:
    """A place that does not depend on the user, as the usual folder for temporary files may."""
    if sys.platform == "win32":
        return Path(os.environ.get("PROGRAMDATA") or tempfile.gettempdir()) / _FOLDER
    common = Path("/tmp")  # noqa: S108 - shared on purpose; files there are opened, not trusted
    return (common if common.is_dir() else Path(tempfile.gettempdir())) / _FOLDER


def _made(folder: Path) -> Path:
    try:
        folder.mkdir()
        folder.chmod(0o1777)
    except FileExistsError:
        pass
    except OSError as error:
        raise _cannot(folder, error) from error
    return folder


def _cannot(path: Path, error: OSError) -> BenchError:
    return BenchError(
        f"{path}: cannot keep this bench to one run ({error.strerror or error}); free space or rights there"
    )


@contextmanager
def _locked(folder: Path, address: str, what: str, words: str) -> Iterator[int]:
    path = folder / f"{hashlib.sha256(address.encode()).hexdigest()[:32]}.lock"
    file = _taken(path, f"{what} at {address}")
    try:
        with suppress(OSError):  # a full disk takes the words away, not the lock
            os.ftruncate(file, 0)
            os.write(file, words.encode("utf-8", "replace")[:_LONGEST_WORDS])
        yield file
    finally:
        os.close(file)
        _tidy(path)


def _tidy(path: Path) -> None:
    """Take the file away unless somebody, a guardian for one, still holds it. Left over it locks nothing."""
    with suppress(OSError):
        file = os.open(path, _FLAGS)
        try:
            if _lock(file) and _is_still(path, file):
                path.unlink()
        finally:
            os.close(file)


def _taken(path: Path, what: str) -> int:
    """The file of that name, open and locked. Raises BenchInUse.

    One that its holder takes away while we open it is opened again: a lock on a file without a name would
    be no lock.
    """
    while True:
        try:
            file = _opened(path)
        except OSError as error:
            raise _cannot(path, error) from error
        if not _lock(file):
            words = _words(file)
            os.close(file)
            raise BenchInUse(f"{what} is in use by another run{words}; {_advice(words)}")
        if _is_still(path, file):
            return file
        os.close(file)


def _advice(words: str) -> str:
    """What to do: a holder that is dead has left a guardian behind, which lets go once the bench is safe."""
    number = re.match(r" \(pid (\d+),", words)
    if number is not None and sys.platform != "win32":
        try:
            os.kill(int(number[1]), 0)
        except ProcessLookupError:
            return "it is dead, and its guardian is still making the bench safe: see to the bench"
        except (OSError, OverflowError):
            pass  # somebody else's, so alive
    return "wait for it or end it"


def _opened(path: Path) -> int:
    """Open or make it, for every user. Opening and making are apart, because a system may refuse to make
    what another user has made already (fs.protected_regular, sysctl of Linux)."""
    while True:
        with suppress(FileNotFoundError):
            return os.open(path, _FLAGS)
        with suppress(FileExistsError):
            file = os.open(path, _FLAGS | os.O_CREAT | os.O_EXCL, 0o666)
            if hasattr(os, "fchmod"):
                os.fchmod(file, 0o666)
            return file


def _lock(file: int) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt  # noqa: PLC0415 - of this system only

            os.lseek(file, _LOCKED_BYTE, os.SEEK_SET)
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
            os.lseek(file, 0, os.SEEK_SET)
        else:
            import fcntl  # noqa: PLC0415 - of these systems only

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _is_still(path: Path, file: int) -> bool:
    try:
        return os.path.samestat(os.stat(path), os.fstat(file))  # noqa: PTH116 - as os.fstat beside it
    except OSError:
        return False


def _words(file: int) -> str:
    with suppress(OSError):
        os.lseek(file, 0, os.SEEK_SET)
        said = os.read(file, _LONGEST_WORDS).decode("utf-8", "replace")
        return f" ({said})" if said.isprintable() and said else ""
    return ""
