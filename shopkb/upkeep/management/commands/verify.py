from __future__ import annotations

import json
from argparse import ArgumentParser
from dataclasses import asdict
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from shopkb.upkeep.chains import chain_ends
from shopkb.upkeep.invariants import CHECKS, MENDS, broken_invariants

BROKEN = 1


class Command(BaseCommand):
    help = (
        "Check every law of what is stored on the live database and name the first rows that break one. "
        "Exits with 0 when all hold, 1 when something is (or with --repair: is left) broken."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--repair", action="store_true", help="Mend what can be made anew: tallies, trees, runs of closed jobs."
        )
        parser.add_argument("--json", action="store_true", help="Print one JSON object.")

    def handle(self, *args: Any, **options: Any) -> None:
        found, mended = broken_invariants(), []
        if options["repair"]:
            mended = sorted({finding.law for finding in found if finding.mendable} & MENDS.keys())
            for law in mended:
                MENDS[law]()
            found = broken_invariants() if mended else found
        if options["json"]:
            report = {"laws": list(CHECKS), "broken": [asdict(finding) for finding in found], "mended": mended}
            report["log"] = asdict(chain_ends())
            self.stdout.write(json.dumps(report, indent=2))
        else:
            for law in mended:
                self.stdout.write(f"{law}: mended.")
            for finding in found:
                self.stdout.write(f"{finding.law}: {finding.place}: {finding.message}")
            if not found:
                self.stdout.write(f"All hold: {', '.join(CHECKS)}.")
        if found:
            way = " verify --repair mends some of it." if any(finding.mendable for finding in found) else ""
            raise CommandError(
                f"Broken: {', '.join(sorted({finding.law for finding in found}))}.{way}", returncode=BROKEN
            )
