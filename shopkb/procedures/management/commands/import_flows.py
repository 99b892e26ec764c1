from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.management.base import BaseCommand, CommandError
from django.db import transaction
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.procedures.exchange import store
from shopkb.procedures.management.commands import _files
from shopkb.procedures.publishing import ActionRefused


class Command(BaseCommand):
    help = (
        "Store procedure files as drafts, all or none; --reviewer puts them in force. "
        "Exits with 0 when they are stored, 1 when a file has errors or is refused, 2 without a file or such a person."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        _files.add_places(parser)
        parser.add_argument("--author", required=True, help="Log-in of the person who wrote them.")
        parser.add_argument("--reviewer", help="Log-in of the second person, who publishes them.")
        parser.add_argument("--why", default="", help="What changed and why.")
        parser.add_argument("--dry-run", action="store_true", help="Read, check and say what would be stored.")

    def handle(self, *args: Any, places: list[Any], author: str, reviewer: str | None, **options: Any) -> None:
        writer = _person(author)
        second = _person(reviewer) if reviewer else None
        files = _files.checked(places)
        if any(file.flow is None or file.errors for file in files):
            self._tell_wrong(files, as_json=options["json"])
        try:
            with transaction.atomic():
                stored = store(files, by=writer, at=timezone.now(), why=options["why"], publish_by=second)
                if options["dry_run"]:
                    transaction.set_rollback(True)
        except (ActionRefused, PermissionDenied) as error:
            raise CommandError(str(error), returncode=1) from error
        if options["json"]:
            rows = [
                {"file": str(row.path), "procedure": row.key, "revision": row.number, "became": row.became}
                for row in stored
            ]
            self.stdout.write(_files.dumped({"dry_run": options["dry_run"], "stored": rows}))
            return
        for row in stored:
            self.stdout.write(f"{row.path}: {row.key}, revision {row.number}, {row.became}")
        self.stdout.write("Nothing was stored: dry run." if options["dry_run"] else f"{len(stored)} files.")

    def _tell_wrong(self, files: list[Any], *, as_json: bool) -> None:
        if as_json:
            self.stdout.write(_files.dumped({"stored": [], "files": _files.as_data(files)}))
        else:
            for line in _files.lines(files):
                self.stdout.write(line)
            self.stdout.write("Nothing was stored: mend the errors above first.")
        raise SystemExit(1)


def _person(name: str) -> User:
    person = User.objects.filter(username=name, is_active=True).first()
    if person is None:
        raise CommandError(f"There is no active person with the log-in {name!r}.", returncode=2)
    return person
