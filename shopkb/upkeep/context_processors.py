"""For the front page of whoever runs the tool: whether the last good backup is too old."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

from django.conf import settings
from django.http import HttpRequest
from django.utils import timezone

from shopkb.upkeep.archive import backups_in, made_at

OLD = timedelta(days=3)


def backups(_request: HttpRequest) -> dict[str, Callable[[], str]]:
    """``backup_warning``, asked for by the pages that show it alone."""
    return {"backup_warning": lambda: "" if settings.WORLD == "demo" else warning(timezone.now())}


def warning(now: datetime, folder: Path | None = None) -> str:
    """A sentence when there is no backup in the folder or the newest is old; else nothing."""
    found = backups_in(folder or Path(settings.BACKUP_DIR))
    if not found:
        return "No backup was made yet. What is lost on this computer is lost."
    age = now - made_at(found[0])
    return f"The last good backup is {age.days} days old." if age >= OLD else ""
