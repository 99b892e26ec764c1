"""What is acknowledged has been handed to the disk, as far as a process can see: the calls that ask for it are made.

Whether the disk then keeps it through a power cut cannot be shown on a computer that stays on.
"""

from __future__ import annotations

import io
import os
import stat
import uuid
from pathlib import Path
from typing import Any

import pyrage
import pytest
from django.conf import settings as shop_settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.db.backends.base.base import BaseDatabaseWrapper
from PIL import Image

from shopkb.accounts.models import User
from shopkb.hosting import scheduled
from shopkb.jobs.actions.photos import NewPhoto, keep_photo
from shopkb.jobs.models import Photo
from shopkb.upkeep import archive, encryption, restoring
from tests import builders
from tests.conftest import NOW
from tests.upkeep.places import unguarded

pytestmark = [pytest.mark.one_database, pytest.mark.django_db]


def test_every_commit_is_asked_to_reach_the_disk() -> None:
    """EXTRA (https://sqlite.org/pragma.html#pragma_synchronous), which a rollback journal needs."""
    with connection.cursor() as cursor:
        modes = [cursor.execute(f"PRAGMA {name}").fetchone()[0] for name in ("synchronous", "journal_mode")]
    assert modes == [3, "delete"]


@pytest.fixture
def other_databases(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """A backup opens a copy of the database beside it."""
    monkeypatch.setattr(BaseDatabaseWrapper, "ensure_connection", unguarded())


class Seen:
    """Each sync and each new name, in order: what a disk that loses whatever was not asked for would keep."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.calls: list[tuple[str, str]] = []
        real_sync, real_replace = os.fsync, os.replace

        def sync(descriptor: int) -> None:
            real_sync(descriptor)
            self.calls.append(("sync", str(Path(f"/proc/self/fd/{descriptor}").readlink())))

        def replace(source: str | Path, target: str | Path, **more: object) -> None:
            real_replace(source, target, **more)  # type: ignore[arg-type]
            self.calls.append(("name", str(target)))

        monkeypatch.setattr(os, "fsync", sync)
        monkeypatch.setattr(os, "replace", replace)

    def lasts(self, file: Path) -> bool:
        """Whether the file was synced before it got its name, and the folder that holds the name after."""
        named = self.calls.index(("name", str(file)))
        part = str(file.with_suffix(".part"))
        return ("sync", part) in self.calls[:named] and ("sync", str(file.parent)) in self.calls[named:]


@pytest.mark.django_db(transaction=True)
def test_a_backup_and_its_copy_last_before_they_are_said_to_be_there(
    yard: None, other_databases: None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, settings: Any
) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    second.mkdir()
    settings.BACKUP_DIR, settings.SECOND_BACKUP = first, str(second)
    seen = Seen(monkeypatch)
    made = archive.make(first, NOW).path
    scheduled.second_copy()
    assert seen.lasts(made)
    assert seen.lasts(second / made.name)
    settings.DATA_DIR = tmp_path
    key = encryption.BackupKey(str(pyrage.x25519.Identity.generate().to_public()), b"of another passphrase")
    encryption.keep_key(tmp_path, key)
    scheduled.second_copy()
    assert seen.lasts(second / f"{made.name}.age")


@pytest.mark.django_db(transaction=True)
def test_pictures_that_come_back_from_a_backup_last(
    yard: None, other_databases: None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, settings: Any
) -> None:
    settings.MEDIA_ROOT = str(tmp_path / "before")
    Path(settings.MEDIA_ROOT).mkdir()
    (tmp_path / "before" / "a.jpg").write_bytes(b"picture")
    made = archive.make(tmp_path / "backups", NOW)
    settings.MEDIA_ROOT = str(tmp_path / "after")
    seen = Seen(monkeypatch)
    assert restoring.restore_photos(made) == 1
    back = tmp_path / "after"
    assert seen.calls == [("sync", str(back / "a.jpg")), ("sync", str(back))]


def test_a_picture_is_on_the_disk_before_its_row_says_so(
    yard: None, junior: User, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Each sync is noted with what it was of, and whether the row was there already."""
    monkeypatch.setattr(shop_settings, "MEDIA_ROOT", str(tmp_path))
    synced: list[tuple[int | str, int]] = []
    real = os.fsync

    def noted(descriptor: int) -> None:
        real(descriptor)
        found = os.fstat(descriptor)
        synced.append(("folder" if stat.S_ISDIR(found.st_mode) else found.st_size, Photo.objects.count()))

    monkeypatch.setattr(os, "fsync", noted)
    file = io.BytesIO()
    Image.new("RGB", (64, 48), (90, 60, 30)).save(file, "JPEG")
    upload = SimpleUploadedFile("a.jpg", file.getvalue(), "image/jpeg")
    stored = keep_photo(builders.take_in(junior), NewPhoto(upload, uuid.uuid4()), by=junior, at=NOW)
    assert synced == [(stored.size, 0), ("folder", 0)]
