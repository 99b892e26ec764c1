"""What makes a file last through a power cut, beyond writing it."""

from __future__ import annotations

import os
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Have the names in a folder reach the disk: a file that was synced under a name that was not is lost all the same.

    Windows cannot open a folder for it; there a name goes to the disk with its file.
    """
    if os.name != "posix":
        return
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
