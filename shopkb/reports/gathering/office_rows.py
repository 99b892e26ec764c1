"""What the office takes over of a month: its closed jobs, the time spent on them and their parts, from their rows.

A job belongs to the month in which it was closed, by the shop's clock, as on every page of figures. Open jobs belong to
none; one that is reopened and closed again belongs to the month of its last closing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from django.db.models import Count, Min, Sum

from shopkb.accounts.models import User
from shopkb.catalog.platform_names import platform_names
from shopkb.jobs.models import Job, JobQuerySet, Repair, Result
from shopkb.jobs.parts_cost import cost_of_parts, parts_in_words
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.gathering.job_rows import jobs_of_period

LABOUR, TESTING = "labour", "testing"


@dataclass(frozen=True, slots=True)
class Work:
    """Time that one person spent on a job: on one repair, or on the steps of one procedure. ``minutes`` are whole,
    ``None`` where nobody knows; ``untimed`` steps took longer than that. ``at`` is when it was recorded."""

    job: int
    kind: str
    what: str
    who: str
    at: datetime
    minutes: int | None
    untimed: int = 0


@dataclass(frozen=True, slots=True)
class Part:
    """One line of parts. Of parts told in words alone, neither quantity nor price is known; ``cost`` is exact."""

    job: int
    words: str
    number: str = ""
    quantity: Decimal | None = None
    price: Decimal | None = None
    cost: Decimal | None = None


@dataclass(frozen=True, slots=True)
class OfficeJob:
    """One closed job with its work and parts. ``parts_cost`` is ``None`` where not every price is known."""

    job: Job
    platform: str
    work: tuple[Work, ...]
    parts: tuple[Part, ...]
    parts_cost: Decimal | None

    def minutes(self, kind: str) -> int | None:
        """Of this kind of work, as far as they are known; ``None`` where none are."""
        known = [one.minutes for one in self.work if one.kind == kind and one.minutes is not None]
        return sum(known) if known else None

    @property
    def untimed(self) -> int:
        """Repairs and steps of which nobody knows how long they took."""
        return sum(one.untimed + (one.kind == LABOUR and one.minutes is None) for one in self.work)


def jobs_closed_in(month: str) -> tuple[OfficeJob, ...]:
    """The jobs closed in this month (``YYYY-MM``), the first closed first. Six queries."""
    closed = jobs_of_period(Filters(month, month)).order_by("closed_at", "pk")
    repairs = Repair.objects.select_related("who").prefetch_related("part_lines").order_by("pk")
    repairs_of: defaultdict[int, list[Repair]] = defaultdict(list)
    for repair in repairs.filter(job__in=closed.order_by().values("pk")):
        repairs_of[repair.job_id].append(repair)
    testing, names = _testing(closed), platform_names()
    return tuple(
        OfficeJob(
            job,
            names.get(job.platform.path, job.platform.path),
            (*map(_labour, repairs_of[job.pk]), *testing[job.pk]),
            tuple(part for repair in repairs_of[job.pk] for part in _parts(repair)),
            cost_of_parts(repairs_of[job.pk]),
        )
        for job in closed.select_related("vehicle", "platform")
    )


def whole_minutes(seconds: int) -> int:
    """Rounded, half a minute up."""
    return (seconds + 30) // 60


def _labour(repair: Repair) -> Work:
    return Work(repair.job_id, LABOUR, repair.correction, str(repair.who), repair.at, repair.minutes)


def _testing(jobs: JobQuerySet) -> defaultdict[int, list[Work]]:
    """By job: the steps that each person did of each procedure, those answered again or taken back too, as on the paper
    of a job. Two queries."""
    rows = list(
        Result.objects.filter(run__job__in=jobs.order_by().values("pk"))
        .values("run__job_id", "run_id", "run__revision__title", "who_id")
        .annotate(spent=Sum("seconds"), steps=Count("pk"), timed=Count("seconds"), first=Min("at"))
        .order_by("run_id", "first", "who_id")
    )
    people = User.objects.in_bulk({row["who_id"] for row in rows})
    found: defaultdict[int, list[Work]] = defaultdict(list)
    for row in rows:
        minutes = None if row["spent"] is None else whole_minutes(row["spent"])
        job, who = row["run__job_id"], str(people[row["who_id"]])
        title, untimed = row["run__revision__title"], row["steps"] - row["timed"]
        found[job].append(Work(job, TESTING, title, who, row["first"], minutes, untimed))
    return found


def _parts(repair: Repair) -> Sequence[Part]:
    if told := parts_in_words(repair):
        return (Part(repair.job_id, told),)
    return [
        Part(repair.job_id, line.words, line.number, line.quantity, line.price, line.cost)
        for line in repair.part_lines.all()
    ]
