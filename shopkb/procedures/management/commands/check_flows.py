from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand

from shopkb.procedures.management.commands import _files


class Command(BaseCommand):
    help = (
        "Check procedure files against the format, the catalog and the safety rules. "
        "Exits with 0 when they are right, 1 when there are errors, 2 without a file."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        _files.add_places(parser)
        parser.add_argument("--strict", action="store_true", help="Warnings count as errors.")

    def handle(self, *args: Any, places: list[Any], strict: bool, **options: Any) -> None:
        files = _files.checked(places)
        wrong = sum(bool(file.findings if strict else (file.errors or file.flow is None)) for file in files)
        if options["json"]:
            self.stdout.write(_files.dumped(_files.as_data(files)))
        else:
            for line in _files.lines(files):
                self.stdout.write(line)
            self.stdout.write(f"{len(files)} files checked, {wrong} to be mended.")
        if wrong:
            raise SystemExit(1)
