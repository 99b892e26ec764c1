"""One service for one shop: two that write beside each other would each remember figures the other has changed.

The lock is the system's own and ends with the process, however that ends.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import IO

if os.name == "nt":
    import msvcrt

    def _lock(file: IO[str]) -> None:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
else:
    import fcntl

    def _lock(file: IO[str]) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


ADDRESS = "service.address"
"""Beside the lock, as Windows lets nobody else read a file that is locked."""


class ServedAlready(Exception):
    """Another process serves this shop."""


def tell_address(folder: Path, address: str) -> None:
    """Leave word of where the shop in ``folder`` is served; empty where it no longer is. Only while the lock is held.

    A full disk keeps no shop from being served: then nobody is told.
    """
    with suppress(OSError):
        (folder / ADDRESS).write_text(address, encoding="ascii")


def told_address(folder: Path) -> str:
    """Where the shop is served, as whoever holds the lock said; empty where that is not known."""
    try:
        return (folder / ADDRESS).read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""


def hold(folder: Path) -> IO[str]:
    """Take the lock of the shop in ``folder``; it is held until the file is closed or the process ends.

    Raises:
        ServedAlready: another process holds it.
        OSError: the folder cannot be written.
    """
    file = (folder / "service.lock").open("a+", encoding="ascii")
    try:
        _lock(file)
    except OSError as error:
        file.close()
        raise ServedAlready from error
    return file
