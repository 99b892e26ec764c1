"""One month on one sheet of paper."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from django.utils.formats import date_format

from shopkb.reports.gathering.filters import Filters, month_before
from shopkb.reports.pages import causes_page, changes_page, comebacks_page, minutes_page
from shopkb.reports.pages.page import Page
from shopkb.reports.pages.report_data import ReportData
from shopkb.reports.presenting.tables import Table


def build(filters: Filters, now: datetime) -> Page:
    """The month ``filters.until``: its figures, the year that leads up to it, and what to change next."""
    year = ReportData(filters.but(since=month_before(filters.until, 11)))
    month = year.later(filters.until)
    brief, over_year = changes_page.of(month, now), minutes_page.of(year)
    tables = (
        over_year.tables[1],
        _first(brief.tables[0], 3),
        _most_used(over_year.tables[0], 4),
        causes_page.frequent(month, most=4),
        _without(comebacks_page.causes_back(year, now, most=3), "young"),
    )
    title = date_format(month.filters.begins, "F Y")
    return Page("month", title, brief.intro, tables, over_year.plots, brief.facts)


def _most_used(table: Table, most: int) -> Table:
    """The procedures that most jobs followed."""
    rows = sorted(table.rows, key=lambda row: -getattr(row["proven"].value, "whole", 0))
    columns = tuple(column for column in table.columns if column.key in ("procedure", "typical", "change", "proven"))
    return _first(replace(table, rows=tuple(rows), columns=columns), most)


def _without(table: Table, key: str) -> Table:
    """A cure too young to judge is said to be provisional beside its share; the sheet has no room to count them."""
    return replace(table, columns=tuple(column for column in table.columns if column.key != key))


def _first(table: Table, most: int) -> Table:
    return replace(table, rows=table.rows[:most])
