from __future__ import annotations

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from shopkb.jobs.measuring import fit_strengths


class Command(BaseCommand):
    help = (
        "Fit how alike related platforms are, from all closed jobs, and keep the result. For a nightly timer. "
        "Exits with 0."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--dry-run", action="store_true", help="Fit and tell, keep nothing.")
        parser.add_argument("--json", action="store_true", help="Tell the outcome as JSON on standard output.")

    def handle(self, *args: Any, dry_run: bool, **options: Any) -> None:
        fit = fit_strengths(at=timezone.now(), store=not dry_run)
        if options["json"]:
            summary = {"strengths": fit.strengths, "as_of": fit.as_of, "verified_jobs": fit.verified_jobs}
            self.stdout.write(json.dumps({**summary, "kept": not dry_run}, indent=2))
            return
        levels = ", ".join(f"{strength:.1f}" for strength in fit.strengths) or "none: one platform says nothing"
        self.stdout.write(
            f"{fit.procedures} procedures, {fit.verified_jobs} verified jobs. Strengths, top level first: {levels}."
        )
        self.stdout.write("Nothing was kept: dry run." if dry_run else "Kept; figures use it from now on.")
