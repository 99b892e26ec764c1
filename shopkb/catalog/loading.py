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
from shopkb.catalog.models import Cause, Proposal, System, Wording
from shopkb.catalog.trees import LoadCount
from shopkb.catalog.wordings import (
    SAFETY_FIELDS,
    ChangeRefused,
    change,
    empty_facts,
    facts_of,
    is_safety_row,
    kind_of,
    record,
)


@dataclass(frozen=True, slots=True)
class Loaded:
    """What a load did, by file, or why nothing was stored."""

    counts: Mapping[str, LoadCount]
    faults: tuple[FileFault, ...] = ()


def load_folder(
    folder: Path, *, without: Collection[str] = (), dry_run: bool = False, by: User | None = None, why: str = ""
) -> Loaded:
    """Store what the files in ``folder`` hold, in one transaction, but those called as in ``without``. A dry run counts
    and then takes it back.

    What safety rests on and procedures use is not changed but proposed (:mod:`shopkb.catalog.wordings`), by ``by`` with
    the reason ``why``; without these such a change is a fault.

    Raises:
        PermissionDenied: ``by`` may not change the catalog.
    """
    if by is not None:
        require(by, Right.CATALOG)
    found = read_folder(folder, without)
    with transaction.atomic(), trees.locked(System):
        faults = (*found.faults, *_lost_systems(found))
        if faults:
            return Loaded({}, faults)
        try:
            with transaction.atomic():
                counts = _store(found, by, why)
        except ChangeRefused as refusal:
            return Loaded({}, (FileFault(str(folder), "", str(refusal)),))
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


def _store(found: CatalogFiles, by: User | None, why: str) -> dict[str, LoadCount]:
    counts = {file: trees.load(TREES[file], nodes, by=by, why=why) for file, nodes in found.trees.items()}
    systems = dict(System.objects.values_list("path", "pk"))
    for sheet in SHEETS:
        if sheet.file in found.entries:
            counts[sheet.file] = _store_sheet(sheet, found.entries[sheet.file], systems, by, why)
    return counts


def _store_sheet(
    sheet: CatalogSheet, entries: Sequence[CatalogRow], systems: Mapping[str, int], by: User | None, why: str
) -> LoadCount:
    names = [f"{name}_id" if name == sheet.system_field else name for name in sheet.fields]
    stored = {_identity(row): row for row in sheet.model._default_manager.all()}
    new: list[models.Model] = []
    changed: list[models.Model] = []
    proposed = 0
    for entry in entries:
        if sheet.system_field:
            setattr(entry.row, f"{sheet.system_field}_id", systems.get(entry.system))
        row = stored.get(_identity(entry.row))
        if row is None:
            new.append(entry.row)
            continue
        done = _change_safety(row, entry.row, by, why)
        proposed += isinstance(done, Proposal)
        if _take_over(row, entry.row, names) or isinstance(done, Wording):
            changed.append(row)
    created = sheet.model._default_manager.bulk_create(new)
    _keep_new(created, by, why)
    _save_changed(sheet, changed)
    same = len(entries) - len(new) - len(changed) - proposed
    return LoadCount(len(new), len(changed), max(0, same), proposed)


def _change_safety(row: models.Model, wanted: models.Model, by: User | None, why: str) -> Proposal | Wording | None:
    """Change or propose what safety rests on; the rest of ``wanted`` is left to :func:`_take_over`."""
    if not is_safety_row(row) or not is_safety_row(wanted):
        return None
    done = change(row, facts_of(wanted), by=by, why=why)
    row.refresh_from_db()
    for name in SAFETY_FIELDS[kind_of(row)]:
        setattr(wanted, name, getattr(row, name))
    return done


def _keep_new(rows: Sequence[models.Model], by: User | None, why: str) -> None:
    """New entries and what they say; a new meter in a shop at work waits for a second person with its limits."""
    for row in rows:
        if not is_safety_row(row):
            continue
        wanted = facts_of(row)
        if begins := empty_facts(row):
            type(row)._default_manager.filter(pk=row.pk).update(**begins)
            row.refresh_from_db()
        record([row], by=by, why=why)
        if begins:
            change(row, wanted, by=by, why=why)


def _save_changed(sheet: CatalogSheet, rows: Collection[models.Model]) -> None:
    if rows:
        under_rule = SAFETY_FIELDS[kind_of(first)] if is_safety_row(first := next(iter(rows))) else ()
        rest = [name for name in sheet.fields if name != "key" and name not in under_rule]
        if rest:
            sheet.model._default_manager.bulk_update(rows, rest)


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
