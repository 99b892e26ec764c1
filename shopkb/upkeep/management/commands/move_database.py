from __future__ import annotations

import tempfile
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

import dj_database_url
from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from shopkb.upkeep.archive import ArchiveError, make
from shopkb.upkeep.chains import chain_ends
from shopkb.upkeep.restoring import TargetNotEmpty, current_digests, differing, restore
from shopkb.upkeep.snapshot import added

FAILED, REFUSED = 1, 2
TARGET = "target"


class Command(BaseCommand):
    help = (
        "Copy the shop into another, empty database: SQLite to PostgreSQL or back. Stop the server first. The one in "
        "force is not changed. Exits with 0 when every table is equal, 1 when not, 2 when the other is not empty."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("address", help="postgresql://user@host/name or sqlite:////folder/file.sqlite3")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            target = dj_database_url.parse(options["address"])
        except ValueError as error:
            raise CommandError(f"This address cannot be read: {error}", returncode=REFUSED) from error
        if target["ENGINE"] == "django.db.backends.sqlite3":
            target["OPTIONS"] = settings.SQLITE_OPTIONS
        with tempfile.TemporaryDirectory(prefix="shopkb-move-") as folder, added(TARGET, dict(target)):
            try:
                archive = make(Path(folder), timezone.now(), report=self._tell)
                restore(archive, alias=TARGET, report=self._tell)
            except TargetNotEmpty as error:
                raise CommandError(str(error), returncode=REFUSED) from error
            except (ArchiveError, OSError) as error:
                raise CommandError(str(error), returncode=FAILED) from error
            wrong = differing(current_digests("default", self._tell), current_digests(TARGET, self._tell))
            here, there = chain_ends(), chain_ends(TARGET)
            wrong += ["ends of the event log"] if here != there else []
        if wrong:
            raise CommandError(
                f"These tables differ: {', '.join(wrong)}. Was somebody at work? Empty the new database and go again.",
                returncode=FAILED,
            )
        self.stdout.write(f"{archive.rows} rows in {len(archive.tables)} tables are equal in both databases.")
        self.stdout.write(f"{there.events} events in {there.chains} chains end alike in both: {there.digest[:16]}.")
        self.stdout.write(f"From now on start the server with DATABASE_URL={options['address']}")

    def _tell(self, words: str) -> None:
        """Progress, apart from what the command answers."""
        self.stderr.write(words, self.style.NOTICE)
