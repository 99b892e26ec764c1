from __future__ import annotations

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from shopkb.jobs.measuring import measure_quality


class Command(BaseCommand):
    help = (
        "Score what would have been said of every closed job before its cause was known, by procedure and month, "
        "and keep the figures. For a nightly timer. Exit 0."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--dry-run", action="store_true", help="Score and tell, keep nothing.")
        parser.add_argument("--json", action="store_true", help="Tell the outcome as JSON on standard output.")

    def handle(self, *args: Any, dry_run: bool, **options: Any) -> None:
        rows = []
        for row in measure_quality(at=timezone.now(), store=not dry_run):
            rows.append({"procedure": row.procedure, "months": row.months, "verified_jobs": row.verified_jobs})
            if not options["json"]:
                self.stdout.write(f"{row.procedure}: {row.months} months, {row.verified_jobs} verified jobs")
        if options["json"]:
            self.stdout.write(json.dumps({"procedures": rows, "kept": not dry_run}, indent=2))
        elif dry_run:
            self.stdout.write("Nothing was kept: dry run.")
