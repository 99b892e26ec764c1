from __future__ import annotations

import json
from argparse import ArgumentParser
from collections.abc import Iterator
from typing import Any

from django.core.management.base import BaseCommand

from shopkb.core.diagnosis.counting.closed_case import ClosedCase
from shopkb.evidence.learning import kept, put_total, rebuild, stamp, total_of
from shopkb.jobs.closed_jobs import closed_cases
from shopkb.jobs.models import Job

EVERY = 1000


class Command(BaseCommand):
    help = (
        "Count all closed jobs again and compare with the tallies kept. "
        "Exits with 0 when they are equal or were rebuilt, 1 when they differ and --dry-run left them as they are."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--dry-run", action="store_true", help="Compare only.")
        parser.add_argument("--json", action="store_true", help="Tell the outcome as JSON on standard output.")

    def handle(self, *args: Any, dry_run: bool, **options: Any) -> None:
        self.quiet = options["json"]
        begun, stored = stamp(), kept()
        counted = total_of(self._cases())
        differing = sorted(key for key in stored.keys() | counted.keys() if stored.get(key) != counted.get(key))
        if differing and not dry_run and not put_total(counted, counted_at=begun):
            rebuild(self._cases())  # a job was closed meanwhile: once more, with the others waiting
        first = [str(key) for key in differing[:5]]
        summary = {
            "tallies": len(counted),
            "differing": len(differing),
            "first": first,
            "rebuilt": bool(differing) and not dry_run,
        }
        if options["json"]:
            self.stdout.write(json.dumps(summary, indent=2))
        else:
            self.stdout.write(f"{summary['tallies']} tallies counted, {summary['differing']} differed.")
            for line in first:
                self.stdout.write(f"  {line}")
            if differing:
                self.stdout.write("Nothing was changed: dry run." if dry_run else "Rebuilt.")
        if differing and dry_run:
            raise SystemExit(1)

    def _cases(self) -> Iterator[ClosedCase]:
        total = Job.objects.closed().count()
        for number, case in enumerate(closed_cases(), start=1):
            if not self.quiet and number % EVERY == 0:
                self.stderr.write(f"{number} of {total} closed jobs")
            yield case
