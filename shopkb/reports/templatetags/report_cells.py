"""Cells of a table of figures: ``{% load report_cells %}``."""

from __future__ import annotations

from django import template
from django.utils.formats import number_format
from django.utils.safestring import SafeString, mark_safe

from shopkb.reports.pages.page import Page
from shopkb.reports.presenting.cells import cell_html, month_words
from shopkb.reports.presenting.tables import Column, Row, Table

register = template.Library()


AT_ONCE = 40
"""Rows shown before somebody asks for all; the file always holds them all."""


register.filter(month_words)


@register.filter
def shown_rows(table: Table, everything: bool) -> tuple[Row, ...]:
    return table.rows if everything else table.rows[:AT_ONCE]


@register.filter
def holds_back(table: Table, everything: bool) -> bool:
    return not everything and len(table.rows) > AT_ONCE


@register.simple_tag
def rests_on(table: Table, column: Column) -> str:
    """Below the heading of a column that counts only the latest jobs of the period; empty if those are all."""
    if not column.latest or table.latest is None or table.latest.is_all:
        return ""
    jobs, of = (number_format(number, force_grouping=True) for number in (table.latest.jobs, table.latest.in_period))
    return f"latest {jobs} of {of} jobs"


@register.simple_tag
def cell(row: Row, column: Column) -> SafeString:
    return cell_html(column, row[column.key])


@register.simple_tag
def drawing(page: Page, name: str) -> SafeString:
    """The chart beside a table; nothing if it has none."""
    return mark_safe(page.plots.get(name, ""))  # noqa: S308  (drawn by ourselves, words escaped)


@register.simple_tag
def turned(table: Table, column: Column) -> str:
    return table.turned(column.key)


@register.simple_tag
def direction(table: Table, column: Column) -> str:
    return table.direction(column.key)
