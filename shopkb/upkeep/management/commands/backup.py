from __future__ import annotations

import json
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from shopkb.upkeep.archive import ArchiveError, make, rotate

FAILED = 1


class Command(BaseCommand):
    help = (
        "Write everything of the shop into one dated file while people work on: database, photos, procedures. "
        "It is read again before it counts. Exits with 0 when there is a good backup, 1 when there is none."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--to", type=Path, default=Path(settings.BACKUP_DIR), help="Folder. Best on another disk.")
        parser.add_argument("--keep", type=int, default=30, help="Backups kept in it; older ones are removed.")
        parser.add_argument("--json", action="store_true", help="Print one JSON object.")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["keep"] < 1:
            raise CommandError("Keep at least 1 backup.", returncode=2)
        try:
            made = make(options["to"], timezone.now())
        except (ArchiveError, OSError) as error:
            raise CommandError(f"No backup was made: {error}", returncode=FAILED) from error
        gone = rotate(options["to"], options["keep"])
        size = made.path.stat().st_size
        if options["json"]:
            report = {"file": str(made.path), "bytes": size, "rows": made.rows, "photos": len(made.photos)}
            report["log_ends"] = made.log_ends
            self.stdout.write(json.dumps({**report, "removed": [path.name for path in gone]}, indent=2))
            return
        self.stdout.write(f"{made.path}: {made.rows} rows, {len(made.photos)} photos, {size / 1e6:.1f} MB.")
        if gone:
            self.stdout.write(f"Removed the oldest: {', '.join(path.name for path in gone)}.")
