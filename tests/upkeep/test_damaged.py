"""A damaged database ends ``verify`` in words, with the way back to the last good backup."""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from django.conf import settings
from django.db import connection

from tests.conftest import ROOT

pytestmark = [pytest.mark.one_database, pytest.mark.django_db(transaction=True)]


def truncated(body: bytearray) -> None:
    del body[len(body) // 3 :]


def header_lost(body: bytearray) -> None:
    body[:100] = b"x" * 100


def flipped(body: bytearray) -> None:
    chosen = random.Random(3)
    for _ in range(400):
        body[chosen.randrange(100, len(body))] ^= 0xFF


def not_text(body: bytearray) -> None:
    """A byte that no text has, in the name of a table."""
    body[body.index(b"CREATE TABLE") + len(b"CREATE TABLE ") + 3] = 0xBA


def emptied(body: bytearray) -> None:
    body.clear()


def verified(folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    place = {
        **os.environ,
        "DATABASE_URL": f"sqlite:///{folder / 'shop.sqlite3'}",
        "SHOPKB_DATA_DIR": str(folder),
        "SHOPKB_BACKUP_DIR": str(folder / "backups"),
    }
    command = [sys.executable, "manage.py", "verify", *more]
    return subprocess.run(command, cwd=ROOT, env=place, capture_output=True, text=True)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    if connection.vendor != "sqlite":
        pytest.skip("about a file of SQLite")
    connection.close()
    shutil.copy(settings.DATABASES["default"]["NAME"], tmp_path / "shop.sqlite3")
    tmp_path.chmod(0o700)
    (tmp_path / "backups").mkdir()
    (tmp_path / "backups" / "shopkb-20260302T183005Z.zip").write_text("no backup")
    return tmp_path


@pytest.mark.parametrize("damage", [truncated, header_lost, flipped, not_text, emptied])
def test_it_ends_in_words(folder: Path, damage: Callable[[bytearray], None]) -> None:
    file = folder / "shop.sqlite3"
    body = bytearray(file.read_bytes())
    damage(body)
    file.write_bytes(body)
    done = verified(folder)
    assert done.returncode == 1, done
    assert "Traceback" not in done.stderr + done.stdout, done.stderr
    assert f"database: {file}: " in done.stdout, done.stdout
    assert "Stop the server and keep the damaged file as it is. No whole backup lies in" in done.stdout
    assert "manage.py restore FILE" in done.stdout
    assert "Broken: database" in done.stderr


def test_programs_are_told_the_same(folder: Path) -> None:
    (folder / "shop.sqlite3").write_bytes(b"x" * 5000)
    done = verified(folder, "--json", "--repair")
    told = json.loads(done.stdout)
    assert [row["law"] for row in told["broken"]] == ["database"]
    assert told["log"] is None
    assert "restore" in told["way_back"]
