"""A month for the office: what a program for accounts takes over, as three tables. Money is what the record says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from decimal import Decimal

from django.conf import settings
from django.utils import timezone
from django.utils.formats import date_format, number_format

from shopkb.reports.gathering.filters import Filters
from shopkb.reports.gathering.office_rows import LABOUR, TESTING, OfficeJob, Part, Work, jobs_closed_in
from shopkb.reports.pages.page import Page, one_job
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind, Row, Table
from shopkb.web.mileage import in_shop_unit
from shopkb.web.money import money_text

JOBS = (
    Column("job", "Job", ColumnKind.JOB),
    Column("registration", "Registration"),
    Column("reference", "Customer's reference", only_in_file=True),
    Column("vin", "VIN", only_in_file=True),
    Column("vehicle", "Vehicle", only_in_file=True),
    Column("mileage", "Mileage", ColumnKind.COUNT),
    Column("complaint", "Complaint", only_in_file=True),
    Column("booked", "Booked in", ColumnKind.DATE),
    Column("closed", "Closed", ColumnKind.DATE),
    Column("ended", "Closed as"),
    Column("labour", "Labour", ColumnKind.MINUTES, "min"),
    Column("testing", "Testing", ColumnKind.MINUTES, "min"),
    Column("untimed", "Times not known", ColumnKind.COUNT),
    Column("parts", "Lines of parts", ColumnKind.COUNT),
    Column("cost", "Parts", ColumnKind.MONEY),
    Column("back", "Came back from job", ColumnKind.JOB, only_in_file=True),
)
TIMES = (
    Column("job", "Job", ColumnKind.JOB),
    Column("registration", "Registration"),
    Column("kind", "Work"),
    Column("what", "What was done"),
    Column("who", "Who"),
    Column("at", "Recorded", ColumnKind.DATE),
    Column("minutes", "Minutes", ColumnKind.MINUTES, "min"),
    Column("untimed", "Steps without a time", ColumnKind.COUNT),
)
PARTS = (
    Column("job", "Job", ColumnKind.JOB),
    Column("registration", "Registration"),
    Column("part", "Part"),
    Column("number", "Part number"),
    Column("quantity", "How many", ColumnKind.NUMBER),
    Column("price", "Price of one", ColumnKind.MONEY),
    Column("cost", "Together", ColumnKind.MONEY),
)
PLACES = Decimal("0.01")


def build(filters: Filters) -> Page:
    """The month ``filters.until``. Seven queries."""
    jobs = jobs_closed_in(filters.until)
    month = date_format(filters.but(since=filters.until).begins, "F Y")
    times = tuple(_work(each, one) for each in jobs for one in each.work)
    parts = tuple(_part(each, one) for each in jobs for one in each.parts)
    tables = (
        Table("jobs", "Jobs", _as_set(JOBS), tuple(map(_job, jobs)), empty=f"No job was closed in {month}."),
        Table("times", "Times", _as_set(TIMES), times, empty="No time was recorded on them."),
        Table("parts", "Parts", _as_set(PARTS), parts, empty="No part was recorded on them."),
    )
    return Page("office", f"{month} for the office", _intro(month, jobs), tables)


def _as_set(columns: tuple[Column, ...]) -> tuple[Column, ...]:
    """With the units that the shop has chosen."""
    units = {"mileage": str(settings.DISTANCE_UNIT)}
    zone = f"time, {settings.TIME_ZONE}"
    return tuple(
        replace(column, unit=zone if column.kind is ColumnKind.DATE else units.get(column.key, column.unit))
        for column in columns
    )


def _intro(month: str, jobs: Sequence[OfficeJob]) -> str:
    work = [one for each in jobs for one in each.work]
    labour, testing = (sum(one.minutes or 0 for one in work if one.kind == kind) for kind in (LABOUR, TESTING))
    costs = [part.cost for each in jobs for part in each.parts if part.cost is not None]
    lines = sum(len(each.parts) for each in jobs)
    closed = "1 job was" if len(jobs) == 1 else f"{_count(len(jobs))} jobs were"
    said = f"{closed} closed in {month}: {_count(labour)} minutes of labour, {_count(testing)} of testing"
    if not lines:
        return f"{said}, and no parts." if jobs else f"No job was closed in {month}."
    named = "1 line of parts" if lines == 1 else f"{_count(lines)} lines of parts"
    return f"{said}, and {named}, {money_text(sum(costs, Decimal(0)))} as far as prices were recorded."


def _count(number: int) -> str:
    return number_format(number, force_grouping=True)


def _job(each: OfficeJob) -> Row:
    job = each.job
    return {
        **_of_job(each),
        "reference": Cell(job.vehicle.customer_reference),
        "vin": Cell(job.vin),
        "vehicle": Cell(each.platform),
        "mileage": Cell(None if job.odometer is None else in_shop_unit(job.odometer)),
        "complaint": Cell(job.complaint),
        "booked": Cell(_by_our_clock(job.opened_at)),
        "closed": Cell(_by_our_clock(job.closed_at)),
        "ended": Cell(job.get_disposition_display()),
        "labour": Cell(each.minutes(LABOUR)),
        "testing": Cell(each.minutes(TESTING)),
        "untimed": Cell(each.untimed),
        "parts": Cell(len(each.parts)),
        "cost": Cell(_exact(each.parts_cost)),
        "back": Cell(job.comeback_of_id),
    }


def _work(each: OfficeJob, one: Work) -> Row:
    return {
        **_of_job(each),
        "kind": Cell(one.kind),
        "what": Cell(one.what),
        "who": Cell(one.who),
        "at": Cell(_by_our_clock(one.at)),
        "minutes": Cell(one.minutes),
        "untimed": Cell(one.untimed),
    }


def _part(each: OfficeJob, one: Part) -> Row:
    return {
        **_of_job(each),
        "part": Cell(one.words),
        "number": Cell(one.number),
        "quantity": Cell(one.quantity),
        "price": Cell(one.price),
        "cost": Cell(_exact(one.cost)),
    }


def _of_job(each: OfficeJob) -> dict[str, Cell]:
    return {"job": Cell(each.job.pk, one_job(each.job.pk)), "registration": Cell(each.job.vehicle.registration)}


def _by_our_clock(at: datetime | None) -> datetime | None:
    """The shop's time, to the second."""
    return None if at is None else timezone.localtime(at).replace(microsecond=0)


def _exact(amount: Decimal | None) -> Decimal | None:
    """The same amount with two places, with more only where it has them."""
    if amount is None:
        return None
    rounded = amount.quantize(PLACES)
    return rounded if rounded == amount else amount.normalize()
