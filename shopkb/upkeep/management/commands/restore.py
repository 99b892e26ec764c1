from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError

from shopkb.accounts import audit
from shopkb.upkeep.archive import ArchiveError, read
from shopkb.upkeep.modes import close_to_others
from shopkb.upkeep.restoring import TargetNotEmpty, restore, restore_photos

FAILED, REFUSED = 1, 2


class Command(BaseCommand):
    help = (
        "Load a backup into an empty place: the database that DATABASE_URL or SHOPKB_DATA_DIR names, whichever kind. "
        "Then the database is verified. Exits with 0 when all is back, 1 when not, 2 when the place is not empty."
    )
    requires_system_checks: tuple[str, ...] = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path)

    def handle(self, *args: Any, **options: Any) -> None:
        photos = Path(settings.MEDIA_ROOT)
        if photos.is_dir() and any(photos.iterdir()):
            raise CommandError(f"{photos} holds pictures already. Nothing was changed.", returncode=REFUSED)
        try:
            archive = read(options["file"])
            restore(archive)
            pictures = restore_photos(archive)
        except TargetNotEmpty as error:
            raise CommandError(str(error), returncode=REFUSED) from error
        except (ArchiveError, OSError) as error:
            raise CommandError(str(error), returncode=FAILED) from error
        close_to_others()
        audit.note(audit.Action.RESTORED, f"{options['file'].name}, of {archive.made_at:%Y-%m-%d %H:%M}")
        self.stdout.write(
            f"{archive.rows} rows and {pictures} photos are back, as of {archive.made_at:%Y-%m-%d %H:%M}."
        )
        if archive.log_ends:
            self.stdout.write(f"The event log ends as it did when it was saved: {archive.log_ends[:16]}.")
        call_command("verify", stdout=self.stdout, stderr=self.stderr)
