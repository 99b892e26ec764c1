"""Load a folder of catalog files: all of it or nothing, and the same again changes nothing.

Records of a folder are added or made to agree with it. What the folder does not name stays as it is, so a shop can
keep its own beside what it was given.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.db import models, transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog import trees
from shopkb.catalog.files import SHEETS, TREES, CatalogFiles, CatalogRow, CatalogSheet, FileFault, paths_in, read_folder
from shopkb.catalog.models import Cause, System
from shopkb.catalog.trees import LoadCount


@dataclass(frozen=True, slots=True)
class Loaded:
    """What a load did, by file, or why nothing was stored."""

    counts: Mapping[str, LoadCount]
    faults: tuple[FileFault, ...] = ()


def load_folder(folder: Path, *, dry_run: bool = False, by: User | None = None) -> Loaded:
    """Store what the files in ``folder`` hold, in one transaction. A dry run counts and then takes it back.

    Raises:
        PermissionDenied: ``by`` may not change the catalog.
    """
    if by is not None:
        require(by, Right.CATALOG)
    found = read_folder(folder)
    with transaction.atomic(), trees.locked(System):
        faults = (*found.faults, *_lost_systems(found))
        if faults:
            return Loaded({}, faults)
        counts = _store(found)
        if dry_run:
            transaction.set_rollback(True)
    return Loaded(counts)


def _lost_systems(found: CatalogFiles) -> list[FileFault]:
    """Entries that name a system which neither the folder nor the database holds."""
    known = set(System.objects.values_list("path", flat=True)) | set(paths_in(found.trees.get("systems.yaml", ())))
    return [
        FileFault(
            sheet.file,
            f"{entry.where}, {sheet.system_field}",
            f"No system has the path {entry.system!r}. Add it to systems.yaml or correct the path.",
        )
        for sheet in SHEETS
        for entry in found.entries.get(sheet.file, ())
        if entry.system and entry.system not in known
    ]


def _store(found: CatalogFiles) -> dict[str, LoadCount]:
    counts = {file: trees.load(TREES[file], nodes) for file, nodes in found.trees.items()}
    systems = dict(System.objects.values_list("path", "pk"))
    for sheet in SHEETS:
        if sheet.file in found.entries:
            counts[sheet.file] = _store_sheet(sheet, found.entries[sheet.file], systems)
    return counts


def _store_sheet(sheet: CatalogSheet, entries: Sequence[CatalogRow], systems: Mapping[str, int]) -> LoadCount:
    names = [f"{name}_id" if name == sheet.system_field else name for name in sheet.fields]
    stored = {_identity(row): row for row in sheet.model._default_manager.all()}
    new: list[models.Model] = []
    changed: list[models.Model] = []
    for entry in entries:
        if sheet.system_field:
            setattr(entry.row, f"{sheet.system_field}_id", systems.get(entry.system))
        row = stored.get(_identity(entry.row))
        if row is None:
            new.append(entry.row)
        elif _take_over(row, entry.row, names):
            changed.append(row)
    sheet.model._default_manager.bulk_create(new)
    _save_changed(sheet, changed)
    return LoadCount(len(new), len(changed), len(entries) - len(new) - len(changed))


def _save_changed(sheet: CatalogSheet, rows: Collection[models.Model]) -> None:
    if rows:
        sheet.model._default_manager.bulk_update(rows, [name for name in sheet.fields if name != "key"])


def _identity(row: models.Model) -> tuple[Any, ...]:
    if isinstance(row, Cause):
        return (row.component_id, row.mode.strip().lower())
    return (getattr(row, "key", None),)


def _take_over(row: models.Model, wanted: models.Model, names: Sequence[str]) -> bool:
    """Make a stored row agree with the one given; whether anything differed. Case of a failure mode does not count."""
    if isinstance(row, Cause):
        return False
    differing = [name for name in names if getattr(row, name) != getattr(wanted, name)]
    for name in differing:
        setattr(row, name, getattr(wanted, name))
    return bool(differing)
