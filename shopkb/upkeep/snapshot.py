"""A second connection that sees the database as it was at one moment, while others go on writing."""

from __future__ import annotations

import copy
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from django.db import connections, transaction

SNAPSHOT = "snapshot"


@contextmanager
def snapshot_of(alias: str = "default") -> Iterator[str]:
    """Alias of a connection to one moment of the database.

    SQLite: a copy by its backup interface, which never holds a half-written page. PostgreSQL: one transaction that
    reads at REPEATABLE READ.
    """
    source = connections[alias]
    settings = copy.deepcopy(source.settings_dict)
    if source.vendor == "sqlite":
        with tempfile.TemporaryDirectory(prefix="shopkb-snapshot-") as folder:
            path = Path(folder) / "copy.sqlite3"
            copy_sqlite(Path(settings["NAME"]), path)
            settings["NAME"] = str(path)
            with added(SNAPSHOT, settings):
                yield SNAPSHOT
        return
    from psycopg import IsolationLevel

    settings["OPTIONS"] = {**settings["OPTIONS"], "isolation_level": IsolationLevel.REPEATABLE_READ}
    with added(SNAPSHOT, settings), transaction.atomic(using=SNAPSHOT):
        yield SNAPSHOT


@contextmanager
def added(alias: str, settings: dict[str, Any]) -> Iterator[str]:
    """A further database under this alias, closed and forgotten afterwards."""
    connections.databases[alias] = connections.configure_settings({"default": {}, alias: settings})[alias]
    try:
        yield alias
    finally:
        connections[alias].close()
        del connections[alias]
        del connections.databases[alias]


def copy_sqlite(source: Path, target: Path) -> None:
    """Copy a SQLite file in use. The copy is whole, whatever is written meanwhile."""
    with (
        closing(sqlite3.connect(f"file:{source}?mode=ro", uri=True, timeout=20)) as open_source,
        closing(sqlite3.connect(target)) as copied,
    ):
        open_source.backup(copied)
