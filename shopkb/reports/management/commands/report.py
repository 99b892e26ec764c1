from __future__ import annotations

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from shopkb.reports.gathering.filters import TEXT_FIELDS, FilterError, Filters
from shopkb.reports.pages.registry import PAGES, page
from shopkb.reports.presenting.export import as_json, csv_text


class Command(BaseCommand):
    help = (
        "Print figures of the shop: the tables of a page as JSON, or one of them as CSV. Intervals are 95 %. "
        "Exits with 0 when printed, 1 when a filter cannot be or the page has no such table."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", choices=list(PAGES), help="The page.")
        how = parser.add_mutually_exclusive_group()
        how.add_argument("--json", action="store_true", help="All tables of the page (what is done unless --csv).")
        how.add_argument("--csv", action="store_true", help="One table; the first unless --table names another.")
        parser.add_argument("--table", default="", help="With --csv: which table.")
        parser.add_argument("--sort", default="", help="Column to sort by; - before it turns it round.")
        parser.add_argument("--by", default="", help="For causes: cause, system or platform.")
        for name in ("since", "until", *TEXT_FIELDS):
            parser.add_argument(
                f"--{name}", default="", help="A month, as 2026-03." if name in ("since", "until") else ""
            )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            asked = {name: options[name] for name in ("since", "until", *TEXT_FIELDS)}
            filters = Filters.of(asked, timezone.localdate())
            found = page(options["name"], filters, timezone.now(), by=options["by"], sort=options["sort"])
        except FilterError as error:
            raise CommandError(str(error)) from error
        if not options["csv"]:
            data = {"page": found.name, "since": filters.since, "until": filters.until}
            self.stdout.write(json.dumps({**data, "tables": [as_json(table) for table in found.tables]}, indent=2))
            return
        names = [table.name for table in found.tables]
        wanted = options["table"] or names[0]
        if wanted not in names:
            raise CommandError(f"The page {found.name} has no table called {wanted!r}. It has: {', '.join(names)}.")
        self.stdout.write(csv_text(found.tables[names.index(wanted)]), ending="")
