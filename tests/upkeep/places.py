"""Empty databases of either kind for tests that carry a shop from one to another."""

from __future__ import annotations

import copy
import inspect
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import connection
from django.db.backends.base.base import BaseDatabaseWrapper

from shopkb.upkeep.snapshot import added


def unguarded() -> Callable[..., None]:
    """Opening a connection as it is when Django's test cases do not forbid every database but the first."""
    guarded = inspect.getclosurevars(BaseDatabaseWrapper.ensure_connection).nonlocals
    return guarded["real_ensure_connection"]


def sqlite_at(path: Path) -> dict[str, Any]:
    return {"ENGINE": "django.db.backends.sqlite3", "NAME": str(path), "OPTIONS": settings.SQLITE_OPTIONS}


@contextmanager
def fresh(kind: str, folder: Path, alias: str) -> Iterator[str]:
    """An empty database; ``kind`` is ``sqlite`` or the vendor of the one under test."""
    if kind == "sqlite":
        with added(alias, sqlite_at(folder / f"{alias}.sqlite3")):
            yield alias
        return
    name = f"{connection.settings_dict['NAME']}_{alias}"
    with connection.cursor() as cursor:
        cursor.execute(f'DROP DATABASE IF EXISTS "{name}"')
        cursor.execute(f'CREATE DATABASE "{name}"')
    try:
        with added(alias, {**copy.deepcopy(connection.settings_dict), "NAME": name}):
            yield alias
    finally:
        with connection.cursor() as cursor:
            cursor.execute(f'DROP DATABASE "{name}"')
