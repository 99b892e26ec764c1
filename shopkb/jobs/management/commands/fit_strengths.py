from __future__ import annotations

import json
from argparse import ArgumentParser
from collections.abc import Sequence
from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from shopkb.core.diagnosis.rates.hierarchical import STRENGTHS
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
            summary = {
                "strengths": fit.strengths,
                "branch_weights": fit.branch_weights,
                "as_of": fit.as_of,
                "verified_jobs": fit.verified_jobs,
            }
            self.stdout.write(json.dumps({**summary, "kept": not dry_run}, indent=2))
            return
        levels = ", ".join(f"{strength:.1f}" for strength in fit.strengths) or "none: one platform says nothing"
        self.stdout.write(
            f"{fit.procedures} procedures, {fit.verified_jobs} verified jobs. Shares of causes: strengths, top level "
            f"first: {levels}. Branches: {_alike(fit.branch_weights)}."
        )
        self.stdout.write("Nothing was kept: dry run." if dry_run else "Kept; figures use it from now on.")


def _alike(weights: Sequence[float]) -> str:
    """How many branches are much the same on all platforms, and how many are not, in words."""
    if not weights:
        return "nothing is known yet"
    shares = dict(zip(STRENGTHS.tolist(), weights, strict=True))
    differ = sum(share for strength, share in shares.items() if strength <= 8)
    alike = sum(share for strength, share in shares.items() if strength >= 64)
    return f"{differ:.0%} differ widely by platform, {alike:.0%} are much the same on all"
