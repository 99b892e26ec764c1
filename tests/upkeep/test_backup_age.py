"""The front page of whoever runs the tool warns of an old backup, and nobody else's does."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from django.test import Client

from shopkb.accounts.models import User
from shopkb.upkeep.context_processors import warning

NOW = datetime(2026, 3, 9, 18, 0, tzinfo=UTC)
BACKEND = "django.contrib.auth.backends.ModelBackend"


def test_none_old_and_fresh(tmp_path: Path) -> None:
    assert warning(NOW, tmp_path) == "No backup was made yet. What is lost on this computer is lost."
    (tmp_path / "shopkb-20260302T180000Z.zip").touch()
    (tmp_path / "shopkb-20260309T170000Z.part").touch()
    assert warning(NOW, tmp_path) == "The last good backup is 7 days old."
    (tmp_path / "shopkb-20260307T170000Z.zip").touch()
    assert warning(NOW, tmp_path) == ""
    assert warning(NOW + timedelta(days=1), tmp_path) == "The last good backup is 3 days old."


def test_only_the_keeper_is_told(keeper: User, manager: User, tmp_path: Path, settings: Any) -> None:
    settings.BACKUP_DIR = tmp_path
    said = {}
    for person in (keeper, manager):
        client = Client()
        client.force_login(person, backend=BACKEND)
        said[person.username] = "No backup was made yet." in client.get("/").content.decode()
    assert said == {"keeper": True, "manager": False}
