"""Whether the database can be trusted with the shop's records. Runs with ``check --database default`` and ``migrate``.

SQLite 3.7.0 to 3.51.2 can lose a commit in write-ahead mode when one connection checkpoints while another writes
(the WAL-reset bug; fixed in 3.51.3, and in 3.50.7 and 3.44.6 for those lines). Without write-ahead log every build
is safe.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.core.checks import CheckMessage, Error, Info, Tags, Warning, register
from django.db import connections
from django.db.backends.base.base import BaseDatabaseWrapper

Version = tuple[int, int, int]

WAL_SINCE: Version = (3, 7, 0)
WAL_FIXED: Version = (3, 51, 3)
WAL_FIXED_IN_LINE: dict[tuple[int, int], int] = {(3, 44): 6, (3, 50): 7}
OLDEST_POSTGRESQL = 15


@register(Tags.database)
def check_databases(*, databases: Sequence[str] | None = None, **kwargs: Any) -> list[CheckMessage]:
    """Look at each database asked for; its own door to the server or file is opened for that."""
    found: list[CheckMessage] = []
    for alias in databases or ():
        connection = connections[alias]
        if connection.vendor == "sqlite":
            found += sqlite_messages(*_sqlite_state(connection))
        elif connection.vendor == "postgresql":
            found += postgresql_messages(_postgresql_major(connection))
    return found


def has_wal_reset_bug(version: Version) -> bool:
    """Whether this build can lose a commit in write-ahead mode."""
    fixed_in_line = WAL_FIXED_IN_LINE.get(version[:2])
    if fixed_in_line is not None and version[2] >= fixed_in_line:
        return False
    return WAL_SINCE <= version < WAL_FIXED


def sqlite_messages(version: Version, journal_mode: str, transaction_mode: str | None) -> list[CheckMessage]:
    """Messages for a build such as (3, 40, 1), a journal mode such as ``delete``, and Django's transaction mode."""
    build = ".".join(str(part) for part in version)
    messages: list[CheckMessage] = []
    if journal_mode.lower() == "wal" and has_wal_reset_bug(version):
        messages.append(
            Error(
                f"SQLite {build} can lose a commit in the write-ahead mode (WAL) that is in force.",
                hint="Set PRAGMA journal_mode=DELETE, or use SQLite 3.51.3 or newer, 3.50.7 or 3.44.6.",
                id="upkeep.E001",
            )
        )
    else:
        messages.append(Info(f"SQLite {build}, journal mode {journal_mode.lower()}.", id="upkeep.I001"))
    begins = (transaction_mode or "DEFERRED").upper()
    if begins != "IMMEDIATE":
        messages.append(
            Warning(
                f"SQLite transactions begin as {begins}: people who write at the same time are refused as locked.",
                hint='Set OPTIONS["transaction_mode"] to "IMMEDIATE".',
                id="upkeep.W001",
            )
        )
    return messages


def postgresql_messages(major: int) -> list[CheckMessage]:
    """Messages for a PostgreSQL server of this major version."""
    if major >= OLDEST_POSTGRESQL:
        return []
    return [
        Error(
            f"PostgreSQL {major} is too old.",
            hint=f"Use PostgreSQL {OLDEST_POSTGRESQL} or newer; older ones are not tried here.",
            id="upkeep.E002",
        )
    ]


def _sqlite_state(connection: BaseDatabaseWrapper) -> tuple[Version, str, str | None]:
    with connection.cursor() as cursor:
        build = cursor.execute("SELECT sqlite_version()").fetchone()[0]
        mode = cursor.execute("PRAGMA journal_mode").fetchone()[0]
    parts = [int(part) for part in build.split(".")[:3]]
    return (parts[0], parts[1], parts[2]), mode, connection.settings_dict["OPTIONS"].get("transaction_mode")


def _postgresql_major(connection: BaseDatabaseWrapper) -> int:
    with connection.cursor() as cursor:
        cursor.execute("SHOW server_version_num")
        return int(cursor.fetchone()[0]) // 10000
