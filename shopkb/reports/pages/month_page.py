"""One month on one sheet of paper: beside the month before and a year ago, what changed, what was decided."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from django.utils import timezone
from django.utils.formats import date_format

from shopkb.reports.figures.period_figures import BY_CHANCE, PeriodFigures, apart
from shopkb.reports.gathering.decision_rows import decisions_in_force
from shopkb.reports.gathering.filters import Filters, month_before
from shopkb.reports.models import SuggestionDecision
from shopkb.reports.pages import causes_page, changes_page, comebacks_page, minutes_page
from shopkb.reports.pages.decisions_table import decision_words
from shopkb.reports.pages.new_revisions_table import RevisionComparison, month_of, newly_in_force, side_by_side
from shopkb.reports.pages.page import Page, jobs_behind
from shopkb.reports.pages.report_data import ReportData
from shopkb.reports.presenting.cells import month_words
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Row, Table
from shopkb.web.humanize import minutes_text, percent

SENTENCES = 3
RECENT = 6
"""Months for which a revision's effect is told."""
DECIDED = (Column("what", "What the jobs said"), Column("decided", "What becomes of it"))
DECIDED_SHOWN = 4
UNCHANGED = "Nothing changed this month that chance alone would not explain."
WORDS = {
    "jobs": "Jobs closed",
    "cured": "Closed as cured and verified",
    "back": "Came back since, of cures claimed",
    "failed": "Repairs that did not cure when tried",
}

LISTED = ("jobs", "cured", "back")
"""Of these a list of jobs is what is counted."""


def build(filters: Filters, now: datetime) -> Page:
    """The month ``filters.until``: its figures beside two others, the year that leads up to it, what to change next."""
    year = ReportData(filters.but(since=month_before(filters.until, 11)))
    month = year.later(filters.until)
    changes, over_year = changes_page.of(month, now), minutes_page.of(year)
    tables = (
        beside(month, now),
        over_year.tables[1],
        _first(changes.tables[0], 3),
        decided(filters),
        _most_used(over_year.tables[0], 4),
        causes_page.frequent(month, most=4),
        _without(comebacks_page.causes_back(year, now, most=3), "young"),
    )
    title = date_format(month.filters.begins, "F Y")
    return Page("month", title, changes.intro, tables, over_year.plots, paragraph=" ".join(what_changed(year, now)))


def beside(month: ReportData, now: datetime) -> Table:
    """The month, the one before it, and the same one a year ago."""
    until = month.filters.until
    filters = [month.filters, *(_only(month.filters, month_before(until, back)) for back in (1, 12))]
    facts = [month.facts, *(ReportData(one).facts for one in filters[1:])]
    found = [PeriodFigures.of(each.jobs, now) for each in facts]
    columns = (Column("what", "Of the closed jobs"), *(_column(key, one) for key, one in enumerate(filters)))

    def row(name: str, **asked: str) -> Row:
        cells = {"what": Cell(WORDS[name])}
        for key, (one, period, told) in enumerate(zip(found, filters, facts, strict=True)):
            value = told.in_period if name == "jobs" else getattr(one, name)
            behind = jobs_behind(period, **asked) if name in LISTED else ""
            young = f"provisional: {one.young} may still" if name == "back" and one.young else ""
            cells[f"m{key}"] = Cell(value, behind, young)
        return cells

    rows = (row("jobs"), row("cured", ended="cured"), row("failed"), row("back", fate="back"))
    return Table("beside", "The month beside others", columns, rows)


def what_changed(year: ReportData, now: datetime) -> list[str]:
    """At most three sentences: shares that chance does not explain, what new revisions brought, which came."""
    until = year.filters.until
    begins = _only(year.filters, until).begins
    month, before = ([job for job in year.facts.jobs if (job.closed_at >= begins) is mine] for mine in (True, False))
    this, then = PeriodFigures.of(month, now), PeriodFigures.of(before, now)
    new = newly_in_force(year)
    recent = [one for one in new if month_before(until, RECENT) <= month_of(one) <= until]
    found = [*(_moved(name, this, then) for name in apart(this, then)), *_brought(side_by_side(recent, year))]
    found += [_came(year.titles[one.procedure], one.number, one.at) for one in recent if month_of(one) == until]
    return found[:SENTENCES] or [UNCHANGED]


def decided(filters: Filters) -> Table:
    """What was decided about suggestions in the month, as far as nothing else was decided since."""
    ends, begins = filters.ends, _only(filters, filters.until).begins
    rows = [one for one in decisions_in_force() if begins <= one.at < ends]
    found = tuple(_decided(one) for one in rows[:DECIDED_SHOWN])
    more = f"{len(rows) - DECIDED_SHOWN} more were decided." if len(rows) > DECIDED_SHOWN else ""
    return Table("decided", "What was done about suggestions", DECIDED, found, more)


def _decided(one: SuggestionDecision) -> Row:
    return {"what": Cell(one.said), "decided": Cell(decision_words(one))}


def _moved(name: str, this: PeriodFigures, then: PeriodFigures) -> str:
    now, before = getattr(this, name), getattr(then, name)
    counts = f"{now.part} of {now.whole}"
    return f"{WORDS[name]}: {percent(now.plain)} ({counts}) instead of {percent(before.plain)} in the months before."


def _brought(found: Sequence[RevisionComparison]) -> Iterable[str]:
    """Of the revisions whose minutes differ from those before by more than chance: over all that are looked at together
    one month in twenty says so by chance at most (C. Bonferroni, 1936)."""
    for one in found:
        if one.moved and 2 * (1 - one.moved.sure) * len(found) <= BY_CHANCE:
            way = "quicker" if one.moved.minutes < 0 else "slower"
            saved = minutes_text(abs(one.moved.minutes))
            yield f"{one.title}: revision {one.one.number} is {saved} {way} than the one before."


def _came(title: str, number: int, at: datetime) -> str:
    return f"{title}: revision {number} came into force on {date_format(timezone.localtime(at), 'j F')}."


def _only(filters: Filters, month: str) -> Filters:
    return filters.but(since=month, until=month)


def _column(key: int, filters: Filters) -> Column:
    return Column(f"m{key}", month_words(filters.until), ColumnKind.SHARE)


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
