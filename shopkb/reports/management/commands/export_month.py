from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from shopkb.reports.gathering.filters import FilterError, Filters
from shopkb.reports.pages import office_page
from shopkb.reports.pages.page import Page
from shopkb.reports.presenting.export import csv_text, workbook

USAGE = 2


class Command(BaseCommand):
    help = (
        "Write the jobs that were closed in a month, the times spent on them and their parts, for the office: one "
        "spreadsheet with a sheet for each, or three CSV files. Exits with 0 when written, 1 when a file cannot be "
        "written, 2 when it was asked wrongly."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--month", required=True, help="The month, as 2026-11.")
        parser.add_argument("--format", choices=["csv", "xlsx"], default="xlsx", help="xlsx unless said.")
        parser.add_argument(
            "--out",
            type=Path,
            metavar="FILE",
            help="The file; office-MONTH.xlsx or .csv here unless said. With csv the names of the three tables are put "
            "before its ending: out.csv becomes out-jobs.csv, out-times.csv, out-parts.csv.",
        )
        parser.add_argument("--dry-run", action="store_true", help="Say what would be written, and write nothing.")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            filters = Filters.of_month(options["month"])
        except FilterError as error:
            raise CommandError(str(error), returncode=USAGE) from error
        page = office_page.build(filters)
        out: Path = options["out"] or Path(f"office-{filters.until}.{options['format']}")
        if out.is_dir():
            raise CommandError(f"{out} is a folder. Name a file in it.", returncode=USAGE)
        self.stdout.write(page.intro)
        for path, body, told in _files(page, out, options["format"]):
            if not options["dry_run"]:
                _write(path, body)
            self.stdout.write(f"{'Would write' if options['dry_run'] else 'Wrote'} {path}: {told}.")


def _files(page: Page, out: Path, wanted: str) -> list[tuple[Path, bytes, str]]:
    """Where, what, and in words what it is."""
    told = {table.name: f"{len(table.rows):,} {table.name}" for table in page.tables}
    told["parts"] = told["parts"].replace("parts", "lines of parts")
    if wanted == "xlsx":
        return [(out, workbook(page.tables), ", ".join(told.values()))]
    return [
        (out.with_stem(f"{out.stem}-{table.name}"), csv_text(table).encode(), told[table.name]) for table in page.tables
    ]


def _write(path: Path, body: bytes) -> None:
    """Whole or not at all: a program that takes the file over never finds half of it.

    Raises:
        CommandError: it cannot be written.
    """
    part = path.with_name(f"{path.name}.part")
    try:
        part.write_bytes(body)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise CommandError(f"{path} cannot be written: {error.strerror}.", returncode=1) from error
