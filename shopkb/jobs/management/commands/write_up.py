from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.http import Http404

from shopkb.jobs.paper import CannotSet, pdf_of
from shopkb.jobs.views.papers import PAPERS


class Command(BaseCommand):
    help = (
        "Write a paper of a job as PDF: what the customer reads, or with --technical the technical record. "
        "Exits with 0 when written, 1 when there is no such job or no PDF can be made here."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("job", type=int, help="Number of the job.")
        parser.add_argument("--technical", action="store_true", help="The technical record instead.")
        parser.add_argument("--to", type=Path, help="The file; job-NUMBER-PAPER.pdf here unless said.")
        parser.add_argument("--dry-run", action="store_true", help="Say what would be written, and write nothing.")

    def handle(self, *args: Any, **options: Any) -> None:
        number, name = options["job"], "technical" if options["technical"] else "write-up"
        path: Path = options["to"] or Path(f"job-{number}-{name}.pdf")
        template, context_of = PAPERS[name]
        try:
            pdf = pdf_of(template, context_of(number))
        except Http404:
            raise CommandError(f"There is no job {number}.") from None
        except CannotSet as error:
            raise CommandError(str(error)) from error
        if not options["dry_run"]:
            path.write_bytes(pdf)
        said = "Would write" if options["dry_run"] else "Wrote"
        self.stdout.write(f"{said} {path}, {len(pdf):,} bytes.")
