from __future__ import annotations

import getpass
import os
import tempfile
from argparse import ArgumentParser
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError

from shopkb.accounts import audit
from shopkb.upkeep import encryption
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
        parser.add_argument("file", type=Path, help="A backup, or an encrypted copy of one (.zip.age).")
        parser.add_argument(
            "--key",
            type=Path,
            help="File of the key of an encrypted copy, where it does not lie beside it. The passphrase is asked for, "
            "or taken from SHOPKB_BACKUP_PASSPHRASE.",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        photos = Path(settings.MEDIA_ROOT)
        if photos.is_dir() and any(photos.iterdir()):
            raise CommandError(f"{photos} holds pictures already. Nothing was changed.", returncode=REFUSED)
        try:
            with self._readable(options["file"], options["key"]) as file:
                archive = read(file)
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

    @contextmanager
    def _readable(self, file: Path, key: Path | None) -> Iterator[Path]:
        """The backup itself; of an encrypted copy a file beside the data that is gone afterwards."""
        if not encryption.is_encrypted(file):
            yield file
            return
        keys = [key] if key else encryption.key_files_beside(file)
        passphrase = ""
        if any(encryption.needs_passphrase(each) for each in keys):
            passphrase = os.environ.get("SHOPKB_BACKUP_PASSPHRASE") or _asked_for()
        Path(settings.DATA_DIR).mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix="restoring-", dir=settings.DATA_DIR) as folder:
            opened = Path(folder) / file.name.removesuffix(encryption.SUFFIX)
            self.stdout.write(f"Opening {file.name}, which may take a minute.")
            encryption.decrypt(file, opened, keys, passphrase)
            yield opened


def _asked_for() -> str:
    try:
        return getpass.getpass("Passphrase of the copies: ")
    except EOFError as error:
        raise CommandError(
            "The passphrase cannot be asked for here. Set SHOPKB_BACKUP_PASSPHRASE.", returncode=REFUSED
        ) from error
