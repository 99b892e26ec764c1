"""Backups hold everything, say when they are damaged, and come back equal on either database."""

from __future__ import annotations

import hashlib
import json
import threading
import tracemalloc
import zipfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.db.backends.base.base import BaseDatabaseWrapper

from shopkb.accounts.models import User
from shopkb.jobs.actions import closing
from shopkb.jobs.models import Job, Result
from shopkb.procedures.models import Procedure
from shopkb.upkeep import archive, restoring
from shopkb.upkeep.archive import ArchiveError
from shopkb.upkeep.chains import chain_ends
from tests import builders
from tests.upkeep.places import fresh, unguarded

pytestmark = pytest.mark.django_db(transaction=True)

LATE = datetime(2026, 3, 2, 18, 30, 5, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _other_databases(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """These tests are about more than one database."""
    monkeypatch.setattr(BaseDatabaseWrapper, "ensure_connection", unguarded())


@pytest.fixture
def photos(tmp_path: Path, settings: Any) -> Path:
    settings.MEDIA_ROOT = tmp_path / "photos"
    settings.MEDIA_ROOT.mkdir()
    (settings.MEDIA_ROOT / "burnt.jpg").write_bytes(b"\xff\xd8 a picture")
    return settings.MEDIA_ROOT


@pytest.fixture
def shop(horn: Procedure, junior: User, senior: User, photos: Path) -> Iterator[None]:
    """Closed, open and reopened jobs with readings, a comeback, umlauts and signs."""
    closed = builders.cured_job(horn, junior)
    builders.take_in(junior, comeback_of=closed, complaint="Hupe tönt wieder nicht: 4,7 kΩ − „kalt“ 🚌")
    reopened = builders.cured_job(horn, junior, builders.TO_GROUND)
    closing.reopen_job(reopened, by=senior)
    yield


def test_a_backup_is_dated_and_says_what_it_holds(shop: None, tmp_path: Path) -> None:
    made = archive.make(tmp_path / "out", LATE)
    assert made.path.name == "shopkb-20260302T183005Z.zip"
    assert made.tables["jobs_job"][0] == Job.objects.count() == 3
    assert made.tables["jobs_result"][0] == Result.objects.count()
    assert "django_session" not in made.tables
    assert list(made.photos) == ["burnt.jpg"]
    assert oct(made.path.stat().st_mode & 0o777) == "0o600"
    with zipfile.ZipFile(made.path) as file:
        assert "procedure: horn-silent" in file.read("procedures/horn-silent.yaml").decode()
    assert [path.name for path in (tmp_path / "out").iterdir()] == [made.path.name]


def test_a_changed_byte_is_told(shop: None, tmp_path: Path) -> None:
    made = archive.make(tmp_path, LATE)
    other = tmp_path / "other.zip"
    with zipfile.ZipFile(made.path) as held, zipfile.ZipFile(other, "w") as file:
        for name in held.namelist():
            body = held.read(name)
            file.writestr(name, body.replace(b"4,7 k", b"4,8 k") if name == "tables/jobs_job.jsonl" else body)
    with pytest.raises(ArchiveError) as refused:
        archive.read(other)
    assert str(refused.value) == (
        "other.zip is damaged: tables/jobs_job.jsonl is not what was written. Take another backup."
    )


def test_what_is_no_backup_is_told(tmp_path: Path) -> None:
    path = tmp_path / "letter.zip"
    path.write_text("Dear shop")
    with pytest.raises(ArchiveError) as refused:
        archive.read(path)
    assert str(refused.value) == "letter.zip is no whole backup: File is not a zip file"


def test_the_oldest_go(shop: None, tmp_path: Path) -> None:
    for day in range(4):
        archive.make(tmp_path, LATE + timedelta(days=day))
    gone = archive.rotate(tmp_path, 2)
    assert [path.name[7:15] for path in gone] == ["20260303", "20260302"]
    assert [path.name[7:15] for path in archive.backups_in(tmp_path)] == ["20260305", "20260304"]
    assert archive.made_at(archive.backups_in(tmp_path)[0]) == LATE + timedelta(days=3)


def test_it_comes_back_equal_and_goes_on_counting(shop: None, tmp_path: Path) -> None:
    """To SQLite, and from there to the kind of database under test: every table equal byte for byte."""
    made = archive.make(tmp_path, LATE)
    newest = Job.objects.latest("pk").pk
    with fresh("sqlite", tmp_path, "there") as there:
        restoring.restore(made, alias=there)
        assert restoring.differing(restoring.current_digests("default"), restoring.current_digests(there)) == []
        again = archive.make(tmp_path / "again", LATE, alias=there)
        assert again.tables == made.tables
        with fresh(connection.vendor, tmp_path, "back") as back:
            restoring.restore(again, alias=back)
            assert chain_ends() == chain_ends(there) == chain_ends(back)
            assert made.log_ends == again.log_ends == chain_ends().digest
            assert restoring.differing(restoring.current_digests(there), restoring.current_digests(back)) == []
            job = Job.objects.using(back).get(pk=newest)
            job.pk, job.client_id = None, "3f7d5c52-0a39-4f8e-9d0e-0d6c6f6f0001"
            job.save(using=back)
            assert job.pk > newest


def test_a_place_with_something_in_it_is_left_alone(shop: None, tmp_path: Path) -> None:
    made = archive.make(tmp_path, LATE)
    with pytest.raises(restoring.TargetNotEmpty) as refused:
        restoring.restore(made)
    assert str(refused.value).endswith("Name an empty one; nothing was changed.")
    assert Job.objects.count() == 3


def test_a_backup_of_a_newer_version_is_refused(shop: None, tmp_path: Path) -> None:
    made = archive.make(tmp_path, LATE)
    newer = archive.Archive(
        made.path, made.made_at, "9.9", (*made.migrations, ("jobs", "0999_later")), made.tables, made.photos
    )
    with fresh("sqlite", tmp_path, "there") as there, pytest.raises(ArchiveError) as refused:
        restoring.restore(newer, alias=there)
    assert str(refused.value) == (
        "shopkb-20260302T183005Z.zip was made by version 9.9, which knows tables that this one does not "
        "(jobs.0999_later). Restore it with that version or a newer one."
    )


def test_a_picture_outside_its_folder_is_refused(shop: None, tmp_path: Path, settings: Any) -> None:
    made = archive.make(tmp_path, LATE)
    settings.MEDIA_ROOT = tmp_path / "elsewhere"
    bad = archive.Archive(
        made.path, made.made_at, made.version, made.migrations, made.tables, {"../../evil.jpg": (1, "")}
    )
    with pytest.raises(ArchiveError) as refused:
        restoring.restore_photos(bad)
    assert str(refused.value) == "shopkb-20260302T183005Z.zip names a picture outside its folder: ../../evil.jpg."
    assert restoring.restore_photos(made) == 1
    assert (tmp_path / "elsewhere" / "burnt.jpg").read_bytes() == b"\xff\xd8 a picture"


def forged(made: archive.Archive, to: Path, **parts: Any) -> Path:
    """The backup with other words of itself, and with further files."""
    with zipfile.ZipFile(made.path) as held, zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as file:
        manifest = json.loads(held.read("manifest.json"))
        for name in held.namelist():
            if name != "manifest.json":
                file.writestr(name, held.read(name))
        for name, body in parts.get("photos", {}).items():
            file.writestr(zipfile.ZipInfo(f"photos/{name}"), body)
            manifest["photos"][name] = (parts.get("size", len(body)), hashlib.sha256(body).hexdigest())
        manifest["tables"] |= parts.get("tables", {})
        file.writestr("manifest.json", json.dumps(manifest) + " " * parts.get("longer", 0))
    return to


OUTSIDE = ("../evil.jpg", "/etc/evil.jpg", "a/../../evil.jpg", "C:\\evil.jpg", "C:evil.jpg", "..\\evil.jpg",
           "\\\\host\\evil", "a//evil.jpg", "a/.. /evil.jpg", "evil.jpg:stream", "evil\n.jpg", ".", "")  # fmt: skip


def test_a_hostile_backup_is_refused_before_anything_is_loaded(
    shop: None, tmp_path: Path, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = archive.make(tmp_path, LATE)
    settings.MEDIA_ROOT = tmp_path / "elsewhere"
    monkeypatch.setattr("shopkb.upkeep.management.commands.restore.restore", lambda _archive: pytest.fail("loaded"))
    bad = [forged(made, tmp_path / f"name{n}.zip", photos={name: b"x"}) for n, name in enumerate(OUTSIDE)]
    bad.append(forged(made, tmp_path / "table.zip", tables={"../jobs_job": (1, "")}))
    bad.append(forged(made, tmp_path / "grows.zip", photos={"big.jpg": b"x" * 100_000}, size=10))
    bad.append(forged(made, tmp_path / "manifest.zip", longer=archive.LARGEST_MANIFEST))
    for path in bad:
        with pytest.raises(CommandError) as refused:
            call_command("restore", path)
        assert refused.value.returncode == 1
        assert any(words in str(refused.value) for words in ("outside its folder", "larger than", "unpacks to more"))
    assert not (tmp_path / "elsewhere").exists()
    archive.read(forged(made, tmp_path / "good.zip", photos={"step-ä b.jpg": b"x", "deep/er/x.jpg": b"y"}))


def test_a_manifest_is_read_no_further_than_it_may_be_long(shop: None, tmp_path: Path) -> None:
    """A megabyte that unpacks to a gigabyte took two gigabytes of memory."""
    made = archive.make(tmp_path, LATE)
    bad = forged(made, tmp_path / "bomb.zip", longer=4 * archive.LARGEST_MANIFEST)
    assert bad.stat().st_size < 2_000_000
    tracemalloc.start()
    with pytest.raises(ArchiveError):
        archive.read(bad)
    assert tracemalloc.get_traced_memory()[1] < 2.5 * archive.LARGEST_MANIFEST
    tracemalloc.stop()


def test_a_backup_under_load_is_one_moment(shop: None, junior: User, horn: Procedure, tmp_path: Path) -> None:
    """Jobs are taken in while backups are made; each backup restores to a shop in which every law holds."""
    stop = threading.Event()
    stored = []

    def work() -> None:
        while not stop.is_set():
            stored.append(builders.cured_job(horn, junior).pk)
        connection.close()

    thread = threading.Thread(target=work)
    thread.start()
    try:
        made = [archive.make(tmp_path, LATE + timedelta(hours=number)) for number in range(2)]
    finally:
        stop.set()
        thread.join()
    assert stored
    for number, one in enumerate(made):
        with fresh("sqlite", tmp_path, f"there{number}") as there:
            restoring.restore(one, alias=there)
            closed = Job.objects.using(there).closed()
            assert closed.count() >= 1
            assert not closed.filter(runs__state="under-way").exists()


def test_moving_is_one_command(shop: None, tmp_path: Path) -> None:
    told, progress = StringIO(), StringIO()
    call_command("move_database", f"sqlite:///{tmp_path / 'moved.sqlite3'}", stdout=told, stderr=progress)
    for said in ("read jobs_job: 3 rows", "stored jobs_job: 3 rows", "checked jobs_job"):
        assert said in progress.getvalue().splitlines()
    lines = told.getvalue().splitlines()
    assert lines[0].endswith("tables are equal in both databases.")
    ends = chain_ends()
    assert ends.chains > 2
    assert lines[1] == f"{ends.events} events in {ends.chains} chains end alike in both: {ends.digest[:16]}."
    assert lines[2] == f"From now on start the server with DATABASE_URL=sqlite:///{tmp_path / 'moved.sqlite3'}"
    with pytest.raises(CommandError) as refused:
        call_command("move_database", f"sqlite:///{tmp_path / 'moved.sqlite3'}", stdout=StringIO())
    assert refused.value.returncode == 2


def test_the_command_tells_and_rotates(shop: None, tmp_path: Path) -> None:
    told = StringIO()
    call_command("backup", to=tmp_path / "out", keep=1, json=True, stdout=told)
    said = json.loads(told.getvalue())
    assert said["photos"] == 1
    assert Path(said["file"]).stat().st_size == said["bytes"]
    (tmp_path / "file").write_text("")
    with pytest.raises(CommandError) as refused:
        call_command("backup", to=tmp_path / "file")
    assert str(refused.value).startswith("No backup was made: ")
    assert refused.value.returncode == 1
