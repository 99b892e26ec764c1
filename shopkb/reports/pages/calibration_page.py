"""The page of how well the probabilities are calibrated."""

from __future__ import annotations

from datetime import datetime

from shopkb.core.diagnosis.scores.forecast_scores import ReliabilityBin
from shopkb.evidence.models import QualityRecord
from shopkb.reports.figures.calibration import Calibration, MonthScores, calibration
from shopkb.reports.figures.shares import Share
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.gathering.procedure_tallies import in_force
from shopkb.reports.pages.minutes_page import short_month
from shopkb.reports.pages.page import Page, jobs_behind
from shopkb.reports.presenting import plots
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Row, Table
from shopkb.web.humanize import percent_number

MONTHLY = (
    Column("month", "Month", ColumnKind.MONTH),
    Column("jobs", "Forecasts", ColumnKind.COUNT, "one for each procedure that a proven job followed"),
    Column("brier", "Brier score of the tool", ColumnKind.NUMBER),
    Column("base", "of the usual shares", ColumnKind.NUMBER),
    Column("better", "Better by", ColumnKind.NUMBER, "%"),
)
BINS = (
    Column("range", "Predicted"),
    Column("said", "on average", ColumnKind.NUMBER, "%"),
    Column("true", "Actual", ColumnKind.SHARE, of="probabilities given"),
    Column("verdict", "Verdict"),
)
MONTHLY_ABOUT = (
    "Brier score: the squared distance between what was said and what was true, summed over causes; 0 is perfect, "
    "less is better. A job with a proven cause is forecast once for each procedure that it followed. Each probability "
    "is the one given before the job's own cause was known. Filled: the tool. Hollow, dashed: somebody who always says "
    "the usual shares."
)
BINS_ABOUT = (
    "On the dashed line what was said is what was true; the number at each point is how often it was said. Each "
    "probability is corrected by how those of the months before turned out, as on the pages of jobs."
)


def build(filters: Filters, now: datetime) -> Page:
    """Two queries; more when a revision is met for the first time."""
    chosen = in_force(filters)
    records = QualityRecord.objects.filter(
        procedure__in=list(chosen), month__gte=filters.since, month__lte=filters.until
    ).values_list("month", "figures")
    found = calibration(records)
    months = tuple(_month(row, filters) for row in found.months)
    return Page(
        "honesty",
        "How reliable are the percentages?",
        "",
        (
            Table("reliability", "What was said, and what was true", BINS, tuple(map(_bin, found.bins)), BINS_ABOUT),
            Table("brier", "Month by month", MONTHLY, months, MONTHLY_ABOUT),
        ),
        _plots(found),
        paragraph=found.paragraph,
    )


def _plots(found: Calibration) -> dict[str, str]:
    points = [
        (each.mean, each.share, *each.interval, each.n)
        for each in found.bins
        if each.mean is not None and each.share is not None and each.interval is not None
    ]
    ours = [plots.PlotPoint(short_month(row.month), row.brier, n=row.jobs) for row in found.months]
    base = [plots.PlotPoint(short_month(row.month), row.base, n=row.jobs) for row in found.months]
    return {
        "reliability": plots.reliability(points, "What was said against what was true"),
        "brier": plots.trend(ours, "Brier score by month, the tool and the usual shares", "Brier score", base),
    }


def _bin(each: ReliabilityBin) -> Row:
    return {
        "range": Cell(f"{percent_number(each.low)} to {percent_number(each.high)} %"),
        "said": Cell(None if each.mean is None else round(each.mean * 100)),
        "true": Cell(Share(round((each.share or 0.0) * each.n), each.n)),
        "verdict": Cell(each.verdict),
    }


def _month(row: MonthScores, filters: Filters) -> Row:
    behind = jobs_behind(filters.but(since=row.month, until=row.month), procedure=filters.procedure, fate="proven")
    return {
        "month": Cell(row.month),
        "jobs": Cell(row.jobs, behind),
        "brier": Cell(row.brier),
        "base": Cell(row.base),
        "better": Cell(round(100 * (1 - row.brier / row.base)) if row.base else None),
    }
