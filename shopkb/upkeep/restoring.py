"""Putting a backup into an empty place, and moving a shop from one database to another."""

from __future__ import annotations

import io
import os
import zipfile
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from django.apps import apps
from django.conf import settings
from django.core.management import call_command
from django.db import connections, transaction
from django.db.migrations.executor import MigrationExecutor

from shopkb.upkeep.archive import Archive, ArchiveError, stays_inside
from shopkb.upkeep.chains import chain_ends
from shopkb.upkeep.portable_rows import digests, go_on_counting, load, models_of, no_report
from shopkb.web.durable import sync_folder


class TargetNotEmpty(Exception):
    """There is something in the place already; nothing was changed."""


def restore(archive: Archive, *, alias: str = "default", report: Callable[[str], None] = no_report) -> None:
    """Load a backup into an empty database, then bring its tables to this version; ``report`` hears of each table.

    Raises:
        NotEmpty: the database has tables, or the folder of photos has files.
        ArchiveError: it was made by a newer version, or what was loaded is not what was saved.
    """
    must_be_empty(alias)
    executor = MigrationExecutor(connections[alias])
    unknown = [f"{app}.{name}" for app, name in archive.migrations if (app, name) not in executor.loader.graph.nodes]
    if unknown:
        raise ArchiveError(
            f"{archive.path.name} was made by version {archive.version}, which knows tables that this one does not "
            f"({unknown[0]}). Restore it with that version or a newer one."
        )
    targets = newest_of(archive.migrations, executor)
    executor.migrate(targets)
    registry = MigrationExecutor(connections[alias]).loader.project_state(targets).apps
    with transaction.atomic(using=alias), zipfile.ZipFile(archive.path) as file:
        for model in models_of(registry):
            model._base_manager.using(alias).all().delete()
        for model in models_of(registry):
            name = model._meta.db_table
            if name not in archive.tables:
                continue
            with file.open(f"tables/{name}.jsonl") as part:
                rows = load(model, io.TextIOWrapper(part, encoding="utf-8", newline="\n"), alias)
            report(f"stored {name}: {rows:,} rows")
        go_on_counting(registry, alias)
        _must_equal(archive, digests(registry, alias, report))
    call_command("migrate", database=alias, verbosity=0, interactive=False)
    _look_through(alias)
    if archive.log_ends and chain_ends(alias).digest != archive.log_ends:
        raise ArchiveError("The event log that was loaded does not end as the one that was saved. Do not work with it.")


def _look_through(alias: str) -> None:
    """Collect the statistics that PostgreSQL plans queries by; it has none yet for the rows just loaded."""
    if connections[alias].vendor == "postgresql":
        with connections[alias].cursor() as cursor:
            cursor.execute("ANALYZE")


def restore_photos(archive: Archive) -> int:
    """Write the pictures into the empty folder of photos; how many."""
    root = Path(settings.MEDIA_ROOT)
    with zipfile.ZipFile(archive.path) as file:
        for name in archive.photos:
            if not stays_inside(name):
                raise ArchiveError(f"{archive.path.name} names a picture outside its folder: {name}.")
            target = root / name
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("wb") as picture:
                picture.write(file.read(f"photos/{name}"))
                picture.flush()
                os.fsync(picture.fileno())
    for folder in {root, *(root.joinpath(name).parent for name in archive.photos)}:
        if folder.is_dir():
            sync_folder(folder)
    return len(archive.photos)


def must_be_empty(alias: str) -> None:
    """Stop unless the database has no tables.

    Raises:
        NotEmpty: it has.
    """
    connection = connections[alias]
    tables = connection.introspection.table_names()
    if tables:
        name = connection.settings_dict["NAME"]
        raise TargetNotEmpty(f"The database {name} holds {len(tables)} tables. Name an empty one; nothing was changed.")


def differing(one: dict[str, Any], other: dict[str, Any]) -> list[str]:
    return sorted(name for name in one.keys() | other.keys() if one.get(name) != other.get(name))


def current_digests(alias: str, report: Callable[[str], None] = no_report) -> dict[str, str]:
    return digests(apps, alias, report)


def newest_of(migrations: Iterable[tuple[str, str]], executor: MigrationExecutor) -> list[tuple[str, str]]:
    """Of the migrations that tables have gone through, those that no other of their app follows."""
    applied = set(migrations)
    followed = {
        parent.key
        for key in applied
        for parent in executor.loader.graph.node_map[key].parents
        if parent.key[0] == key[0]
    }
    return sorted(applied - followed)


def _must_equal(archive: Archive, loaded: dict[str, str]) -> None:
    saved = {name: digest for name, (_rows, digest) in archive.tables.items()}
    wrong = differing({name: loaded.get(name) for name in saved}, saved)
    if wrong:
        raise ArchiveError(f"What was loaded is not what was saved: {', '.join(wrong)}. Nothing was stored.")
