"""The empty database of the tests: brought up by every migration once in a run, copied for the other worker processes.

Migrations that lead from earlier states here have tests of their own (``tests/upkeep/test_migrations.py``).
"""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from django.conf import settings
from django.db import connection
from django.test.utils import setup_databases, teardown_databases

PLACE = Path(os.environ["SHOPKB_DATA_DIR"])
RUN = os.environ.get("PYTEST_XDIST_TESTRUNUID", "")
"""Of one run; a process on its own shares with nobody."""


@contextmanager
def one_database() -> Iterator[None]:
    """The connection leads to an empty, migrated database, which is gone afterwards."""
    if not RUN:
        made = setup_databases(verbosity=0, interactive=False, serialized_aliases=())
        yield
        teardown_databases(made, verbosity=0)
        return
    before = str(connection.settings_dict["NAME"])
    with (PLACE / f"{RUN}-{connection.vendor}-migrated.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        first = Path(lock.name).with_suffix(".made")
        if first.exists():
            _copy(_template(before), _own())
            _lead_to(_own())
        else:
            setup_databases(verbosity=0, interactive=False, serialized_aliases=())
            connection.close()
            _copy(_own(), _template(before))
            first.touch()
    connection.ensure_connection()
    yield
    connection.creation.destroy_test_db(before, verbosity=0)


def _own() -> str:
    """Name of this process's own, as Django makes it."""
    return str(connection.creation._get_test_db_name())


def _template(before: str) -> str:
    """On a server that outlives the run it stays until the next run replaces it."""
    return str(PLACE / f"{RUN}-migrated.sqlite3") if connection.vendor == "sqlite" else f"test_{before}_migrated"


def _copy(source: str, target: str) -> None:
    """Nobody may have the source open."""
    if connection.vendor == "sqlite":
        shutil.copyfile(source, target)
        return
    quote = connection.ops.quote_name
    with connection._nodb_cursor() as cursor:
        cursor.execute(f"DROP DATABASE IF EXISTS {quote(target)}")
        cursor.execute(f"CREATE DATABASE {quote(target)} TEMPLATE {quote(source)}")


def _lead_to(name: str) -> None:
    connection.close()
    settings.DATABASES[connection.alias]["NAME"] = name
    connection.settings_dict["NAME"] = name
