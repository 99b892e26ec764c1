from __future__ import annotations

import json
from argparse import ArgumentParser
from dataclasses import asdict
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from shopkb.catalog.models import Platform, System
from shopkb.catalog.verifying import TreeReport, repair, verify

DAMAGED = 1
USAGE = 2


class Command(BaseCommand):
    help = (
        "Checks the trees of systems and platforms. Exits with 0 when both are whole, 1 when damage was found or is "
        "left, 2 when it was asked wrongly."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--repair", action="store_true", help="Cut parent loops, number the trees, write the paths."
        )
        parser.add_argument(
            "--dry-run", action="store_true", help="With --repair: say what it would do, change nothing."
        )
        parser.add_argument("--json", action="store_true", help="Print one JSON object.")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["dry_run"] and not options["repair"]:
            raise CommandError("--dry-run goes with --repair. Checking alone never changes anything.", returncode=USAGE)
        reports = [self._report(tree, options) for tree in (System, Platform)]
        if options["json"]:
            clean = not any(report.findings for report in reports)
            self.stdout.write(json.dumps({"clean": clean, "trees": [asdict(report) for report in reports]}, indent=2))
        else:
            for report in reports:
                self._print(report)
        left = sum(len(report.findings) for report in reports)
        if left:
            way = "Run check_trees --repair to mend them." if not options["repair"] or options["dry_run"] else ""
            raise CommandError(f"Faults in the trees: {left}. {way}".strip(), returncode=DAMAGED)

    def _report(self, tree: type[System] | type[Platform], options: dict[str, Any]) -> TreeReport:
        def say(line: str) -> None:
            if options["verbosity"] > 0:
                self.stderr.write(line)

        if options["repair"]:
            return repair(tree, dry_run=options["dry_run"], progress=say)
        return verify(tree, progress=say)

    def _print(self, report: TreeReport) -> None:
        for finding in report.findings:
            self.stdout.write(f"{report.tree}: {finding.id}: {finding.message}")
        for line in report.repairs:
            self.stdout.write(f"{report.tree}: repair: {line}")
        if not report.findings:
            self.stdout.write(f"{report.tree}: whole, nodes: {report.nodes}.")
