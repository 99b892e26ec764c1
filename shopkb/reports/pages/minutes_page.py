"""The page of minutes by procedure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime

from django.urls import reverse
from django.utils.formats import date_format

from shopkb.reports.figures.facts_of_period import Facts
from shopkb.reports.figures.minutes import ProcedureFigures, costliest, shop_by_month
from shopkb.reports.figures.new_revisions import InForceSince
from shopkb.reports.figures.shares import Mean
from shopkb.reports.figures.step_figures import StepFigures
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.gathering.procedure_tallies import InForce
from shopkb.reports.pages import tests_page
from shopkb.reports.pages.new_revisions_table import month_of, new_editions, newly_in_force, side_by_side
from shopkb.reports.pages.page import Page, jobs_behind, jobs_tallied, procedure_at
from shopkb.reports.pages.report_data import ReportData
from shopkb.reports.presenting import plots
from shopkb.reports.presenting.cells import whole
from shopkb.reports.presenting.money import money_of_minutes
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Row, Table
from shopkb.web.humanize import minutes_text

PROCEDURES = (
    Column("procedure", "Procedure"),
    Column("typical", "Minutes to a proven cause", ColumnKind.SPREAD, "min", latest=True),
    Column("mean", "Mean", ColumnKind.MEAN, "min"),
    Column("change", "Second half against the first", ColumnKind.MINUTES, "min"),
    Column("proven", "Proven", ColumnKind.SHARE, of="jobs that followed it"),
    Column("eliminated", "Only by elimination", ColumnKind.SHARE, of="proven jobs"),
    Column("stuck", "Stuck", ColumnKind.SHARE, of="jobs that followed it", latest=True),
    Column("declined", "Declined", ColumnKind.SHARE, of="jobs that followed it", latest=True),
    Column("order", "What to do"),
)
COSTLY = (
    Column("step", "Step"),
    Column("procedure", "Procedure", only_in_file=True),
    Column("done", "Times done", ColumnKind.COUNT, "jobs"),
    Column("spent", "Minutes in all", ColumnKind.MINUTES, "min"),
    Column("money", "At the shop's rate", ColumnKind.MONEY),
    Column("bits", "Information gained", ColumnKind.NUMBER, "bits"),
    Column("a_bit", "Minutes for each bit", ColumnKind.MINUTES, "min/bit"),
    Column("do", "What to do"),
)
MONTHLY = (
    Column("month", "Month", ColumnKind.MONTH),
    Column("mean", "Minutes to a proven cause", ColumnKind.MEAN, "min", of="runs"),
    Column("jobs", "Runs", ColumnKind.COUNT, "runs"),
)


def build(filters: Filters, now: datetime) -> Page:
    """Five queries; more when something is met for the first time, or a procedure has a new revision."""
    data = ReportData(filters)
    new = newly_in_force(data)
    page, beside = of(data, new), side_by_side(new, data)
    intro = " ".join([page.intro, *(each.words for each in beside if each.words)])
    return replace(page, intro=intro, tables=(page.tables[0], new_editions(beside), *page.tables[1:]))


def of(data: ReportData, new: Sequence[InForceSince] = ()) -> Page:
    """``new`` revisions are marked in the months of a single procedure: in others a mark would say nothing."""
    filters, chosen, facts, evidence, tallies = data.filters, data.chosen, data.facts, data.evidence, data.runs
    found = data.procedures
    months = shop_by_month(tallies, filters.months)
    steps = costliest(tests_page.gathered(chosen, evidence, facts))
    about = (
        f"Medians and how jobs ended: {facts.words[0].lower()}{facts.words[1:]} The rest counts every job. A step in "
        "which somebody had a break or handed over counts as many minutes as its writer expects."
    )
    rows = tuple(_row(row, filters, facts, chosen) for row in found)
    marks = {month_of(one): f"revision {one.number}" for one in new} if filters.procedure else {}
    by_month = tuple(_month(month, mean, filters, marks.get(month, "")) for month, mean in months)
    dear = tuple(_step(step, data) for step in steps)
    return Page(
        "minutes",
        "Where the minutes go",
        _intro(found, filters),
        (
            Table("minutes", "Minutes by procedure", PROCEDURES, rows, about, latest=facts.latest),
            Table("minutes-by-month", "Month by month", MONTHLY, by_month, MIX),
            Table("costly-steps", "Dearest for what they tell", COSTLY, dear),
        ),
        {
            "minutes-by-month": plots.trend(
                _points(months), "Minutes to a proven cause by month", "min", marks=_places(filters.months, marks)
            )
        },
    )


MIX = (
    "Mean of all procedures together, with its 80 % interval. It also moves when other faults come in. A job that "
    "followed two procedures counts as two runs, and stands once in the list behind them."
)


def _intro(found: tuple[ProcedureFigures, ...], filters: Filters) -> str:
    moved = [row for row in found if row.change and row.change.words != "no clear change"]
    if not moved:
        return "No procedure has become clearly quicker or slower in this period."
    sentences = (
        f"{row.title} {row.change.words} by {minutes_text(abs(row.change.minutes))}" for row in moved if row.change
    )
    return f"In the second half of the period: {'; '.join(sentences)}."


def _row(row: ProcedureFigures, filters: Filters, facts: Facts, chosen: Mapping[str, InForce]) -> Row:
    def behind(**more: str) -> str:
        counted = jobs_behind if "after" in more else jobs_tallied
        return counted(filters, procedure=row.procedure, **more)

    change, number = row.change, chosen[row.procedure].revision.number
    own = f"{reverse('reports:page', args=['minutes'])}?{filters.but(procedure=row.procedure).query()}"
    return {
        "procedure": Cell(row.title, procedure_at(row.procedure)),
        "typical": Cell(row.typical, behind(fate="proven", timed="1", after=facts.after)),
        "mean": Cell(row.minutes, behind(fate="proven", timed="1")),
        "change": Cell(
            change.minutes if change else None,
            own,
            under=f"{change.words}, {whole(change.low)} to {whole(change.high)} min" if change else "too few",
        ),
        "proven": Cell(row.proven, behind()),
        "eliminated": Cell(row.eliminated, behind(fate="proven", proof="elimination")),
        "stuck": Cell(row.stuck, behind(ended="stuck", after=facts.after)),
        "declined": Cell(row.declined, behind(ended="declined", after=facts.after)),
        "order": Cell("Look for a better order", reverse("reports:order", args=[row.procedure, number])),
    }


def _step(step: StepFigures, data: ReportData) -> Row:
    common = tests_page.row(step, data)
    spent = step.minutes_in_all
    return {
        **{name: common[name] for name in ("step", "procedure", "done", "bits")},
        "spent": Cell(spent, common["done"].link),
        "money": Cell(None if spent is None else money_of_minutes(spent)),
        "a_bit": Cell(step.minutes_a_bit),
        "do": Cell(
            "See the procedure without it",
            reverse("reports:without", args=[step.procedure, data.chosen[step.procedure].revision.number, step.step]),
        ),
    }


def _places(months: Sequence[str], marks: Mapping[str, str]) -> dict[int, str]:
    return {place: marks[month] for place, month in enumerate(months) if month in marks}


def _month(month: str, mean: Mean | None, filters: Filters, mark: str) -> Row:
    only = filters.but(since=month, until=month)
    # No list holds the jobs of just the procedures of a system or for a symptom.
    listed = mean is not None and not filters.system and not filters.symptom
    behind = jobs_behind(only, procedure=filters.procedure, fate="proven", timed="1") if listed else ""
    return {
        "month": Cell(month, under=f"{mark} came into force" if mark else ""),
        "mean": Cell(mean, behind),
        "jobs": Cell(mean.n if mean else 0, behind),
    }


def _points(months: tuple[tuple[str, Mean | None], ...]) -> list[plots.PlotPoint]:
    points = []
    for month, mean in months:
        ends = mean.interval() if mean and not mean.too_few else None
        known = mean.value if mean and not mean.too_few else None
        lower, upper = ends or (None, None)
        points.append(plots.PlotPoint(short_month(month), known, lower, upper, n=mean.n if mean else 0))
    return points


def short_month(month: str) -> str:
    """``Mar``, as the locale has it."""
    return date_format(date(int(month[:4]), int(month[5:]), 1), "M")
