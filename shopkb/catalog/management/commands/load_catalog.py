from __future__ import annotations

import json
from argparse import ArgumentParser
from dataclasses import asdict
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from shopkb.catalog.loading import Loaded, load_folder

FAULTY = 1
USAGE = 2


class Command(BaseCommand):
    help = (
        "Loads systems, platforms, symptoms, cautions, access, causes and meters from a folder of YAML files. "
        "Exits with 0 when it is loaded, 1 when a file has faults, 2 when there is no such folder."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("folder", type=Path)
        parser.add_argument("--dry-run", action="store_true", help="Say what would change, change nothing.")
        parser.add_argument("--json", action="store_true", help="Print one JSON object.")

    def handle(self, *args: Any, **options: Any) -> None:
        folder: Path = options["folder"]
        if not folder.is_dir():
            raise CommandError(f"{folder} is not a folder. Name the folder that holds systems.yaml.", returncode=USAGE)
        loaded = load_folder(folder, dry_run=options["dry_run"])
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
            self.stdout.write(f"{file}: {count.added} added, {count.changed} changed, {count.same} as they were.")

    def _print_json(self, loaded: Loaded, *, stored: bool) -> None:
        counts = {file: asdict(count) for file, count in loaded.counts.items()}
        faults = [asdict(fault) for fault in loaded.faults]
        self.stdout.write(json.dumps({"stored": stored, "counts": counts, "faults": faults}, indent=2))
