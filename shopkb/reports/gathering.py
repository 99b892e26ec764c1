"""What the figures are made of, read once and handed on as plain values: procedures, tallies, histograms of minutes.

Tallies cost the same however many jobs were closed. What only rows can say (medians, people, how jobs ended) is read
from the latest :data:`LATEST_JOBS` closed jobs of the period, so that no page grows without end.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field

from django.db.models import Count, Q, QuerySet, Sum

from shopkb.core.diagnosis.tallies import TallyKey, TallySums
from shopkb.core.flow.model import Flow
from shopkb.evidence.learning import SUM_FIELDS
from shopkb.evidence.models import Tally
from shopkb.jobs.models import Job, Result
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of
from shopkb.reports.figures_tests import PERIOD
from shopkb.reports.filters import Filters
from shopkb.reports.shares import Spread, spread

LATEST_JOBS = 2000
"""Closed jobs that are read row by row: more than most shops close in a year."""

ALL_STEPS = ""


@dataclass(frozen=True, slots=True)
class InForce:
    """A procedure with the revision in force."""

    procedure: Procedure
    revision: Revision
    flow: Flow


@dataclass(frozen=True, slots=True)
class Deviations:
    """Answers of one procedure: how many, done out of order, against what the reading said, left out."""

    answers: int = 0
    off_path: int = 0
    overrides: int = 0
    skipped: int = 0
    off_step: Mapping[str, int] = field(default_factory=dict)


def within(path: str, name: str) -> Q:
    """Rows whose ``name`` is this path or stands below it."""
    return Q(**{name: path}) | Q(**{f"{name}__startswith": f"{path}/"}) if path else Q()


def in_force(filters: Filters) -> dict[str, InForce]:
    """Procedures in force that the filters let through, by key. One query, and four for each revision never met."""
    rows = Revision.objects.filter(state=Revision.State.PUBLISHED).filter(
        within(filters.system, "procedure__system__path")
    )
    if filters.symptom:
        rows = rows.filter(procedure__symptoms__key=filters.symptom)
    if filters.procedure:
        rows = rows.filter(procedure__key=filters.procedure)
    rows = rows.select_related("procedure__system", "procedure__owner").order_by("procedure__title")
    return {row.procedure.key: InForce(row.procedure, row, flow_of(row)) for row in rows}


def latest_jobs(filters: Filters) -> QuerySet[Job]:
    """The latest closed jobs of the period that the filters let through, newest first."""
    return jobs_of_period(filters).order_by("-closed_at")[:LATEST_JOBS]


def numbers(jobs: QuerySet[Job]) -> list[int]:
    """Read first, so that rows are looked up by them: as a subquery, SQLite goes through whole tables. One query."""
    return list(jobs.values_list("pk", flat=True))


def jobs_of_period(filters: Filters) -> QuerySet[Job]:
    jobs = Job.objects.closed().filter(closed_at__gte=filters.begins, closed_at__lt=filters.ends)
    jobs = jobs.filter(within(filters.platform, "platform__path"))
    if filters.symptom:
        jobs = jobs.filter(symptom__key=filters.symptom)
    return jobs.that_followed(filters.procedure) if filters.procedure else jobs


def step_tallies(filters: Filters) -> dict[str, dict[TallyKey, TallySums]]:
    """Of the steps, summed over the months of the period and over platforms, by procedure. One query."""
    return _by_procedure(_tallies(filters), ("procedure", "step", "outcome", "cause", "proof"))


def related_tallies(filters: Filters) -> dict[str, dict[TallyKey, TallySums]]:
    """The same of every platform, each for itself: what the chosen one borrows from. One query."""
    return _by_procedure(
        _tallies(filters.but(platform="")), ("procedure", "step", "outcome", "cause", "proof", "platform")
    )


def _by_procedure(rows: QuerySet[Tally], names: tuple[str, ...]) -> dict[str, dict[TallyKey, TallySums]]:
    found: dict[str, dict[TallyKey, TallySums]] = defaultdict(dict)
    for (procedure, step, outcome, cause, proof, *platform), sums in _sums(rows, names):
        key = TallyKey(procedure, step, outcome, cause, proof, "".join(platform), PERIOD)
        found[procedure][key] = sums
    return dict(found)


def run_tallies(filters: Filters) -> dict[TallyKey, TallySums]:
    """Of procedures as a whole, by month and cause, summed over platforms. One query."""
    rows = _sums(_tallies(filters).filter(step=ALL_STEPS), ("procedure", "cause", "proof", "month"))
    return {
        TallyKey(procedure, ALL_STEPS, "", cause, proof, "", month): sums
        for (procedure, cause, proof, month), sums in rows
    }


def _tallies(filters: Filters) -> QuerySet[Tally]:
    rows = Tally.objects.filter(month__gte=filters.since, month__lte=filters.until)
    rows = rows.filter(within(filters.platform, "platform"))
    return rows.of(filters.procedure) if filters.procedure else rows


def _sums(rows: QuerySet[Tally], names: tuple[str, ...]) -> list[tuple[tuple[str, ...], TallySums]]:
    summed = rows.values_list(*names).annotate(**{f"sum_{name}": Sum(name) for name in SUM_FIELDS}).order_by()
    wide = len(names)
    return [(row[:wide], TallySums(*row[wide:])) for row in summed]


def typical_minutes(filters: Filters) -> dict[tuple[str, str], Spread]:
    """Median and quartiles of each step, by (procedure, step), over the latest jobs. One query."""
    rows = (
        _answers(filters)
        .filter(seconds__isnull=False, skipped="")
        .values_list("run__revision__procedure__key", "step", "seconds")
        .annotate(times=Count("pk"))
        .order_by()
    )
    histograms: dict[tuple[str, str], dict[int, int]] = defaultdict(dict)
    for procedure, step, seconds, times in rows:
        histograms[procedure, step][seconds] = times
    return {key: found for key, histogram in histograms.items() if (found := spread(histogram)) is not None}


def deviations(filters: Filters) -> dict[str, Deviations]:
    """How often each procedure was departed from, over the latest jobs. One query."""
    rows = (
        _answers(filters)
        .values_list("run__revision__procedure__key", "step")
        .annotate(
            answers=Count("pk"),
            off_path=Count("pk", filter=Q(off_path=True)),
            overrides=Count("pk", filter=~Q(override_why="")),
            skipped=Count("pk", filter=~Q(skipped="")),
        )
        .order_by()
    )
    sums: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0, 0])
    by_step: dict[str, dict[str, int]] = defaultdict(dict)
    for procedure, step, *counts in rows:
        sums[procedure] = [one + other for one, other in zip(sums[procedure], counts, strict=True)]
        by_step[procedure][step] = sum(counts[1:])
    return {procedure: Deviations(*counts, off_step=by_step[procedure]) for procedure, counts in sums.items()}


def run_minutes(filters: Filters) -> dict[str, dict[int, int]]:
    """Seconds from first to last answer of runs whose times are all known: procedure to histogram. One query.

    Over the latest jobs with a verified cure; see :func:`proven`.
    """
    rows = (
        Result.objects.filter(run__job__in=numbers(proven(filters)), replaced_by__isnull=True, retraction__isnull=True)
        .values_list("run__job_id", "run__revision__procedure__key")
        .annotate(total=Sum("seconds"), known=Count("seconds"), answers=Count("pk"))
        .order_by()
    )
    histograms: dict[str, dict[int, int]] = defaultdict(lambda: defaultdict(int))
    for _job, procedure, total, known, answers in rows:
        if known == answers:
            histograms[procedure][total] += 1
    return {procedure: dict(histogram) for procedure, histogram in histograms.items()}


def proven(filters: Filters) -> QuerySet[Job]:
    """The latest jobs closed as cured that have not come back."""
    cured = jobs_of_period(filters).filter(disposition=Job.Disposition.CURED, comebacks__isnull=True)
    return cured.order_by("-closed_at")[:LATEST_JOBS]


def _answers(filters: Filters) -> QuerySet[Result]:
    answers = Result.objects.filter(
        run__job__in=numbers(latest_jobs(filters)), replaced_by__isnull=True, retraction__isnull=True
    )
    return answers.filter(who__username=filters.person) if filters.person else answers
