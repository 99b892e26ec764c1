"""Closed jobs, read from their rows as :class:`shopkb.reports.figures.job_facts.JobFact` values.

The latest :data:`LATEST_JOBS` of the period are read row by row. What a closed job says changes only by reopening and
closing it again, which gives it another moment of closing, or by a comeback, which is asked for anew: so a job that was
read once is kept, and after a closing only the new one is read.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, TypeVar

from django.db.models import OuterRef, Q, Subquery

from shopkb.jobs.models import Job, JobQuerySet, Repair, Result, Verification
from shopkb.jobs.run_results import effective_results
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of
from shopkb.reports.figures.job_facts import CURED, AnswerFact, Facts, JobFact, RepairFact
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.memory import Memory

LATEST_JOBS = 2000
"""Closed jobs that are read row by row: more than most shops close in a year."""

_jobs: Memory[JobFact] = Memory(12 * LATEST_JOBS)

_of_jobs: Memory[Any] = Memory(64)

Jobs = tuple[JobFact, ...]
Value = TypeVar("Value")

JobRow = tuple[int, str, str | None, str, datetime, datetime, str | None]


def within(path: str, name: str) -> Q:
    """Rows whose ``name`` is this path or stands below it."""
    return Q(**{name: path}) | Q(**{f"{name}__startswith": f"{path}/"}) if path else Q()


def jobs_of_period(filters: Filters) -> JobQuerySet:
    """Closed jobs of the period that the filters let through.

    An open job has no moment of closing (a constraint of the table), so the index on that alone is enough to count.
    """
    jobs = Job.objects.filter(closed_at__gte=filters.begins, closed_at__lt=filters.ends)
    jobs = jobs.filter(within(filters.platform, "platform__path"))
    if filters.symptom:
        jobs = jobs.filter(symptom__key=filters.symptom)
    return jobs.that_followed(filters.procedure) if filters.procedure else jobs


def job_facts(filters: Filters) -> Facts:
    """Two queries, one more where the period holds more jobs than are read, and four where a job was never met."""
    rows: list[JobRow] = list(
        jobs_of_period(filters)
        .order_by("-closed_at", "-pk")
        .values_list(
            "pk", "platform__path", "symptom__key", "disposition", "opened_at", "closed_at", "closed_by__username"
        )[:LATEST_JOBS]
    )
    in_period = len(rows) if len(rows) < LATEST_JOBS else jobs_of_period(filters).count()
    known = {row[0]: _jobs.held(row[0], row[1:]) for row in rows}
    known |= _read([row for row in rows if known[row[0]] is None])
    back = _came_back(rows)
    found = (fact for row in rows if (fact := known[row[0]]) is not None)
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
    later = Job.objects.filter(comeback_of__closed_at__gte=rows[-1][5])
    return dict(later.order_by("-opened_at").values_list("comeback_of_id", "opened_at"))


def _read(rows: Sequence[JobRow]) -> dict[int, JobFact]:
    """Jobs as they stand in the database, kept for the next time. Four queries, none for no jobs."""
    if not rows:
        return {}
    chosen = [row[0] for row in rows]
    also, repairs, answers = _also(chosen), _repairs(chosen), _answers(chosen)
    found = {}
    for row in rows:
        pk, platform, symptom, disposition, opened_at, closed_at, closed_by = row
        found[pk] = JobFact(
            pk, platform, symptom or "", disposition, opened_at, closed_at, closed_by or "",
            tuple(dict.fromkeys(answer.procedure for answer in answers.get(pk, ()))),
            repairs.get(pk, ()), _found_with(repairs.get(pk, ()), also), None, tuple(answers.get(pk, ())),
        )  # fmt: skip
        _jobs.keep(pk, row[1:], found[pk])
    return found


def _found_with(repairs: Iterable[RepairFact], also: Mapping[int, tuple[str, ...]]) -> tuple[str, ...]:
    cured = [repair.number for repair in repairs if repair.cured == CURED]
    return also.get(max(cured), ()) if cured else ()


def _repairs(jobs: Sequence[int]) -> dict[int, tuple[RepairFact, ...]]:
    latest = Verification.objects.filter(repair=OuterRef("pk")).order_by("-pk").values("cured")[:1]
    rows = (
        Repair.objects.filter(job__in=jobs)
        .annotate(latest=Subquery(latest))
        .order_by("pk")
        .values_list(
            "job_id", "pk", "cause__component__path", "cause__mode", "proof", "who__username", "latest", "parts",
            "result__run__revision__procedure__key", "result__step", "result__outcome", "result__who__username",
        )
    )  # fmt: skip
    found: dict[int, list[RepairFact]] = defaultdict(list)
    for job, pk, component, mode, proof, who, cured, parts, procedure, step, outcome, named_by in rows:
        named_at = (procedure, step, outcome) if procedure and outcome else None
        cause = _identity(component, mode)
        found[job].append(RepairFact(pk, cause, proof, who, cured or "", parts, named_at, named_by or ""))
    return {job: tuple(repairs) for job, repairs in found.items()}


ANSWER_FIELDS = (
    "pk", "run_id", "run__job_id", "run__revision_id", "run__revision__procedure__key", "run__revision__number", "step",
    "outcome", "onward",
    "skipped", "seconds", "off_path", "override_why", "who__username", "replaces_id",
)  # fmt: skip


def _answers(jobs: Sequence[int]) -> dict[int, list[AnswerFact]]:
    """Those that stand, in the order in which they were recorded. Two queries."""
    runs: dict[int, list[Any]] = defaultdict(list)
    for row in Result.objects.not_retracted().filter(run__job__in=jobs).values_list(*ANSWER_FIELDS, named=True):
        runs[row.run_id].append(row)
    turned = {run: rows for run, rows in runs.items() if any(row.replaces_id or row.off_path for row in rows)}
    revisions = Revision.objects.in_bulk({rows[0].run__revision_id for rows in turned.values()})
    for run, rows in turned.items():
        runs[run] = effective_results(flow_of(revisions[rows[0].run__revision_id]), rows)
    found: dict[int, list[AnswerFact]] = defaultdict(list)
    for row in sorted((row for rows in runs.values() for row in rows), key=lambda row: row.pk):
        found[row.run__job_id].append(
            AnswerFact(
                row.run__revision__procedure__key, row.step, row.outcome, row.skipped, row.seconds, row.off_path,
                bool(row.override_why), row.who__username, row.run__revision__number,
            )
        )  # fmt: skip
    return found


def _also(jobs: Sequence[int]) -> dict[int, tuple[str, ...]]:
    rows = Repair.also.through.objects.filter(repair__job__in=jobs).values_list(
        "repair_id", "cause__component__path", "cause__mode"
    )
    found: dict[int, list[str]] = defaultdict(list)
    for repair, component, mode in rows:
        found[repair].append(_identity(component, mode))
    return {repair: tuple(sorted(causes)) for repair, causes in found.items()}


def _identity(component: str, mode: str) -> str:
    """As :attr:`shopkb.catalog.models.Cause.identity` writes it."""
    return f"{component}#{mode.strip().lower()}"
