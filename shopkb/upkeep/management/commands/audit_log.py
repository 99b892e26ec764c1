from __future__ import annotations

import csv
import json
from argparse import ArgumentParser
from dataclasses import asdict
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from shopkb.accounts.models import AuditRecord
from shopkb.jobs.readings import readers_of
from shopkb.upkeep.audit_pages import COLUMNS, AuditFilters, as_fields, day
from shopkb.web.csv_cells import safe

USAGE = 2


class Command(BaseCommand):
    help = (
        "Print the log of who did what, oldest first, as CSV, or with --json one JSON object a line. With --readers: "
        "who read the jobs of a vehicle. Exits with 0, or with 2 when it was asked wrongly."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--who", default="", help="Name to sign in with.")
        parser.add_argument("--action", default="", choices=["", *AuditRecord.Action.values], metavar="ACTION")
        parser.add_argument("--since", default="", metavar="DAY", help="From this day on, such as 2026-11-29.")
        parser.add_argument("--until", default="", metavar="DAY", help="To the end of this day.")
        parser.add_argument("--readers", metavar="REGISTRATION", help="Who read the jobs of this vehicle, counted.")
        parser.add_argument("--json", action="store_true")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["readers"]:
            rows = [{key: str(value) for key, value in asdict(one).items()} for one in readers_of(options["readers"])]
            self._print(("who", "jobs", "days", "first", "last"), rows, as_json=options["json"])
            return
        for name in ("since", "until"):
            if options[name] and day(options[name]) is None:
                raise CommandError(f"--{name} {options[name]} is no day. Write it as 2026-11-29.", returncode=USAGE)
        filters = AuditFilters(options["who"], options["action"], day(options["since"]), day(options["until"]))
        found = filters.rows().order_by("pk").iterator(chunk_size=2000)
        self._print(COLUMNS, (as_fields(row) for row in found), as_json=options["json"])

    def _print(self, columns: tuple[str, ...], rows: Any, *, as_json: bool) -> None:
        writer = csv.writer(self.stdout, lineterminator="\n")
        if not as_json:
            writer.writerow(columns)
        for row in rows:
            if as_json:
                self.stdout.write(json.dumps(row, ensure_ascii=False))
            else:
                writer.writerow([safe(value) for value in row.values()])
