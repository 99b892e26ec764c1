from __future__ import annotations

import json
from argparse import ArgumentParser
from dataclasses import asdict
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from shopkb.upkeep.archive import ArchiveError, backups_in, read
from shopkb.upkeep.chains import chain_ends
from shopkb.upkeep.invariants import CHECKS, MENDS, UNREADABLE, broken_invariants

BROKEN = 1


class Command(BaseCommand):
    help = (
        "Check every law of what is stored on the live database and name the first rows that break one. "
        "Exits with 0 when all hold, 1 when something is (or with --repair: is left) broken."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--repair",
            action="store_true",
            help="Mend what can be made anew: tallies, trees, runs of closed jobs, modes of folders.",
        )
        parser.add_argument("--json", action="store_true", help="Print one JSON object.")

    def handle(self, *args: Any, **options: Any) -> None:
        found, mended = broken_invariants(), []
        if options["repair"]:
            mended = sorted({finding.law for finding in found if finding.mendable} & MENDS.keys())
            for law in mended:
                MENDS[law]()
            found = broken_invariants() if mended else found
        damaged = any(finding.law == UNREADABLE for finding in found)
        if options["json"]:
            report = {"laws": list(CHECKS), "broken": [asdict(finding) for finding in found], "mended": mended}
            report["log"] = None if damaged else asdict(chain_ends())
            report["way_back"] = way_back() if damaged else None
            self.stdout.write(json.dumps(report, indent=2))
        else:
            for law in mended:
                self.stdout.write(f"{law}: mended.")
            for finding in found:
                self.stdout.write(f"{finding.law}: {finding.place}: {finding.message}")
            if damaged:
                self.stdout.write(way_back())
            if not found:
                self.stdout.write(f"All hold: {', '.join(CHECKS)}.")
        if found:
            way = " verify --repair mends some of it." if any(finding.mendable for finding in found) else ""
            raise CommandError(
                f"Broken: {', '.join(sorted({finding.law for finding in found}))}.{way}", returncode=BROKEN
            )


def way_back() -> str:
    """What to do about a damaged database: the newest backup that is whole, and the command that puts it back."""
    keep = "Stop the server and keep the damaged file as it is."
    for path in backups_in(settings.BACKUP_DIR):
        try:
            good = read(path)
        except ArchiveError:
            continue
        return (
            f"{keep} The last good backup is of {good.made_at:%Y-%m-%d %H:%M} UTC. Name an empty folder in "
            f"SHOPKB_DATA_DIR (or an empty database in DATABASE_URL), then run: manage.py restore {path}"
        )
    return (
        f"{keep} No whole backup lies in {settings.BACKUP_DIR}: look where copies of backups are kept, then run: "
        "manage.py restore FILE"
    )
