"""Of a damaged database every row is read that can be; the damaged file stays as it is."""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
from contextlib import closing
from io import StringIO
from pathlib import Path

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command
from django.db.backends.base.base import BaseDatabaseWrapper

from shopkb.upkeep.salvaging import must_be_readable, salvage
from tests.upkeep.places import unguarded
from tests.upkeep.test_damaged import emptied, folder, header_lost

__all__ = ["folder"]

pytestmark = [pytest.mark.one_database, pytest.mark.django_db(transaction=True)]
NOTES = 20_000


@pytest.fixture
def full(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A database with one table of many pages: lines of the log of who did what."""
    monkeypatch.setattr(BaseDatabaseWrapper, "ensure_connection", unguarded())
    (folder / "photos").mkdir()
    (folder / "photos" / "a.jpg").write_bytes(b"picture")
    file = folder / "shop.sqlite3"
    with closing(sqlite3.connect(file)) as base, base:
        base.executemany(
            "INSERT INTO accounts_auditrecord (at, action, who, what, address) "
            "VALUES ('2026-03-02', 'published', ?, ?, '')",
            ((f"person {number}", "x" * 60) for number in range(NOTES)),
        )
    return file


@pytest.fixture
def empty(full: Path, tmp_path: Path) -> Path:
    """A database with the tables of this version and no rows."""
    shutil.copy(settings.DATABASES["default"]["NAME"], tmp_path / "empty.sqlite3")
    return tmp_path / "empty.sqlite3"


def salvaged(file: Path, to: Path) -> tuple[dict[str, object], int]:
    """What the command says, and how it ends."""
    out = StringIO()
    try:
        call_command("salvage", str(file), to=to, json=True, stdout=out)
    except CommandError as error:
        return json.loads(out.getvalue() or "{}"), error.returncode
    return json.loads(out.getvalue()), 0


def people(file: Path) -> set[str]:
    with closing(sqlite3.connect(file)) as base:
        return {who for (who,) in base.execute("SELECT who FROM accounts_auditrecord")}


def test_a_whole_database_comes_whole(full: Path, tmp_path: Path) -> None:
    told, code = salvaged(full, tmp_path / "new")
    assert (told["lost"], code) == (0, 0)
    new = tmp_path / "new" / f"{settings.WORLD}.sqlite3"
    with closing(sqlite3.connect(full)) as one, closing(sqlite3.connect(new)) as other:
        tables = [name for (name,) in one.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        for table in set(tables) - {"django_session", "django_migrations", "sqlite_sequence"}:
            asked = f'SELECT * FROM "{table}" ORDER BY 1'
            assert one.execute(asked).fetchall() == other.execute(asked).fetchall(), table
    assert (tmp_path / "new" / "photos" / "a.jpg").read_bytes() == b"picture"


def test_pages_that_are_gone_cost_the_rows_on_them_and_no_others(full: Path, empty: Path) -> None:
    body = bytearray(full.read_bytes())
    gone = body.index(b"person 9000x")
    page = gone // 4096 * 4096
    body[page : page + 3 * 4096] = b"\xff" * (3 * 4096)
    full.write_bytes(body)
    found = {one.table: one for one in salvage(full, empty)}
    lost = {f"person {number}" for number in range(NOTES)} - people(empty)
    assert 30 <= len(lost) <= 300
    assert "person 9000" in lost
    assert found["accounts_auditrecord"].lost == len(lost)
    assert full.read_bytes() == bytes(body)


def test_bytes_that_changed_here_and_there_leave_a_whole_database(full: Path, empty: Path) -> None:
    body = bytearray(full.read_bytes())
    chosen = random.Random(3)
    for _ in range(200):
        body[chosen.randrange(2_000_000, len(body))] ^= 0xFF
    full.write_bytes(body)
    must_be_readable(full)
    found = salvage(full, empty)
    assert sum(one.rows for one in found) > NOTES / 2
    with closing(sqlite3.connect(empty)) as base:
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.parametrize("damage", [header_lost, emptied])
def test_where_nothing_can_be_read_it_says_so(full: Path, tmp_path: Path, damage: object) -> None:
    body = bytearray(full.read_bytes())
    damage(body)  # type: ignore[operator]
    full.write_bytes(body)
    with pytest.raises(CommandError) as refused:
        call_command("salvage", str(full), to=tmp_path / "new", stdout=StringIO())
    assert refused.value.returncode == 1
    assert "Restore the last good backup" in str(refused.value)
    assert not (tmp_path / "new").exists()


def test_a_folder_with_something_in_it_is_left_alone(full: Path, tmp_path: Path) -> None:
    for to, file in ((full.parent, full), (tmp_path / "new", tmp_path / "none")):
        with pytest.raises(CommandError) as refused:
            call_command("salvage", str(file), to=to)
        assert refused.value.returncode == 2
    assert not (tmp_path / "new").exists()


def test_a_table_whose_description_is_damaged_is_named_and_the_others_come(full: Path, empty: Path) -> None:
    body = full.read_bytes()
    full.write_bytes(body.replace(b'CREATE TABLE "catalog_meter"', b'CREATX TABLE "catalog_meter"'))
    found = {one.table: one for one in salvage(full, empty)}
    assert [table for table, one in found.items() if not one.complete] == ["catalog_meter"]
    assert found["accounts_auditrecord"].rows >= NOTES
