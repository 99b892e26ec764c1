"""A shop of an older version brought to this one: a backup, the new tables, every law checked, or all as it was."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from django.conf import settings
from django.core.management import call_command
from django.db import DatabaseError, connection, transaction
from django.db.migrations.executor import MigrationExecutor

from shopkb.upkeep import archive
from shopkb.upkeep.invariants import broken_invariants
from shopkb.upkeep.restoring import newest_of
from shopkb.upkeep.snapshot import copy_sqlite
from shopkb.web.durable import sync_folder


class UpgradeFailed(Exception):
    """Everything is as it was; the sentence says why."""


def upgrade(at: datetime, say: Callable[[str], None]) -> None:
    """Back up, migrate, verify.

    Raises:
        UpgradeFailed: with the reason; database and pictures are as they were.
    """
    try:
        backup = _backup(at)
    except (archive.ArchiveError, OSError, DatabaseError) as error:
        raise UpgradeFailed(f"No backup could be made, so nothing was changed: {error}") from error
    say(f"Backup before the upgrade: {backup}")
    try:
        with _as_it_was_on_failure():
            call_command("migrate", verbosity=0, interactive=False)
            if lost := [finding for finding in broken_invariants() if not finding.mendable]:
                first = lost[0]
                raise UpgradeFailed(f"afterwards a law of what is stored did not hold: {first.place}: {first.message}")
    except Exception as error:
        raise UpgradeFailed(
            f"The upgrade failed, and everything is as it was: {str(error).strip().rstrip('.')}. Start the version "
            f"that was here before; the backup is {backup}"
        ) from error


def put_back_what_was_broken_off(at: datetime) -> Path | None:
    """Undo an upgrade that ended with the power or was killed; where the file that it left is kept, if there was one.

    Somebody may have worked on with that file meanwhile, by other commands than ``shop``.
    """
    kept = _copy()
    if connection.vendor != "sqlite" or not kept.exists():
        return None
    connection.close()
    name = Path(connection.settings_dict["NAME"])
    aside = name.with_name(f"{name.name}-broken-off-{at:%Y%m%d-%H%M%S}")
    for path, there in ((name.with_name(f"{name.name}-journal"), f"{aside.name}-journal"), (name, aside.name)):
        if path.exists():
            path.replace(path.with_name(there))
    _put_back(kept)
    return aside


def _backup(at: datetime) -> Path:
    executor = MigrationExecutor(connection)
    targets = newest_of(executor.loader.applied_migrations, executor)
    tables_as = executor.loader.project_state(targets).apps
    return archive.make(Path(settings.BACKUP_DIR), at, tables_as=tables_as).path


@contextmanager
def _as_it_was_on_failure() -> Iterator[None]:
    """SQLite: a copy of the file comes back. PostgreSQL: all of it is one transaction."""
    if connection.vendor != "sqlite":
        with transaction.atomic():
            yield
        return
    kept = _copy()
    part = kept.with_suffix(".part")
    part.unlink(missing_ok=True)
    copy_sqlite(Path(connection.settings_dict["NAME"]), part)
    part.replace(kept)
    sync_folder(kept.parent)
    try:
        yield
    except BaseException:
        _put_back(kept)
        raise
    kept.unlink()
    sync_folder(kept.parent)  # else a power cut brings it back, and with it the shop as it was before


def _copy() -> Path:
    name = Path(connection.settings_dict["NAME"])
    return name.with_name(f"{name.name}-before-upgrade")


def _put_back(kept: Path) -> None:
    connection.close()
    name = Path(connection.settings_dict["NAME"])
    name.with_name(f"{name.name}-journal").unlink(missing_ok=True)
    kept.replace(name)
