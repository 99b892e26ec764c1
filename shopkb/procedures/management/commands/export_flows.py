from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from shopkb.core.flow.file.writer import write_flow
from shopkb.procedures.management.commands._files import dumped
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of


class Command(BaseCommand):
    help = (
        "Write the procedures in force to a folder, one file each. "
        "Exits with 0 when they are written, 2 when a procedure is unknown or the folder is not writable."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("folder", type=Path)
        parser.add_argument("--procedure", action="append", default=[], help="Key of one; may be given several times.")
        parser.add_argument("--dry-run", action="store_true", help="Say what would be written.")
        parser.add_argument("--json", action="store_true", help="Tell the outcome as JSON on standard output.")

    def handle(self, *args: Any, folder: Path, procedure: list[str], **options: Any) -> None:
        revisions = Revision.objects.filter(state=Revision.State.PUBLISHED).order_by("procedure__key").with_document()
        if procedure:
            revisions = revisions.filter(procedure__key__in=procedure)
        unknown = set(procedure) - {row.procedure.key for row in revisions}
        if unknown:
            raise CommandError(f"No published procedure called {', '.join(sorted(unknown))}.", returncode=2)
        written = [self._write(folder, row, dry_run=options["dry_run"]) for row in revisions]
        if options["json"]:
            self.stdout.write(dumped({"dry_run": options["dry_run"], "files": written}))
            return
        for row in written:
            self.stdout.write(f"{row['file']}: {row['became']}")

    def _write(self, folder: Path, revision: Revision, *, dry_run: bool) -> dict[str, str]:
        path = folder / f"{revision.procedure.key}.yaml"
        text = write_flow(flow_of(revision))
        try:
            became = "unchanged" if path.exists() and path.read_text(encoding="utf-8") == text else "written"
            if became == "written" and not dry_run:
                folder.mkdir(parents=True, exist_ok=True)
                path.write_text(text, encoding="utf-8", newline="\n")
        except OSError as error:
            raise CommandError(f"{error.filename}: {error.strerror}.", returncode=2) from error
        return {"file": str(path), "procedure": revision.procedure.key, "became": became}
