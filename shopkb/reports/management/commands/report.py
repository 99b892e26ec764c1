from __future__ import annotations

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from shopkb.reports.gathering.filters import TEXT_FIELDS, FilterError, Filters
from shopkb.reports.pages import month_page
from shopkb.reports.pages.page import Page
from shopkb.reports.pages.registry import PAGES, page
from shopkb.reports.presenting.export import as_json, csv_text
from shopkb.reports.presenting.tables import Table
from shopkb.reports.presenting.terminal import write_page

MONTH = "month"


class Command(BaseCommand):
    help = (
        "Print a page of figures as tables, with intervals of 80 % as on the page; or its tables as JSON, or one of "
        "them as CSV, with intervals of 95 %. Exits with 0 when printed, 1 when a filter cannot be or the page has no "
        "such table."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", choices=[*PAGES, MONTH], help="The page; month is the sheet of one.")
        how = parser.add_mutually_exclusive_group()
        how.add_argument("--json", action="store_true", help="All tables of the page.")
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
            found = _built(options["name"], filters, options["by"], options["sort"])
        except FilterError as error:
            raise CommandError(str(error)) from error
        if options["json"]:
            data = {"page": found.name, "since": filters.since, "until": filters.until}
            told = {**data, "tables": [as_json(table) for table in found.tables]}
            self.stdout.write(json.dumps(told, indent=2))
        elif options["csv"]:
            self.stdout.write(csv_text(_asked_for(found, options["table"])), ending="")
        else:
            facts = tuple((words, figure) for words, figure, _link in found.facts)
            said = tuple(sentence for sentence in (found.intro, found.paragraph) if sentence)
            write_page(self.stdout, found.title, said, facts, found.tables)


def _built(name: str, filters: Filters, by: str, sort: str) -> Page:
    if name == MONTH:
        return month_page.build(Filters.of({"until": filters.until}, timezone.localdate()), timezone.now())
    return page(name, filters, timezone.now(), by=by, sort=sort)


def _asked_for(found: Page, wanted: str) -> Table:
    tables = {table.name: table for table in found.tables}
    name = wanted or next(iter(tables))
    if name not in tables:
        raise CommandError(f"The page {found.name} has no table called {name!r}. It has: {', '.join(tables)}.")
    return tables[name]
