"""``manage.py shop`` from an empty folder on: what it makes, and what it refuses in a sentence, with nothing half made.

Each case runs the command as a keeper does, in a process of its own on a folder of its own.
"""

from __future__ import annotations

import os
import shutil
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError

from shopkb.hosting import only_one, place
from shopkb.hosting.management.commands import shop
from tests.conftest import ROOT

pytestmark = pytest.mark.one_database
Row = tuple[Any, ...]


def manage(folder: Path, *args: str, **more: str) -> tuple[int, str]:
    """Exit code and everything that was printed."""
    left_out = ("DATABASE_URL", "SHOPKB_WORLD")
    known = {name: value for name, value in os.environ.items() if name not in left_out}
    env = {**known, "SHOPKB_DATA_DIR": str(folder), **more}
    command = [sys.executable, "manage.py", *args]
    done = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


def rows(folder: Path, query: str) -> list[Row]:
    with closing(sqlite3.connect(folder / "shop.sqlite3")) as file:
        return file.execute(query).fetchall()


def change(folder: Path, *statements: str) -> None:
    with closing(sqlite3.connect(folder / "shop.sqlite3")) as file:
        for statement in statements:
            file.execute(statement)
        file.commit()


def migrated(folder: Path, targets: str) -> None:
    """Tables up to these migrations, an expression in Python, and nothing else done."""
    code, told = manage(folder, "shell", "-v0", "-c", MIGRATE.format(targets=targets))
    assert code == 0, told


MIGRATE = """
from django.db import connection
from django.db.migrations.executor import MigrationExecutor
executor = MigrationExecutor(connection)
leaves = executor.loader.graph.leaf_nodes()
executor.migrate({targets})
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A place as the command makes it the first time."""
    folder = tmp_path_factory.mktemp("made") / "shop"
    code, told = manage(folder, "shop", "--no-serve")
    assert (code, told) == (0, "Making the database ...\n")
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "shop"))


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop of a version before the readers of jobs were counted, with a keeper."""
    folder = tmp_path_factory.mktemp("old") / "shop"
    migrated(folder, '[key for key in leaves if key[0] != "jobs"] + [("jobs", "0014_skip_without_tool")]')
    change(
        folder,
        "INSERT INTO accounts_user (password, is_superuser, username, first_name, last_name, email, is_staff,"
        " is_active, date_joined, role, called, pin)"
        " VALUES ('!', 0, 'winifred', '', '', '', 1, 1, '2026-01-01', 'keeper', '', '')",
    )
    return folder


@pytest.fixture
def older(old: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(old, tmp_path / "shop"))


def test_the_first_time_makes_a_place_for_this_account_alone(made: Path) -> None:
    assert {"secret-key", "shop.sqlite3"} <= {path.name for path in made.iterdir()}
    assert made.stat().st_mode & 0o077 == 0
    assert rows(made, "SELECT count(*) FROM accounts_user") == [(0,)]


def test_the_second_time_changes_nothing(folder: Path) -> None:
    before = (folder / "shop.sqlite3").read_bytes()
    assert manage(folder, "shop", "--no-serve") == (0, "")
    assert (folder / "shop.sqlite3").read_bytes() == before


def test_a_place_that_was_being_made_is_finished(tmp_path: Path) -> None:
    """As if it had been killed between two migrations."""
    half = tmp_path / "half"
    migrated(half, '[("catalog", "0003_fault_codes_help")]')
    assert manage(half, "shop", "--no-serve") == (0, "Making the database ...\n")
    assert manage(half, "shop", "--no-serve") == (0, "")


def newer(folder: Path) -> None:
    change(folder, "INSERT INTO django_migrations (app, name, applied) VALUES ('jobs', '0999_later', '2030-01-01')")


def foreign(folder: Path) -> None:
    (folder / "shop.sqlite3").unlink()
    change(folder, "CREATE TABLE parts (id INTEGER)")


def demo(folder: Path) -> None:
    change(folder, "INSERT INTO demo_demomark (id, made_at, seed, jobs) VALUES (1, '2026-01-01', 11, 400)")


def damaged(folder: Path) -> None:
    (folder / "shop.sqlite3").write_bytes(b"no database" * 1000)


PLACES: dict[str, tuple[Callable[[Path], None], dict[str, str], str]] = {
    "a newer version": (
        newer,
        {},
        "The shop in {file} was made by a newer version of the tool: this one does not know its jobs.0999_later. "
        "Install that version again, or a newer one. Nothing was changed.",
    ),
    "another program": (
        foreign,
        {},
        "The database {file} holds data of another program. Name another folder in SHOPKB_DATA_DIR, or an empty "
        "database in DATABASE_URL. Nothing was changed.",
    ),
    "the demo": (
        demo,
        {},
        "The database {file} holds the demo. Name another folder in SHOPKB_DATA_DIR. Nothing was changed.",
    ),
    "a damaged file": (
        damaged,
        {},
        "The database {file} cannot be read: file is not a database. If it is damaged, manage.py verify says what to "
        "do. Nothing was changed.",
    ),
    "the demo's world": (
        lambda _folder: None,
        {"SHOPKB_WORLD": "demo"},
        "SHOPKB_WORLD is 'demo', and a real shop never lives in the demo's database. Leave it out. Nothing was "
        "changed.",
    ),
    "debugging on": (
        lambda _folder: None,
        {"SHOPKB_DEBUG": "yes"},
        "SHOPKB_DEBUG is on; pages would show their insides. Switch it off.",
    ),
    "behind a proxy": (
        lambda _folder: None,
        {"SHOPKB_BEHIND_PROXY": "yes"},
        "SHOPKB_HTTPS or SHOPKB_BEHIND_PROXY is on, for a server behind a proxy that speaks TLS. This command speaks "
        "it by itself, and would take the word of anybody on the network for it. Leave both out.",
    ),
    "a setting that is none": (
        lambda _folder: None,
        {"SHOPKB_DISTANCE_UNIT": "ells"},
        "SHOPKB_DISTANCE_UNIT is 'ells'; write one of: miles, km.",
    ),
}


@pytest.mark.parametrize("case", PLACES)
def test_a_place_that_will_not_do_is_told_in_a_sentence_and_left_alone(folder: Path, case: str) -> None:
    spoil, env, sentence = PLACES[case]
    spoil(folder)
    before = (folder / "shop.sqlite3").read_bytes()
    code, told = manage(folder, "shop", "--no-serve", **env)
    assert told.strip().removeprefix("CommandError: ") == sentence.format(file=folder / "shop.sqlite3")
    assert code == (1 if case == "a setting that is none" else 2)
    assert (folder / "shop.sqlite3").read_bytes() == before


def test_a_folder_that_cannot_be_made_is_told_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    code, told = manage(tmp_path / "file" / "shop", "shop", "--no-serve")
    assert (code, told.strip()) == (
        1,
        f"The folder {tmp_path / 'file' / 'shop'} cannot be made: Not a directory. Name another in SHOPKB_DATA_DIR.",
    )


def test_two_at_once(folder: Path) -> None:
    with only_one.hold(folder):
        code, told = manage(folder, "shop", "--no-serve")
        assert (code, told.strip()) == (
            2,
            f"CommandError: The shop in {folder} is being served already. Open it in a browser, or end that service "
            "first.",
        )
        only_one.tell_address(folder, "http://127.0.0.1:8000/")
        assert f"The shop in {folder} is being served already at http://127.0.0.1:8000/. Open" in manage(
            folder, "shop", "--no-serve"
        )[1].replace("\n", " ")
    assert manage(folder, "shop", "--no-serve")[0] == 0
    assert only_one.told_address(folder) == ""


def test_a_busy_port_is_told_before_anything_is_made(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        code, told = manage(tmp_path / "shop", "shop", "--port", str(port))
    assert (code, told.strip()) == (
        2,
        f"CommandError: Port {port} cannot be used: another program has it, or this account may not. Name another, "
        f"such as --port {port + 1}. Nothing was changed.",
    )
    assert not (tmp_path / "shop" / "shop.sqlite3").exists()


def test_a_full_disk_is_told_before_anything_is_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(place.shutil, "disk_usage", lambda _folder: shutil._ntuple_diskusage(10**9, 10**9, 10**6))
    with pytest.raises(place.Unusable) as refusal:
        place.enough_room(tmp_path)
    assert str(refusal.value) == (
        f"The disk that holds {tmp_path} has 0 MB left, and this needs 200 MB. Make room, or name a folder on another "
        "disk in SHOPKB_DATA_DIR."
    )


@pytest.mark.parametrize("port", [-1, 70_000])
def test_a_port_that_is_none(port: int) -> None:
    with pytest.raises(CommandError, match="cannot be used"):
        shop.must_be_free(port)


def test_a_busy_port_for_tablets_names_its_own_option() -> None:
    with socket.socket() as taken:
        taken.bind((shop.EVERYWHERE, 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(CommandError, match=f"Port {port} cannot be used: .* such as --tls-port {port + 1}"):
            shop.must_be_free(port, shop.EVERYWHERE, "--tls-port")


# Upgrades


@pytest.fixture
def kept(older: Path) -> Iterator[bytes]:
    yield (older / "shop.sqlite3").read_bytes()


def test_an_older_shop_is_backed_up_and_brought_to_this_version(older: Path, tmp_path: Path) -> None:
    code, told = manage(older, "shop", "--no-serve")
    assert code == 0, told
    lines = told.splitlines()
    assert lines[0] == "This shop was made by an older version. Bringing it to this one ..."
    assert lines[1].startswith(f"Backup before the upgrade: {older / 'backups' / 'shopkb-'}")
    assert lines[2] == "Done, and every law of what is stored holds."
    assert rows(older, "SELECT username FROM accounts_user") == [("winifred",)]
    assert rows(older, "SELECT count(*) FROM django_migrations WHERE name = '0015_readings'") == [(1,)]
    assert not (older / "shop.sqlite3-before-upgrade").exists()
    code, told = manage(tmp_path / "new", "restore", lines[1].partition(": ")[2])
    assert code == 0, told
    assert rows(tmp_path / "new", "SELECT username FROM accounts_user") == [("winifred",)]


def test_an_upgrade_that_fails_puts_everything_back_and_says_why(older: Path) -> None:
    change(older, "CREATE TABLE jobs_jobreading (id INTEGER)")
    before = rows(older, "SELECT name, sql FROM sqlite_master ORDER BY name")
    code, told = manage(older, "shop", "--no-serve")
    assert code == 1
    assert "The upgrade failed, and everything is as it was:" in told
    assert " already exists. Start the version that was here before; the backup is " in told
    assert rows(older, "SELECT name, sql FROM sqlite_master ORDER BY name") == before
    assert rows(older, "SELECT count(*) FROM django_migrations WHERE name = '0015_readings'") == [(0,)]


def test_an_upgrade_without_a_backup_is_not_begun(older: Path, kept: bytes) -> None:
    (older / "backups").write_text("no folder")
    code, told = manage(older, "shop", "--no-serve")
    assert code == 1
    assert "No backup could be made, so nothing was changed:" in told
    assert (older / "shop.sqlite3").read_bytes() == kept


def test_an_upgrade_that_was_killed_is_undone_at_the_next_start(older: Path, kept: bytes) -> None:
    (older / "shop.sqlite3-before-upgrade").write_bytes(kept)
    change(older, "DROP TABLE jobs_job")
    code, told = manage(older, "shop", "--no-serve")
    assert code == 0, told
    assert told.startswith("An upgrade was broken off the last time. Everything is as it was before it; what the")
    (aside,) = older.glob("shop.sqlite3-broken-off-*")
    assert str(aside) in told
    with closing(sqlite3.connect(aside)) as left:
        assert not left.execute("SELECT name FROM sqlite_master WHERE name = 'jobs_job'").fetchall()
    assert rows(older, "SELECT count(*) FROM jobs_job") == [(0,)]
