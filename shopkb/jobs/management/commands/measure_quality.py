from __future__ import annotations

import json
import re
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from shopkb.jobs.measuring import measure_quality

REFUSED = 2


class Command(BaseCommand):
    help = (
        "Score what would have been said of every closed job before its cause was known, by procedure and month, "
        "and keep the figures. For a nightly timer. Exits with 0, or 2 when the month is none."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--since", default="", metavar="YYYY-MM", help="From this month on; what is kept of earlier ones stays."
        )
        parser.add_argument("--dry-run", action="store_true", help="Score and tell, keep nothing.")
        parser.add_argument("--json", action="store_true", help="Tell the outcome as JSON on standard output.")

    def handle(self, *args: Any, dry_run: bool, **options: Any) -> None:
        since, rows = options["since"], []
        if since and re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", since) is None:
            raise CommandError(f"A month is written as in 2026-03; got {since[:20]!r}.", returncode=REFUSED)
        for row in measure_quality(at=timezone.now(), store=not dry_run, since=since):
            rows.append({"procedure": row.procedure, "months": row.months, "verified_jobs": row.verified_jobs})
            if not options["json"]:
                self.stdout.write(f"{row.procedure}: {row.months} months, {row.verified_jobs} verified jobs")
        if options["json"]:
            self.stdout.write(json.dumps({"procedures": rows, "kept": not dry_run}, indent=2))
        elif dry_run:
            self.stdout.write("Nothing was kept: dry run.")
