"""Who may look into the folders of the shop: customers' vehicles, their pictures and the secret key lie there.

A folder that the tool makes is closed to others; one that was there before keeps the mode it has, and is told of by
``check``, named by ``verify``, and closed by ``verify --repair``, ``serve`` and ``restore``. A group that the shop has
chosen stays. Windows keeps no such modes.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path

from django.conf import settings
from django.core.checks import CheckMessage, Tags, Warning, register

OTHERS = stat.S_IRWXO


def places() -> Iterator[Path]:
    """Folders and files that hold the shop's records, those inside another left out: closing that one closes them."""
    held: list[Path] = []
    database = settings.DATABASES["default"]
    file = [Path(database["NAME"])] if database["ENGINE"].endswith("sqlite3") else []
    for path in (settings.DATA_DIR, settings.MEDIA_ROOT, settings.BACKUP_DIR, *file):
        whole = Path(path).resolve()
        if whole.exists() and not any(whole.is_relative_to(other) for other in held):
            held.append(whole)
            yield whole


def open_to_others(paths: Iterable[Path] | None = None) -> list[Path]:
    """Those of the places that every account of this computer may look into."""
    if os.name != "posix":
        return []
    return [path for path in (places() if paths is None else paths) if path.stat().st_mode & OTHERS]


def close_to_others() -> list[Path]:
    """Take the rights of others away; which places were closed. One that belongs to another account is left."""
    closed = []
    for path in open_to_others():
        if path.stat().st_uid == os.geteuid():
            path.chmod(stat.S_IMODE(path.stat().st_mode) & ~OTHERS)
            closed.append(path)
    return closed


@register(Tags.security)
def check_modes(**_asked: object) -> list[CheckMessage]:
    """A warning for each place that is open to every account of this computer."""
    return [
        Warning(
            f"{path} is open to every account of this computer.",
            hint="It holds the shop's records. Run: manage.py verify --repair, or: chmod o-rwx on it.",
            id="upkeep.W002",
        )
        for path in open_to_others()
    ]
