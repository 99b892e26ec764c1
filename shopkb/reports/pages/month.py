"""One month on one sheet of paper."""

from __future__ import annotations

from datetime import datetime

from django.utils.formats import date_format

from shopkb.reports.filters import Filters, month_before
from shopkb.reports.pages import causes, changes, comebacks, minutes
from shopkb.reports.pages.page import Page
from shopkb.reports.tables import Table


def build(filters: Filters, now: datetime) -> Page:
    """The month ``filters.until``: its figures, the year that leads up to it, and what to change next."""
    month = filters.but(since=filters.until)
    year = filters.but(since=month_before(filters.until, 11))
    brief = changes.build(month, now)
    over_year = minutes.build(year, now)
    found = causes.build(month, now).tables[0]
    back = comebacks.build(year, now).tables[0]
    tables = (
        over_year.tables[1],
        _first(brief.tables[0], 4),
        _first(minutes.build(month, now).tables[0], 8),
        _first(found, 6),
        _first(back, 5),
    )
    title = date_format(month.begins, "F Y")
    return Page("month", title, brief.intro, tables, over_year.drawings, brief.facts)


def _first(table: Table, most: int) -> Table:
    return Table(table.name, table.title, table.columns, table.rows[:most], table.about, table.empty)
