from __future__ import annotations

import json
from argparse import ArgumentParser
from dataclasses import asdict
from pathlib import Path
from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.management.base import BaseCommand, CommandError

from shopkb.accounts.models import User
from shopkb.catalog.loading import Loaded, load_folder

FAULTY = 1
USAGE = 2


class Command(BaseCommand):
    help = (
        "Loads systems, platforms, symptoms, cautions, access, causes and meters from a folder of YAML files. "
        "What safety rests on and procedures use is proposed to a second person, as --by and with --why. "
        "Exits with 0 when it is loaded, 1 when a file has faults, 2 when there is no such folder or person."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("folder", type=Path)
        parser.add_argument("--by", metavar="USERNAME", help="Who proposes what a second person has to confirm.")
        parser.add_argument("--why", default="", help="Why it changes, for whoever confirms it.")
        parser.add_argument("--dry-run", action="store_true", help="Say what would change, change nothing.")
        parser.add_argument("--json", action="store_true", help="Print one JSON object.")

    def handle(self, *args: Any, **options: Any) -> None:
        folder: Path = options["folder"]
        if not folder.is_dir():
            raise CommandError(f"{folder} is not a folder. Name the folder that holds systems.yaml.", returncode=USAGE)
        by = User.objects.filter(username=options["by"], is_active=True).first() if options["by"] else None
        if options["by"] and by is None:
            raise CommandError(
                f"Nobody here is called {options['by']}. Give the name they sign in with.", returncode=USAGE
            )
        try:
            loaded = load_folder(folder, dry_run=options["dry_run"], by=by, why=options["why"])
        except PermissionDenied as refusal:
            raise CommandError(str(refusal), returncode=FAULTY) from refusal
        if options["json"]:
            self._print_json(loaded, stored=not loaded.faults and not options["dry_run"])
        else:
            self._print(loaded)
        if loaded.faults:
            raise CommandError(f"Faults in the files: {len(loaded.faults)}. Nothing was loaded.", returncode=FAULTY)
        if options["dry_run"] and not options["json"]:
            self.stdout.write("Dry run: nothing was stored.")

    def _print(self, loaded: Loaded) -> None:
        for fault in loaded.faults:
            self.stdout.write(fault.text())
        for file, count in loaded.counts.items():
            waiting = f", {count.proposed} to be confirmed by a second person" if count.proposed else ""
            self.stdout.write(
                f"{file}: {count.added} added, {count.changed} changed, {count.same} as they were{waiting}."
            )

    def _print_json(self, loaded: Loaded, *, stored: bool) -> None:
        counts = {file: asdict(count) for file, count in loaded.counts.items()}
        faults = [asdict(fault) for fault in loaded.faults]
        self.stdout.write(json.dumps({"stored": stored, "counts": counts, "faults": faults}, indent=2))
