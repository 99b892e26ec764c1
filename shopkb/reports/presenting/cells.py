"""A cell in words: how each kind of value is written on a page, and as numbers in a file."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal

from django.utils import timezone
from django.utils.formats import date_format, number_format
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from shopkb.reports.figures.shares import Mean, PooledShare, Quartiles, Share
from shopkb.reports.presenting.money import money_words
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind
from shopkb.web.bars import interval_bar
from shopkb.web.humanize import minutes_text, percent, percent_number
from shopkb.web.money import money_text

NOTHING = "–"
FEW = "too few"


def cell_html(column: Column, cell: Cell) -> SafeString:
    """HTML of a cell: the figure, what it opens, and what it rests on below it."""
    value = cell.value
    figure, rests = cell_words(column, value)
    if isinstance(value, Share) and not value.whole:
        return format_html('<span class="few">{}</span>', figure)
    html = _linked(figure, cell, rests)
    ends = value.interval() if isinstance(value, (Share, PooledShare)) and not value.too_few else None
    if ends is None or value.plain is None:  # type: ignore[union-attr]
        return html
    return format_html("{}{}", html, mark_safe(interval_bar(value.plain, *ends)))  # type: ignore[union-attr]  # noqa: S308


def cell_words(column: Column, value: object) -> tuple[str, str]:
    """The figure, and in small below it what it rests on; the latter empty where the figure says all."""
    if isinstance(value, (Share, PooledShare)):
        return _share(value)
    if isinstance(value, Quartiles):
        if value.too_few:
            return NOTHING, f"{value.n}, {FEW}"
        return minutes_text(value.median), _range(value.low, value.high)
    if isinstance(value, Mean):
        ends = value.interval()
        if value.too_few or ends is None:
            return NOTHING, f"{value.n}, {FEW}"
        jobs = f"{number_format(value.n, force_grouping=True)} {column.of}"
        return minutes_text(value.value), f"{whole(ends[0])} to {whole(ends[1])} min, {jobs}"
    return cell_text(column, value), ""


def whole(value: float) -> str:
    """``−4`` as the locale writes it, with a true minus."""
    return number_format(round(value), 0, force_grouping=True).replace("-", "−")


def rounded(value: float, digits: int) -> str:
    """``0.10`` of 0.0967 with two digits, as the locale writes it; by itself that cuts off what it does not show."""
    return number_format(round(value, digits) + 0.0, digits, force_grouping=True).replace("-", "−")


def month_words(month: str) -> str:
    """``March 2026`` of ``2026-03``, unbroken, as the locale has it; anything else as it is."""
    year, _, number = month.partition("-")
    return date_format(date(int(year), int(number), 1), "F\xa0Y") if year.isdecimal() and number.isdecimal() else month


def _range(low: float, high: float) -> str:
    """``22 to 26 min``, ``41 min to 1 h 05``."""
    if low >= 1 and high < 59.5:
        return f"{whole(low)} to {whole(high)} min"
    return f"{minutes_text(low)} to {minutes_text(high)}"


def cell_text(column: Column, value: object) -> str:
    """A plain value in words."""
    if value is None:
        return NOTHING
    if column.kind is ColumnKind.MONTH:
        return month_words(str(value))
    if isinstance(value, datetime):
        return date_format(timezone.localtime(value), "DATE_FORMAT")
    if isinstance(value, date):
        return date_format(value, "DATE_FORMAT")
    if isinstance(value, Decimal):
        return money_text(value) if column.kind is ColumnKind.MONEY else _exact(value)
    if column.kind is ColumnKind.JOB:
        return str(value)
    if isinstance(value, (int, float)):
        return _number(column.kind, value)
    return str(value)


def _exact(value: Decimal) -> str:
    """With the places that it has, as the locale writes it: ``2``, ``0.75``."""
    short = value.normalize()
    return number_format(f"{short:f}", force_grouping=True)


def _number(kind: ColumnKind, value: float) -> str:
    if kind is ColumnKind.MINUTES:
        return minutes_text(value)
    if kind is ColumnKind.MONEY:
        return money_words(value)
    if isinstance(value, int):
        return number_format(value, force_grouping=True)
    if kind is not ColumnKind.NUMBER:
        return rounded(value, 0)
    return rounded(value, 3 if 0 < abs(value) < 0.095 else 2)


def _share(value: Share | PooledShare) -> tuple[str, str]:
    if not value.whole and isinstance(value, Share):
        return NOTHING, ""
    ends = value.interval()
    counts = " of ".join(number_format(part, force_grouping=True) for part in (value.part, value.whole))
    if value.too_few or ends is None or value.plain is None:
        return counts, FEW
    low, high = (percent_number(end) for end in ends)
    beyond_telling = low == high and not low.isdecimal()  # "under 1 to under 1"
    return percent(value.plain) if beyond_telling else f"{percent(value.plain)}, {low} to {high}", counts


def _linked(figure: str, cell: Cell, rests: str) -> SafeString:
    below = ", ".join(part for part in (rests, cell.under) if part)
    under = format_html('<span class="under">{}</span>', below) if below else ""
    if cell.link and figure != NOTHING:
        return format_html('<a href="{}">{}</a>{}', cell.link, figure, under)
    return format_html("{}{}", figure, under)
