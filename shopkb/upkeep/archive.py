"""Backups: one dated zip file that holds everything of a shop and says by digests whether it is whole.

It holds ``manifest.json``; ``tables/*.jsonl`` (:mod:`shopkb.upkeep.portable_rows`); ``photos/``; and the procedures in
force as files under ``procedures/``, for people. The secret key and sessions are left out.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from django.apps import apps
from django.apps.registry import Apps
from django.conf import settings
from django.db import connections
from django.db.migrations.recorder import MigrationRecorder

from shopkb.core.flow.file.writer import write_flow
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_in
from shopkb.upkeep.chains import chain_ends
from shopkb.upkeep.portable_rows import lines_of, models_of, no_report
from shopkb.upkeep.snapshot import snapshot_of
from shopkb.web.durable import sync_folder

FORMAT = 1
LARGEST_MANIFEST = 64 * 1024 * 1024
"""Bytes; that of a shop with 100,000 pictures has about 20 million."""
LARGEST_PHOTO = 64 * 1024 * 1024
TABLE = re.compile(r"[a-z0-9_]{1,63}")
NAME = re.compile(r"shopkb-(\d{8}T\d{6}Z)\.zip")
_NO_NAME = re.compile(r'[\x00-\x1f\x7f\\:*?"<>|]')
"""Characters that no file name of ours has: separators, drives and streams of Windows, controls."""
MOMENT = "%Y%m%dT%H%M%SZ"


class ArchiveError(Exception):
    """The file is no backup, or not whole; the sentence says what is wrong."""


@dataclass(frozen=True, slots=True)
class Archive:
    """What a backup says of itself. ``tables`` and ``photos``: name to (rows or bytes, SHA-256).

    ``log_ends``: SHA-256 over the ends of all chains of the event log; empty in backups from before there was one.
    """

    path: Path
    made_at: datetime
    version: str
    migrations: tuple[tuple[str, str], ...]
    tables: dict[str, tuple[int, str]]
    photos: dict[str, tuple[int, str]]
    log_ends: str = ""

    @property
    def rows(self) -> int:
        return sum(rows for rows, _digest in self.tables.values())


def make(
    folder: Path,
    at: datetime,
    *,
    alias: str = "default",
    report: Callable[[str], None] = no_report,
    tables_as: Apps | None = None,
) -> Archive:
    """Write a backup into the folder while the shop works on; it is read again before it gets its name. ``report`` is
    called with a line for each table. ``tables_as`` are the models of the version that the tables are of, where that
    is an older one; what is for people, and the ends of the event log, are left out then.

    Raises:
        ArchiveError: what was written does not read back; nothing is left in the folder.
        OSError: the folder cannot be written or is full; nothing is left in it.
    """
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / f"shopkb-{at.astimezone(UTC).strftime(MOMENT)}.zip"
    part = target.with_suffix(".part")
    try:
        with part.open("w+b") as file:
            os.chmod(part, 0o600)  # noqa: PTH101 - it holds the customers' vehicles
            _write(file, at, alias, report, tables_as)
            file.flush()
            os.fsync(file.fileno())
        read(part)
        part.replace(target)
        sync_folder(folder)
    finally:
        part.unlink(missing_ok=True)
    return read(target)


def read(path: Path) -> Archive:
    """Check every part of a backup against its digest.

    Raises:
        ArchiveError: it is no backup of ours, of a newer format, or damaged.
    """
    try:
        with zipfile.ZipFile(path) as file:
            manifest = _manifest(file)
            if manifest["format"] > FORMAT:
                raise ArchiveError(f"{path.name} has format {manifest['format']}; this version reads up to {FORMAT}.")
            for name in _outside(manifest):
                raise ArchiveError(f"{path.name} names a part outside its folder: {name[:80]!r}. Do not restore it.")
            for name, (size, _digest_of_it) in manifest["photos"].items():
                if file.getinfo(f"photos/{name}").file_size != size or size > LARGEST_PHOTO:
                    raise ArchiveError(f"{path.name} is damaged: photos/{name} is larger than it should be.")
            for name, (_size, digest) in _parts(manifest).items():
                if _digest(file, name) != digest:
                    raise ArchiveError(f"{path.name} is damaged: {name} is not what was written. Take another backup.")
    except (OSError, zipfile.BadZipFile, KeyError, ValueError, TypeError, AttributeError, RecursionError) as error:
        raise ArchiveError(f"{path.name} is no whole backup: {error}") from error
    return Archive(
        path=path,
        made_at=datetime.fromisoformat(manifest["made_at"]),
        version=manifest["version"],
        migrations=tuple((app, name) for app, name in manifest["migrations"]),
        tables={name: tuple(pair) for name, pair in manifest["tables"].items()},
        photos={name: tuple(pair) for name, pair in manifest["photos"].items()},
        log_ends=manifest.get("log_ends", ""),
    )


def backups_in(folder: Path, *, encrypted: bool = False) -> list[Path]:
    """Finished backups, newest first: those that can be read as they are, or the encrypted ones."""
    ending = ".zip.age" if encrypted else ".zip"
    found = (path for path in folder.glob(f"shopkb-*{ending}") if NAME.fullmatch(path.name.removesuffix(".age")))
    return sorted(found, reverse=True)


def made_at(path: Path) -> datetime:
    found = NAME.fullmatch(path.name)
    if found is None:
        raise ArchiveError(f"{path.name} is not named as a backup is: shopkb-20260131T180000Z.zip.")
    return datetime.strptime(found.group(1), MOMENT).replace(tzinfo=UTC)


def rotate(folder: Path, keep: int, *, encrypted: bool = False) -> list[Path]:
    """Remove the oldest backups beyond ``keep``, of the plain or of the encrypted ones; which ones went."""
    gone = backups_in(folder, encrypted=encrypted)[keep:]
    for path in gone:
        path.unlink()
    return gone


def _write(target: Any, at: datetime, alias: str, report: Callable[[str], None], tables_as: Apps | None) -> None:
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as file, snapshot_of(alias) as frozen:
        tables = {}
        for model in models_of(tables_as or apps):
            name = model._meta.db_table
            digest, rows = hashlib.sha256(), -1
            with file.open(f"tables/{name}.jsonl", "w", force_zip64=True) as part:
                for line in lines_of(model, frozen):
                    part.write(line.encode())
                    digest.update(line.encode())
                    rows += 1
            tables[name] = (rows, digest.hexdigest())
            report(f"read {name}: {rows:,} rows")
        if tables_as is None:
            for revision in Revision.objects.using(frozen).filter(state=Revision.State.PUBLISHED).with_document():
                file.writestr(f"procedures/{revision.procedure.key}.yaml", write_flow(flow_in(revision)))
        applied = MigrationRecorder(connections[frozen]).applied_migrations()
        manifest = {
            "format": FORMAT,
            "made_at": at.astimezone(UTC).isoformat(),
            "version": version("shopkb"),
            "database": connections[alias].vendor,
            "migrations": sorted(applied),
            "tables": tables,
            "photos": _add_photos(file),
            "log_ends": chain_ends(frozen).digest if tables_as is None else "",
        }
        file.writestr("manifest.json", json.dumps(manifest, indent=1))


def _add_photos(file: zipfile.ZipFile) -> dict[str, tuple[int, str]]:
    root = Path(settings.MEDIA_ROOT) if settings.MEDIA_ROOT else None
    found: dict[str, tuple[int, str]] = {}
    if root is None or not root.is_dir():
        return found
    for path in sorted(path for path in root.rglob("*") if path.is_file()):
        body = path.read_bytes()
        name = path.relative_to(root).as_posix()
        file.writestr(zipfile.ZipInfo(f"photos/{name}"), body)
        found[name] = (len(body), hashlib.sha256(body).hexdigest())
    return found


def _manifest(file: zipfile.ZipFile) -> dict[str, Any]:
    """What a backup says of itself, read no further than it can be long."""
    with file.open("manifest.json") as part:
        body = part.read(LARGEST_MANIFEST + 1)
    if len(body) > LARGEST_MANIFEST:
        raise ValueError(f"manifest.json unpacks to more than {LARGEST_MANIFEST // 1024**2} MiB")
    manifest: dict[str, Any] = json.loads(body)
    return manifest


def _outside(manifest: dict[str, Any]) -> Iterator[str]:
    """Names that would be written elsewhere than in the folder of pictures, on this system or another."""
    yield from (name for name in manifest["tables"] if TABLE.fullmatch(name) is None)
    yield from (name for name in manifest["photos"] if not stays_inside(name))


def stays_inside(name: str) -> bool:
    """Whether a picture of this name lands in the folder of pictures, whichever system unpacks it."""
    steps = name.split("/")
    return not (any(part.strip(" .") in ("", "..") for part in steps) or _NO_NAME.search(name))


def _parts(manifest: dict[str, Any]) -> dict[str, tuple[int, str]]:
    tables = {f"tables/{name}.jsonl": pair for name, pair in manifest["tables"].items()}
    return tables | {f"photos/{name}": pair for name, pair in manifest["photos"].items()}


def _digest(file: zipfile.ZipFile, name: str) -> str:
    digest = hashlib.sha256()
    with file.open(name) as part:
        while block := part.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()
