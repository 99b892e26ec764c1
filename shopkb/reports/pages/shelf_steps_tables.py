"""Steps that want a look: those that are often left out, and those whose readings are not what they were."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format

from shopkb.evidence.models import QualityRecord
from shopkb.jobs.models import Result
from shopkb.jobs.views.job_filters import DONE
from shopkb.reports.figures.shelf_health import RECENT_MONTHS
from shopkb.reports.figures.step_figures import StepFigures
from shopkb.reports.gathering.filters import month_before
from shopkb.reports.pages import tests_page
from shopkb.reports.pages.page import jobs_tallied
from shopkb.reports.pages.report_data import ReportData
from shopkb.reports.presenting.cells import rounded
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Row, Table
from shopkb.web.humanize import percent

MOST = 10
OFTEN = 0.05
"""A step whose share of being left out is above this at its lower end is left out too often to be chance."""
LEFT_OUT = (
    Column("step", "Step"),
    Column("procedure", "Procedure"),
    Column("left_out", "Left out", ColumnKind.SHARE, of="times it was due"),
    Column("why", "Why"),
)
READINGS = (
    Column("step", "Step and outcome"),
    Column("procedure", "Procedure"),
    Column("before", "Median before"),
    Column("of_late", "Median of late"),
    Column("evidence", "Weight of evidence", ColumnKind.NUMBER, "ln Bayes factor"),
)


def often_left_out(data: ReportData) -> Table:
    """No query beside those of the figures of the steps."""
    steps = [step for step in tests_page.gathered(data.chosen, data.evidence, data.facts) if step.skipped]
    often = sorted(
        (step for step in steps if (step.left_out.lower or 0.0) > OFTEN), key=lambda step: -(step.left_out.lower or 0.0)
    )
    return Table(
        "left-out",
        "Steps often left out",
        LEFT_OUT,
        tuple(_left_out(step, data) for step in often[:MOST]),
        f"Left out more often than {percent(OFTEN)} of the time, as surely as the interval says; at most {MOST}.",
        "No step is left out more often than chance would have it.",
    )


def _left_out(step: StepFigures, data: ReportData) -> Row:
    reasons = dict(Result.Skip.choices)
    why = ", ".join(f"{reasons.get(key, key)} {number}" for key, number in step.skipped.items() if number)
    behind = jobs_tallied(data.filters, procedure=step.procedure, step=step.step, outcome="skip:")
    return {
        "step": Cell(step.title, _step_at(data, step.procedure, step.step)),
        "procedure": Cell(step.procedure_title),
        "left_out": Cell(step.left_out, behind),
        "why": Cell(why),
    }


def changed_readings(data: ReportData) -> Table:
    """As measured last. One query."""
    rows, measured = [], None
    for record in _latest(data).values():
        measured = max(measured or record["measured_at"], record["measured_at"])
        rows += [_reading(each, record["procedure"], data) for each in record["figures__readings"] or ()]
    rows = [row for row in rows if row]
    rows.sort(key=lambda row: -float(str(row["evidence"].value)))
    return Table(
        "readings", "Readings no longer what they were", READINGS, tuple(rows), _about(measured),
        "No reading has clearly become higher or lower." if measured else "Nobody has measured this yet.",
    )  # fmt: skip


def _latest(data: ReportData) -> dict[str, dict[str, Any]]:
    records = QualityRecord.objects.filter(procedure__in=list(data.chosen)).order_by("month")
    fields = ("procedure", "measured_at", "figures__readings")
    return {row["procedure"]: row for row in records.values(*fields)}


def _about(measured: datetime | None) -> str:
    when = f", measured on {date_format(timezone.localtime(measured), 'DATE_FORMAT')}" if measured else ""
    return (
        f"Readings of the same outcome in the last {RECENT_MONTHS} months against all before{when}. A meter out of "
        "calibration, another make of part or another way of measuring shows here first."
    )


def _reading(each: Mapping[str, Any], procedure: str, data: ReportData) -> Row:
    """Nothing for a step that the procedure no longer has."""
    flow = data.chosen[procedure].flow
    step = flow.step_by_key.get(each["step"])
    label = next((one.label for one in step.outcomes if one.key == each["outcome"]), "") if step else ""
    if step is None or not label:
        return {}
    late = month_before(data.filters.until, RECENT_MONTHS - 1)
    branch = {"procedure": procedure, "step": each["step"], "outcome": each["outcome"] or DONE}
    measured = data.filters.but(platform="")  # at night, over every vehicle
    before = jobs_tallied(measured.but(since="", until=month_before(late)), **branch)
    of_late = jobs_tallied(measured.but(since=late), **branch)
    return {
        "step": Cell(f"{step.title}: {label}", _step_at(data, procedure, step.key)),
        "procedure": Cell(flow.title),
        "before": Cell(_value(each["before"], each["unit"]), before, f"{each['n_before']} readings"),
        "of_late": Cell(_value(each["of_late"], each["unit"]), of_late, f"{each['n_of_late']} readings"),
        "evidence": Cell(each["log_bayes"]),
    }


def _value(value: float, unit: str) -> str:
    digits = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2
    return f"{rounded(value, digits)} {unit}".strip()


def _step_at(data: ReportData, procedure: str, step: str) -> str:
    return reverse("procedures:step", args=[procedure, data.chosen[procedure].revision.number, step])
