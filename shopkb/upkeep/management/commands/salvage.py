from __future__ import annotations

import json
import shutil
from argparse import ArgumentParser
from dataclasses import asdict
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import connections

from shopkb.upkeep.salvaging import NothingReadable, SalvagedTable, must_be_readable, salvage
from shopkb.upkeep.snapshot import added

LOST, REFUSED = 1, 2
ALIAS = "salvaged"


class Command(BaseCommand):
    help = (
        "Read what can still be read of a damaged SQLite database, with the pictures beside it, into a new folder. The "
        "damaged file is only read. A good backup is always better. Exits with 0 when every row was read, 1 when some "
        "are lost or nothing can be read, 2 when the folder is not empty or there is no such file."
    )
    requires_system_checks: tuple[str, ...] = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, help="The damaged database, such as shop.sqlite3.")
        parser.add_argument(
            "--to", type=Path, required=True, metavar="FOLDER", help="A folder that is empty, or not there."
        )
        parser.add_argument("--json", action="store_true", help="Print one JSON object.")

    def handle(self, *args: Any, **options: Any) -> None:
        damaged, folder = options["file"], options["to"]
        if not damaged.is_file():
            raise CommandError(f"There is no file {damaged}.", returncode=REFUSED)
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise CommandError(f"{folder} is not an empty folder. Nothing was changed.", returncode=REFUSED)
        try:
            must_be_readable(damaged)
        except NothingReadable as error:
            raise CommandError(f"{damaged}: {error}", returncode=LOST) from error
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o700)
        new = folder / f"{settings.WORLD}.sqlite3"
        say = (lambda _line: None) if options["json"] else self.stdout.write
        self._make(new)
        found = salvage(damaged, new, say)
        photos = damaged.parent / "photos"
        if photos.is_dir():
            shutil.copytree(photos, folder / "photos")
        self._tell(found, folder, as_json=options["json"])

    def _make(self, new: Path) -> None:
        """A database of this version without rows."""
        database = {"ENGINE": "django.db.backends.sqlite3", "NAME": str(new), "OPTIONS": settings.SQLITE_OPTIONS}
        with added(ALIAS, database):
            call_command("migrate", database=ALIAS, verbosity=0, interactive=False)
            connections[ALIAS].close()

    def _tell(self, found: list[SalvagedTable], folder: Path, *, as_json: bool) -> None:
        rows, lost = sum(one.rows for one in found), sum(one.lost for one in found)
        if as_json:
            told = {"rows": rows, "lost": lost, "tables": [asdict(one) for one in found]}
            self.stdout.write(json.dumps(told, indent=2))
        else:
            self.stdout.write(f"{rows:,} rows are in {folder}.")
            self.stdout.write("Look at it before anybody works with it: SHOPKB_DATA_DIR there, then manage.py verify.")
        gone = [one.table for one in found if not one.complete]
        if lost or gone:
            also = f" Whole tables, or most of them, are gone: {', '.join(gone)}." if gone else ""
            raise CommandError(f"{lost:,} rows could not be read and are lost.{also}", returncode=LOST)
