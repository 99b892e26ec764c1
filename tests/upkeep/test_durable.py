"""What is acknowledged has been handed to the disk, as far as a process can see: the calls that ask for it are made.

Whether the disk then keeps it through a power cut cannot be shown on a computer that stays on.
"""

from __future__ import annotations

import io
import os
import stat
import uuid
from pathlib import Path

import pytest
from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from PIL import Image

from shopkb.accounts.models import User
from shopkb.jobs.actions.photos import NewPhoto, keep_photo
from shopkb.jobs.models import Photo
from tests import builders
from tests.conftest import NOW

pytestmark = [pytest.mark.one_database, pytest.mark.django_db]


def test_every_commit_is_asked_to_reach_the_disk() -> None:
    """FULL (https://sqlite.org/pragma.html#pragma_synchronous), with a rollback journal."""
    with connection.cursor() as cursor:
        modes = [cursor.execute(f"PRAGMA {name}").fetchone()[0] for name in ("synchronous", "journal_mode")]
    assert modes == [2, "delete"]


def test_a_picture_is_on_the_disk_before_its_row_says_so(
    yard: None, junior: User, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Each sync is noted with what it was of, and whether the row was there already."""
    monkeypatch.setattr(settings, "MEDIA_ROOT", str(tmp_path))
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
