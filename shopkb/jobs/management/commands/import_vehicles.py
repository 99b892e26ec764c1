from __future__ import annotations

from argparse import ArgumentParser
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.core.management.base import BaseCommand, CommandError

from shopkb.accounts.models import User
from shopkb.catalog.models import Platform
from shopkb.jobs.actions.vehicles import Became, Outcome, outcomes_of, store_listed
from shopkb.jobs.vehicle_list import (
    FIELDS,
    BadColumns,
    Kinds,
    ReadLine,
    guessed_columns,
    read_lines,
    wrong_lines_csv,
    wrong_of,
)
from shopkb.web.sent_tables import LARGEST_FILE, BadTable, SentTable, read_table

USAGE = 2


class Command(BaseCommand):
    help = (
        "Read a list of vehicles in, a CSV file or a spreadsheet (.xlsx), its first line the names of the columns. "
        "Wrong lines are listed and left out; the same file a second time adds nothing. Exits with 0 when every line "
        "is taken in or there already, 1 when lines are wrong, 2 when the file cannot be read or it was asked wrongly."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, help="The list.")
        parser.add_argument("--by", required=True, metavar="NAME", help="Log-in of the keeper who reads it in.")
        parser.add_argument(
            "--column", action="append", default=[], metavar="FIELD=HEADING",
            help=f"Which column is which, where the guess is wrong: {', '.join(FIELDS)}. An empty HEADING: none.",
        )  # fmt: skip
        parser.add_argument(
            "--otherwise",
            default="",
            metavar="VEHICLE",
            help="What a new vehicle is whose line names no kind.",
        )
        parser.add_argument("--wrong", type=Path, metavar="FILE", help="Write the wrong lines there, as CSV.")
        parser.add_argument("--dry-run", action="store_true", help="Say what would become of each line; store nothing.")

    def handle(self, *args: Any, **options: Any) -> None:
        by = User.objects.filter(username=options["by"], is_active=True).first()
        if by is None:
            raise CommandError(f"There is no active person with the log-in {options['by']!r}.", returncode=USAGE)
        table = _read(options["file"])
        columns = _columns(table, options["column"])
        self.stdout.write(f"{options['file']}: {table.told}, {len(table.rows):,} lines of data.")
        for name, words in FIELDS.items():
            told = f"“{table.headings.cells[columns[name]]}”" if name in columns else "not in this file"
            self.stdout.write(f"  {words}: {told}")
        try:
            lines = list(read_lines(table, columns, _kind(options["otherwise"])))
            outcomes = self._done(lines, by=by, source=options["file"].name, dry_run=options["dry_run"])
        except (BadColumns, PermissionDenied) as error:
            raise CommandError(str(error), returncode=USAGE) from error
        self._tell(table, lines, outcomes, dry_run=options["dry_run"], wrong=options["wrong"])

    def _done(self, lines: Sequence[ReadLine], *, by: User, source: str, dry_run: bool) -> dict[int, Outcome]:
        listed = [line.listed for line in lines if line.listed is not None]
        chunks = outcomes_of(listed) if dry_run else store_listed(listed, by=by, source=source)
        return {outcome.line: outcome for outcome in self._told(chunks, len(listed))}

    def _told(self, chunks: Iterator[tuple[Outcome, ...]], of: int) -> Iterator[Outcome]:
        """The outcomes, with a line on standard error after each chunk."""
        done = 0
        for chunk in chunks:
            done += len(chunk)
            self.stderr.write(f"{done:,} of {of:,} lines")
            yield from chunk

    def _tell(
        self,
        table: SentTable,
        lines: Sequence[ReadLine],
        outcomes: Mapping[int, Outcome],
        *,
        dry_run: bool,
        wrong: Path | None,
    ) -> None:
        left_out = wrong_of(lines, outcomes)
        for row, words in left_out:
            self.stdout.write(f"  line {row.line}: {words}")
        if wrong is not None and left_out and not dry_run:
            try:
                wrong.write_text(wrong_lines_csv(table, left_out), encoding="utf-8", newline="")
            except OSError as error:
                raise CommandError(f"{wrong} cannot be written: {error.strerror}.", returncode=USAGE) from error
        counts = Counter(outcome.became for outcome in outcomes.values())
        self.stdout.write(
            f"{'Would be: ' if dry_run else ''}{counts[Became.NEW]:,} new, {counts[Became.CHANGED]:,} changed, "
            f"{counts[Became.SAME]:,} already there, {len(left_out):,} wrong."
        )
        if dry_run:
            self.stdout.write("Nothing was stored: dry run.")
        if left_out:
            raise SystemExit(1)


def _read(file: Path) -> SentTable:
    try:
        with file.open("rb") as opened:
            return read_table(opened.read(LARGEST_FILE + 1))
    except OSError as error:
        raise CommandError(f"{file}: {error.strerror}.", returncode=USAGE) from error
    except BadTable as error:
        raise CommandError(f"{file}: {error}", returncode=USAGE) from error


def _columns(table: SentTable, said: Sequence[str]) -> dict[str, int]:
    columns = guessed_columns(table.headings.cells)
    for one in said:
        name, _, heading = one.partition("=")
        if name not in FIELDS:
            raise CommandError(f"--column {one}: {name!r} is none of {', '.join(FIELDS)}.", returncode=USAGE)
        if heading and heading not in table.headings.cells:
            raise CommandError(
                f"--column {one}: the file has no such heading. It has: {', '.join(table.headings.cells)}.",
                returncode=USAGE,
            )
        columns.pop(name, None)
        if heading:
            columns = {other: place for other, place in columns.items() if table.headings.cells[place] != heading}
            columns[name] = table.headings.cells.index(heading)
    return columns


def _kind(words: str) -> Platform | None:
    if not words:
        return None
    try:
        return Kinds.read().called(words)
    except ValidationError as error:
        raise CommandError(f"--otherwise: {error.messages[0]}", returncode=USAGE) from error
