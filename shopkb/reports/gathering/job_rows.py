"""Closed jobs, read from their rows as :class:`shopkb.jobs.job_facts.JobFact` values.

The latest :data:`LATEST_JOBS` of the period are read row by row. What a closed job says changes only by reopening and
closing it again, which gives it another moment of closing, or by a comeback, which is asked for anew: so a job that was
read once is kept, and after a closing only the new one is read.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, TypeVar

from shopkb.catalog.path_queries import path_within
from shopkb.evidence.cache import Cache
from shopkb.jobs.closed_jobs import JobRow, facts_of, job_rows
from shopkb.jobs.job_facts import JobFact
from shopkb.jobs.models import Job, JobQuerySet
from shopkb.reports.figures.facts_of_period import Facts
from shopkb.reports.gathering.filters import Filters

LATEST_JOBS = 2000
"""Closed jobs that are read row by row: more than most shops close in a year."""

_jobs: Cache[JobFact] = Cache(12 * LATEST_JOBS)

_of_jobs: Cache[Any] = Cache(64)

Jobs = tuple[JobFact, ...]
Value = TypeVar("Value")


def jobs_of_period(filters: Filters) -> JobQuerySet:
    """Closed jobs of the period that the filters let through.

    An open job has no moment of closing (a constraint of the table), so the index on that alone is enough to count.
    """
    jobs = Job.objects.filter(closed_at__gte=filters.begins, closed_at__lt=filters.ends)
    jobs = jobs.filter(path_within("platform__path", filters.platform))
    if filters.symptom:
        jobs = jobs.filter(symptom__key=filters.symptom)
    return jobs.that_followed(filters.procedure) if filters.procedure else jobs


def job_facts(filters: Filters) -> Facts:
    """Two queries, one more where the period holds more jobs than are read, and four where a job was never met."""
    rows = [JobRow(*row) for row in job_rows(jobs_of_period(filters).order_by("-closed_at", "-pk"))[:LATEST_JOBS]]
    in_period = len(rows) if len(rows) < LATEST_JOBS else jobs_of_period(filters).count()
    known = {row.pk: _jobs.get(row.pk, row[1:]) for row in rows}
    known |= _read([row for row in rows if known[row.pk] is None])
    back = _came_back(rows)
    found = (fact for row in rows if (fact := known[row.pk]) is not None)
    return Facts(
        tuple(replace(fact, back_at=back[fact.number]) if fact.number in back else fact for fact in found), in_period
    )


def once(make: Callable[..., Value], jobs: Jobs, *more: Hashable) -> Value:
    """``make(jobs, *more)``, worked out once for the same jobs; those that were read before are the same values, so
    telling that they are equal costs next to nothing."""
    name = (make, len(jobs), jobs[-1].number if jobs else 0, *more)
    return _of_jobs.of(name, jobs, lambda: make(jobs, *more))  # type: ignore[no-any-return]


def _came_back(rows: Sequence[JobRow]) -> dict[int, datetime]:
    """When jobs of these came back first. One query."""
    if not rows:
        return {}
    later = Job.objects.filter(comeback_of__closed_at__gte=rows[-1].closed_at)
    return dict(later.order_by("-opened_at").values_list("comeback_of_id", "opened_at"))


def _read(rows: Sequence[JobRow]) -> dict[int, JobFact]:
    """Jobs as they stand in the database, kept for the next time. Three queries, none for no jobs."""
    found = facts_of(rows)
    for row in rows:
        _jobs.keep(row.pk, row[1:], found[row.pk])
    return found
