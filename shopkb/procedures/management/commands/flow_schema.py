from __future__ import annotations

from argparse import ArgumentParser
from dataclasses import asdict
from typing import Any

from django.core.management.base import BaseCommand

from shopkb.core.flow.checks import CHECKS
from shopkb.core.flow.file.schema import field_help, json_schema
from shopkb.core.readings.expected import computation_help
from shopkb.procedures.management.commands._files import dumped


class Command(BaseCommand):
    help = "Print the JSON Schema of a procedure file; with --words the fields, computations and checks in plain words."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--words", action="store_true", help="Plain words instead of the schema.")
        parser.add_argument("--json", action="store_true", help="With --words: as JSON.")

    def handle(self, *args: Any, words: bool, **options: Any) -> None:
        if not words:
            self.stdout.write(dumped(json_schema()))
            return
        checks = [{"id": row.id, "level": str(row.level), "title": row.title, "why": row.why} for row in CHECKS]
        fields = [asdict(row) for row in field_help()]
        computations = [
            {"computation": name, "input": given, "words": told} for name, given, told in computation_help()
        ]
        if options["json"]:
            self.stdout.write(dumped({"fields": fields, "computations": computations, "checks": checks}))
            return
        for field in fields:
            field["needed"] = "required" if field["needed"] else "optional"
        for title, rows in (("Fields", fields), ("Computations", computations), ("Checks", checks)):
            self.stdout.write(f"\n{title}\n")
            for row in rows:
                self.stdout.write("  " + " | ".join(str(value) for value in row.values() if value not in ("", None)))
