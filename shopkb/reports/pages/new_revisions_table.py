"""A new revision beside the one before it, as a table of the page about minutes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from django.urls import reverse
from django.utils import timezone

from shopkb.evidence.cache import Cache
from shopkb.reports.figures.minutes import MeanChange
from shopkb.reports.figures.new_revisions import EditionFigures, InForceSince, edition_figures, quicker
from shopkb.reports.figures.shares import Share
from shopkb.reports.gathering.filters import USUAL_MONTHS, Filters, month_before
from shopkb.reports.gathering.job_rows import job_facts
from shopkb.reports.gathering.procedure_tallies import came_into_force
from shopkb.reports.pages.page import jobs_behind
from shopkb.reports.pages.report_data import ReportData
from shopkb.reports.presenting.cells import whole
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Row, Table
from shopkb.web.humanize import minutes_text, percent

SHOWN_MONTHS = 2 * USUAL_MONTHS
"""So far back from the end of the period a revision is called new."""

COLUMNS = (
    Column("revision", "Procedure"),
    Column("since", "In force since", ColumnKind.DATE),
    Column("jobs", "Jobs", ColumnKind.COUNT, "jobs"),
    Column("minutes", "Minutes to a proven cause", ColumnKind.MEAN, "min"),
    Column("change", "Against the one before", ColumnKind.MINUTES, "min"),
    Column("in_vain", "Repairs that did not fix it", ColumnKind.SHARE, of="jobs with a repair that was judged"),
    Column("back", "Came back", ColumnKind.SHARE, of="cures that were claimed"),
    Column("why", "Why it was changed"),
)
ABOUT = (
    "Revisions that came into force in the period or in the two years up to its end, each above the one it replaced: "
    "the jobs that followed them and were closed in the twelve months after and before, whatever the period says."
)
EMPTY = "No procedure was given a new revision in the period or in the two years up to its end."


@dataclass(frozen=True, slots=True)
class RevisionComparison:
    """A new revision, a year of its jobs, and the year of the one before it."""

    one: InForceSince
    title: str
    years: tuple[Filters, Filters]
    after: tuple[str, str]
    since: EditionFigures
    before: EditionFigures

    @property
    def moved(self) -> MeanChange | None:
        return quicker(self.before, self.since)

    @property
    def words(self) -> str:
        """What chance alone does not explain, in one sentence; empty if that is nothing."""
        parts = []
        if self.moved and self.moved.words in ("quicker", "slower"):
            parts.append(f"{minutes_text(abs(self.moved.minutes))} {self.moved.words} than revision {self.one.before}")
        for what, now, then in (
            ("repairs that did not fix it", self.since.in_vain, self.before.in_vain),
            ("came back", self.since.back, self.before.back),
        ):
            if _apart(now, then):
                parts.append(f"{what} {percent(now.plain or 0)} instead of {percent(then.plain or 0)}")
        return f"{self.title}, revision {self.one.number}: {', '.join(parts)}." if parts else ""


def newly_in_force(data: ReportData) -> tuple[InForceSince, ...]:
    """The revisions of the table. No query where every procedure is in its first revision, else one."""
    later = [key for key, one in data.chosen.items() if one.revision.number > 1]
    if not later:
        return ()
    two_years = month_before(data.filters.until, SHOWN_MONTHS - 1)
    back = data.filters.but(since=min(data.filters.since, two_years))
    return came_into_force(later, back.begins, back.ends)


def month_of(one: InForceSince) -> str:
    return f"{timezone.localtime(one.at):%Y-%m}"


def side_by_side(new: Sequence[InForceSince], data: ReportData) -> tuple[RevisionComparison, ...]:
    """For each new revision the queries of the jobs of a year on either side, where those are not kept."""
    return tuple(_beside(one, data) for one in new)


def new_editions(found: Sequence[RevisionComparison]) -> Table:
    """Two rows each: the new revision above the one it replaced."""
    rows = tuple(row for each in found for row in (_since(each), _before(each)))
    return Table("new-revisions", "New revisions, before and after", COLUMNS, rows, ABOUT, EMPTY)


def _beside(one: InForceSince, data: ReportData) -> RevisionComparison:
    month, mine = month_of(one), data.filters.but(system="", procedure=one.procedure)
    years = (
        mine.but(since=month, until=month_before(month, -USUAL_MONTHS)),
        mine.but(since=month_before(month, USUAL_MONTHS), until=month),
    )
    stamp = data.evidence.stamps[one.procedure]
    (since, after), (before, earlier) = (
        _year(year, number, stamp) for year, number in zip(years, (one.number, one.before), strict=True)
    )
    return RevisionComparison(one, data.titles[one.procedure], years, (after, earlier), since, before)


_years: Cache[tuple[EditionFigures, str]] = Cache(64)


def _year(year: Filters, number: int, stamp: int) -> tuple[EditionFigures, str]:
    """What the jobs of a year say of one revision, and since when they were read; kept until a job that followed the
    procedure is closed, taken back or comes back, each of which changes its stamp."""

    def read() -> tuple[EditionFigures, str]:
        facts = job_facts(year)
        return edition_figures(facts.jobs, year.procedure, number), facts.after

    return _years.of((year, number), stamp, read)


def _apart(one: Share, other: Share) -> bool:
    """Whether the intervals of two shares do not meet."""
    pairs = ((one, other), (other, one))
    return any(a.upper is not None and b.lower is not None and a.upper < b.lower for a, b in pairs)


def _since(each: RevisionComparison) -> Row:
    both = each.years[0].but(since=each.years[1].since)
    by_month = f"{reverse('reports:page', args=['minutes'])}?{both.query()}#minutes-by-month"
    return {
        **_row(each, each.one.number, each.since, 0),
        "since": Cell(each.one.at, by_month, under="month by month"),
        "change": Cell(each.moved.minutes if each.moved else None, under=_words(each.moved)),
        "why": Cell(each.one.why),
    }


def _before(each: RevisionComparison) -> Row:
    return {
        **_row(each, each.one.before, each.before, 1),
        "since": Cell(each.one.before_at),
        "change": Cell(None),
        "why": Cell(""),
    }


def _row(each: RevisionComparison, number: int, found: EditionFigures, side: int) -> dict[str, Cell]:
    key = each.one.procedure

    def behind(**more: str) -> str:
        return jobs_behind(each.years[side], procedure=key, revision=str(number), after=each.after[side], **more)

    return {
        "revision": Cell(f"{each.title}, revision {number}", reverse("procedures:revision", args=[key, number])),
        "jobs": Cell(found.jobs, behind()),
        "minutes": Cell(found.minutes, behind(fate="proven", timed="1")),
        "in_vain": Cell(found.in_vain, behind(fate="wrong")),
        "back": Cell(found.back, behind(fate="back")),
    }


def _words(moved: MeanChange | None) -> str:
    return f"{moved.words}, {whole(moved.low)} to {whole(moved.high)} min" if moved else "too few"
