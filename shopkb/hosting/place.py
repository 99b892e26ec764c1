"""What lies in the place where a shop is to be: nothing, a shop of this version, of an older or a newer one, or other
data. Only looks."""

from __future__ import annotations

import shutil
from enum import Enum
from pathlib import Path

from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor

from shopkb.accounts.models import User
from shopkb.demo.models import DemoMark

ROOM_NEEDED = 200 * 1024 * 1024
"""Bytes free on the disk below which nothing is made or upgraded: the database, its journal and a backup."""


class Unusable(Exception):
    """No shop can be made or served here; the sentence says why and what would be right. Nothing was changed."""


class State(Enum):
    EMPTY = "empty"
    """Nothing, or tables that were being made when it was broken off: nobody's data."""
    READY = "ready"
    OLDER = "older"


def look() -> State:
    """Raises:
    Unusable: it holds other data, the demo's, those of a newer version, or cannot be read.
    """
    if settings.WORLD == "demo":
        raise Unusable("SHOPKB_WORLD is 'demo', and a real shop never lives in the demo's database. Leave it out.")
    try:
        return _state()
    except DatabaseError as error:
        raise Unusable(
            f"The database {_name()} cannot be read: {error}. If it is damaged, manage.py verify says what to do."
        ) from error


def enough_room(folder: Path) -> None:
    """Raises:
    Unusable: the disk is full, or nearly.
    """
    free = shutil.disk_usage(folder).free
    if free < ROOM_NEEDED:
        raise Unusable(
            f"The disk that holds {folder} has {free // 1024**2} MB left, and this needs {ROOM_NEEDED // 1024**2} MB. "
            "Make room, or name a folder on another disk in SHOPKB_DATA_DIR."
        )


def _state() -> State:
    tables = connection.introspection.table_names()
    if not tables:
        return State.EMPTY
    executor = MigrationExecutor(connection)
    applied = set(executor.loader.applied_migrations)
    ours = {app for app, _name in applied} & {"accounts", "catalog", "jobs", "procedures"}
    unknown = sorted(applied - set(executor.loader.graph.nodes))
    if unknown and ours:
        raise Unusable(
            f"The shop in {_name()} was made by a newer version of the tool: this one does not know its "
            f"{'.'.join(unknown[0])}. Install that version again, or a newer one."
        )
    if unknown or not applied:
        raise Unusable(
            f"The database {_name()} holds data of another program. Name another folder in SHOPKB_DATA_DIR, or an "
            "empty database in DATABASE_URL."
        )
    if DemoMark._meta.db_table in tables and DemoMark.objects.exists():
        raise Unusable(f"The database {_name()} holds the demo. Name another folder in SHOPKB_DATA_DIR.")
    if not executor.migration_plan(executor.loader.graph.leaf_nodes()):
        return State.READY
    return State.OLDER if User._meta.db_table in tables and _has_rows(User._meta.db_table) else State.EMPTY


def _has_rows(table: str) -> bool:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT 1 FROM {connection.ops.quote_name(table)} LIMIT 1")  # noqa: S608 - a name of ours
        return cursor.fetchone() is not None


def _name() -> str:
    return str(connection.settings_dict["NAME"])
