"""Copies in the second place, encrypted: opened by whoever has the passphrase, and by nobody else."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pyrage
import pytest
from django.conf import settings as django_settings
from django.db.backends.base.base import BaseDatabaseWrapper
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from shopkb.accounts.models import AuditRecord, User
from shopkb.hosting import scheduled
from shopkb.procedures.models import Procedure
from shopkb.upkeep import archive, encryption
from shopkb.upkeep.archive import ArchiveError
from shopkb.upkeep.encryption import BackupKey, NotOpened
from tests import builders
from tests.hosting.test_scheduled import said
from tests.upkeep.places import unguarded

PASSPHRASE = "teasel reed osier kiln"
BODY = b"PK" + bytes(range(256)) * 1000


@pytest.fixture
def key(tmp_path: Path) -> BackupKey:
    """A key whose secret half lies open, so that no test waits for a passphrase."""
    identity = pyrage.x25519.Identity.generate()
    key = BackupKey(str(identity.to_public()), f"# made for a test\n{identity}\n".encode())
    encryption.keep_key(tmp_path, key)
    return key


@pytest.fixture
def copied(tmp_path: Path, key: BackupKey) -> Path:
    """An encrypted file with its key beside it."""
    (tmp_path / "plain").write_bytes(BODY)
    (tmp_path / key.name).write_bytes(key.sealed)
    target = tmp_path / "shopkb-20260302T183005Z.zip.age"
    assert encryption.encrypt(tmp_path / "plain", target, key) == encryption.digest_of(target)
    return target


def test_an_encrypted_file_comes_back_as_it_was(copied: Path, key: BackupKey, tmp_path: Path) -> None:
    assert copied.read_bytes().startswith(b"age-encryption.org/v1\n")
    assert BODY[:64] not in copied.read_bytes()
    keys = encryption.key_files_beside(copied)
    assert [each.name for each in keys] == [key.name]
    encryption.decrypt(copied, tmp_path / "opened", keys, "")
    assert (tmp_path / "opened").read_bytes() == BODY
    if os.name == "posix":
        assert copied.stat().st_mode & 0o077 == 0
        assert (tmp_path / "opened").stat().st_mode & 0o077 == 0


def damage(body: bytes) -> dict[str, bytes]:
    middle = len(body) // 2
    return {
        "cut short": body[:-1],
        "cut in its head": body[:90],
        "a byte changed": body[:middle] + bytes([body[middle] ^ 1]) + body[middle + 1 :],
        "empty": b"",
        "no such file": b"PK\x03\x04" + body,
    }


@pytest.mark.parametrize("case", ["cut short", "cut in its head", "a byte changed", "empty", "no such file"])
def test_a_damaged_copy_is_told_and_leaves_nothing(copied: Path, tmp_path: Path, case: str) -> None:
    copied.write_bytes(damage(copied.read_bytes())[case])
    with pytest.raises(NotOpened, match=r"Take another copy\."):
        encryption.decrypt(copied, tmp_path / "opened", encryption.key_files_beside(copied), "")
    assert not (tmp_path / "opened").exists()


def test_without_its_key_a_copy_stays_shut(copied: Path, key: BackupKey, tmp_path: Path) -> None:
    with pytest.raises(NotOpened, match="no key lies beside it"):
        encryption.decrypt(copied, tmp_path / "opened", [], PASSPHRASE)
    other = tmp_path / "other.key"
    other.write_text(str(pyrage.x25519.Identity.generate()))
    with pytest.raises(NotOpened, match=r"encrypted with another key than other\.key"):
        encryption.decrypt(copied, tmp_path / "opened", [other], "")
    other.write_text("AGE-SECRET-KEY-1NONSENSE")
    with pytest.raises(NotOpened, match=r"other\.key: there is no key for backups in it"):
        encryption.decrypt(copied, tmp_path / "opened", [other], "")
    with pytest.raises(NotOpened, match="cannot be read"):
        encryption.decrypt(copied, tmp_path / "opened", [tmp_path / "gone.key"], "")
    assert not (tmp_path / "opened").exists()


def test_a_damaged_key_stops_the_copying_instead_of_copying_in_the_open(
    place: Path, key: BackupKey, settings: Any
) -> None:
    settings.SECOND_BACKUP = str(place / "other")
    (place / "other").mkdir()
    settings.BACKUP_DIR.mkdir()
    (settings.BACKUP_DIR / "shopkb-20260302T183005Z.zip").write_bytes(BODY)
    (place / encryption.KEY_FILE).write_text('{"public": "age1nonsense", "sealed": ""}')
    with pytest.raises(scheduled.NotDone, match=r"Choose a passphrase again\."):
        scheduled.second_copy()
    assert list((place / "other").iterdir()) == []


@pytest.mark.django_db(transaction=True)
def test_copies_from_before_there_was_a_key_are_encrypted_too(
    place: Path, key: BackupKey, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(BaseDatabaseWrapper, "ensure_connection", unguarded())
    other = place / "other"
    other.mkdir()
    settings.SECOND_BACKUP = str(other)
    made = archive.make(settings.BACKUP_DIR, timezone.now())
    older = other / "shopkb-20260301T183005Z.zip"
    older.write_bytes(made.path.read_bytes())
    told = scheduled.second_copy()
    assert told == f"{other / made.path.name}.age, encrypted, and whole there."
    assert {each.name for each in other.iterdir()} == {f"{older.name}.age", f"{made.path.name}.age", key.name}
    assert made.path.exists(), "the backup on this computer stays as it is"
    encryption.decrypt(other / f"{older.name}.age", place / "opened", [other / key.name], "")
    assert (place / "opened").read_bytes() == made.path.read_bytes()
    damaged = other / "shopkb-20260228T183005Z.zip"
    damaged.write_bytes(made.path.read_bytes()[:-40])
    with pytest.raises(scheduled.NotDone, match="is no whole backup"):
        scheduled.second_copy()
    assert damaged.exists(), "what is damaged may still be salvaged"


@pytest.mark.django_db(transaction=True)
def test_no_key_takes_the_place_of_another_that_older_copies_need(
    place: Path, key: BackupKey, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(BaseDatabaseWrapper, "ensure_connection", unguarded())
    other = place / "other"
    other.mkdir()
    settings.SECOND_BACKUP = str(other)
    archive.make(settings.BACKUP_DIR, timezone.now())
    scheduled.second_copy()
    encryption.keep_key(place, BackupKey(key.public, b"the half of another key"))
    with pytest.raises(scheduled.NotDone, match="is not the key in force"):
        scheduled.second_copy()
    assert (other / key.name).read_bytes() == key.sealed
    (place / encryption.KEY_FILE).unlink()  # as in a shop that came back from a backup
    with pytest.raises(scheduled.NotDone, match="older copies there are encrypted"):
        scheduled.second_copy()
    assert archive.backups_in(other) == []
    encryption.keep_key(place, None)
    assert scheduled.second_copy().endswith("read again there.")


def test_the_oldest_encrypted_copies_go(tmp_path: Path) -> None:
    for day in range(1, 6):
        (tmp_path / f"shopkb-2026030{day}T183005Z.zip.age").touch()
    (tmp_path / "shopkb-20260301T183005Z.zip").touch()
    gone = archive.rotate(tmp_path, 3, encrypted=True)
    assert [path.name[7:15] for path in gone] == ["20260302", "20260301"]
    assert len(archive.backups_in(tmp_path)) == 1


@pytest.mark.one_database
@pytest.mark.django_db(transaction=True)
def test_a_keeper_encrypts_and_a_fresh_computer_gets_the_shop_back(
    place: Path,
    client: Client,
    keeper: User,
    junior: User,
    horn: Procedure,
    settings: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The drill: passphrase on a page, the day's work, then the copy on a fresh folder by command."""
    monkeypatch.setattr(BaseDatabaseWrapper, "ensure_connection", unguarded())
    settings.SECOND_BACKUP = str(place / "other")
    (place / "other").mkdir()
    builders.cured_job(horn, junior)
    client.force_login(keeper)
    page = reverse("hosting:encryption")
    short = client.post(page, {"passphrase": "teasel", "again": "teasel"})
    assert short.status_code == 422 and "at least 12 characters" in said(short.content)
    apart = client.post(page, {"passphrase": PASSPHRASE, "again": "teasel reed osier loom"})
    assert apart.status_code == 422 and "another passphrase than the one above" in said(apart.content)
    assert encryption.key_in(place) is None
    assert client.post(page, {"passphrase": PASSPHRASE, "again": PASSPHRASE}).status_code == 302
    assert "are encrypted" in said(client.get(reverse("hosting:by-itself")).content)
    assert AuditRecord.objects.filter(action=AuditRecord.Action.BACKUP_KEY, who=keeper.username).count() == 1
    made = archive.make(settings.BACKUP_DIR, timezone.now())
    scheduled.second_copy()
    (copy,) = archive.backups_in(place / "other", encrypted=True)
    assert all(PASSPHRASE.encode() not in path.read_bytes() for path in place.rglob("*") if path.is_file())
    wrong = restored(place / "wrong", copy, "teasel reed osier loom")
    assert wrong.returncode == 1 and "This passphrase opens none of shopkb-key-" in wrong.stderr
    back = restored(place / "fresh", copy, PASSPHRASE)
    assert back.returncode == 0, back.stderr
    assert f"{made.rows} rows and {len(made.photos)} photos are back" in back.stdout
    assert not list((place / "fresh").glob("restoring-*"))


def restored(data: Path, copy: Path, passphrase: str) -> subprocess.CompletedProcess[str]:
    """``restore`` as a keeper runs it, on a computer where nothing is."""
    manage = Path(django_settings.BASE_DIR) / "manage.py"
    names = {"SHOPKB_DATA_DIR": str(data), "SHOPKB_BACKUP_PASSPHRASE": passphrase, "SHOPKB_LOG_LEVEL": "ERROR"}
    environment = {key: value for key, value in os.environ.items() if key not in ("DATABASE_URL", "PYTHONWARNINGS")}
    command = [sys.executable, str(manage), "restore", str(copy)]
    return subprocess.run(command, env=environment | names, capture_output=True, text=True, check=False)


@pytest.mark.django_db
def test_a_keeper_stops_encrypting(place: Path, key: BackupKey, client: Client, keeper: User) -> None:
    client.force_login(keeper)
    assert client.post(reverse("hosting:encryption"), {"stop": "yes"}).status_code == 302
    assert encryption.key_in(place) is None
    assert "not encrypted any more" in AuditRecord.objects.get(action=AuditRecord.Action.BACKUP_KEY).what


def test_what_cannot_be_opened_is_an_error_of_the_archive() -> None:
    """Whoever restores catches one kind of error."""
    assert issubclass(NotOpened, ArchiveError)
