from __future__ import annotations

import sqlite3
from io import StringIO

import pytest
from django.core.checks import Error, Info, Warning, run_checks
from django.core.management import call_command
from django.db import connection

from shopkb.upkeep.checks import has_wal_reset_bug, postgresql_messages, sqlite_messages


@pytest.mark.parametrize(
    ("version", "bug"),
    [
        # Affected 3.7.0 to 3.51.2; fixed in 3.51.3, back-ported to 3.50.7 and 3.44.6 (SQLite release history).
        ((3, 6, 23), False),
        ((3, 7, 0), True),
        ((3, 40, 1), True),
        ((3, 44, 5), True),
        ((3, 44, 6), False),
        ((3, 45, 0), True),
        ((3, 50, 6), True),
        ((3, 50, 7), False),
        ((3, 51, 2), True),
        ((3, 51, 3), False),
        ((3, 52, 0), False),
    ],
)
def test_builds_with_the_wal_reset_bug(version: tuple[int, int, int], bug: bool) -> None:
    assert has_wal_reset_bug(version) is bug
    assert [message.id for message in sqlite_messages(version, "wal", "IMMEDIATE")] == [
        "upkeep.E001" if bug else "upkeep.I001"
    ]
    assert [message.id for message in sqlite_messages(version, "delete", "IMMEDIATE")] == ["upkeep.I001"]


def test_write_ahead_on_a_build_with_the_bug_is_an_error() -> None:
    assert sqlite_messages((3, 40, 1), "WAL", "IMMEDIATE") == [
        Error(
            "SQLite 3.40.1 can lose a commit in the write-ahead mode (WAL) that is in force.",
            hint="Set PRAGMA journal_mode=DELETE, or use SQLite 3.51.3 or newer, 3.50.7 or 3.44.6.",
            id="upkeep.E001",
        )
    ]


def test_what_is_in_force_is_said() -> None:
    assert sqlite_messages((3, 51, 3), "wal", "immediate") == [
        Info("SQLite 3.51.3, journal mode wal.", id="upkeep.I001")
    ]


@pytest.mark.parametrize(("mode", "said"), [(None, "DEFERRED"), ("EXCLUSIVE", "EXCLUSIVE")])
def test_transactions_that_do_not_begin_by_locking(mode: str | None, said: str) -> None:
    assert sqlite_messages((3, 51, 3), "delete", mode)[1:] == [
        Warning(
            f"SQLite transactions begin as {said}: people who write at the same time are refused as locked.",
            hint='Set OPTIONS["transaction_mode"] to "IMMEDIATE".',
            id="upkeep.W001",
        )
    ]


def test_an_old_postgresql_is_an_error() -> None:
    assert postgresql_messages(15) == []
    assert postgresql_messages(14) == [
        Error(
            "PostgreSQL 14 is too old.",
            hint="Use PostgreSQL 15 or newer; older ones are not tried here.",
            id="upkeep.E002",
        )
    ]


@pytest.mark.django_db
def test_the_database_of_the_tests_is_fit() -> None:
    found = [message for message in run_checks(databases=["default"]) if str(message.id).startswith("upkeep")]
    assert [message.id for message in found] == (["upkeep.I001"] if connection.vendor == "sqlite" else [])
    assert all(message.msg.startswith(f"SQLite {sqlite3.sqlite_version}, ") for message in found)


@pytest.mark.django_db
def test_the_check_command_asks_the_database() -> None:
    out = StringIO()
    call_command("check", databases=["default"], stdout=out, stderr=out)
    assert ("journal mode" in out.getvalue()) is (connection.vendor == "sqlite")
