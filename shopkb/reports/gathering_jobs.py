"""The latest closed jobs, read from their rows as :class:`shopkb.reports.job_facts.JobFact` values."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping

from django.db.models import OuterRef, Subquery

from shopkb.core.diagnosis.tallies import SKIP, TallyKey, TallySums
from shopkb.jobs.models import Job, Repair, Result, Run, Verification
from shopkb.reports.figures_tests import PERIOD
from shopkb.reports.filters import Filters
from shopkb.reports.gathering import LATEST_JOBS, jobs_of_period, latest_jobs, numbers
from shopkb.reports.job_facts import CURED, Facts, JobFact, RepairFact


def job_facts(filters: Filters) -> Facts:
    """Six queries, whatever the number of jobs."""
    rows = list(
        latest_jobs(filters).values_list(
            "pk", "platform__path", "symptom__key", "disposition", "opened_at", "closed_at", "closed_by__username"
        )
    )
    window = [row[0] for row in rows]
    also = _also(window)
    repairs = _repairs(window)
    runs: dict[int, dict[str, None]] = defaultdict(dict)
    for job, procedure in Run.objects.filter(job__in=window).values_list("job_id", "revision__procedure__key"):
        runs[job].setdefault(procedure)
    back = dict(
        Job.objects.filter(comeback_of__in=window).order_by("-opened_at").values_list("comeback_of_id", "opened_at")
    )
    jobs = tuple(
        JobFact(
            pk, platform, symptom or "", disposition, opened_at, closed_at, closed_by or "",
            tuple(runs[pk]), repairs.get(pk, ()), _found_with(repairs.get(pk, ()), also), back.get(pk),
        )
        for pk, platform, symptom, disposition, opened_at, closed_at, closed_by in rows
    )  # fmt: skip
    in_period = len(jobs) if len(jobs) < LATEST_JOBS else jobs_of_period(filters).count()
    return Facts(jobs, in_period)


def _found_with(repairs: Iterable[RepairFact], also: Mapping[int, tuple[str, ...]]) -> tuple[str, ...]:
    cured = [repair.number for repair in repairs if repair.cured == CURED]
    return also.get(max(cured), ()) if cured else ()


def _repairs(window: list[int]) -> dict[int, tuple[RepairFact, ...]]:
    latest = Verification.objects.filter(repair=OuterRef("pk")).order_by("-pk").values("cured")[:1]
    rows = (
        Repair.objects.filter(job__in=window)
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


def _also(window: list[int]) -> dict[int, tuple[str, ...]]:
    rows = Repair.also.through.objects.filter(repair__job__in=window).values_list(
        "repair_id", "cause__component__path", "cause__mode"
    )
    found: dict[int, list[str]] = defaultdict(list)
    for repair, component, mode in rows:
        found[repair].append(_identity(component, mode))
    return {repair: tuple(sorted(causes)) for repair, causes in found.items()}


def _identity(component: str, mode: str) -> str:
    """As :attr:`shopkb.catalog.models.Cause.identity` writes it."""
    return f"{component}#{mode.strip().lower()}"


def tallies_of_person(filters: Filters, facts: Facts) -> dict[str, dict[TallyKey, TallySums]]:
    """What the answers of one person (``filters.person``) add up to, by procedure: as tallies, over the latest jobs.

    Answers that were replaced do not count. One query.
    """
    jobs = {job.number: job for job in facts.jobs}
    rows = Result.objects.filter(
        run__job__in=numbers(latest_jobs(filters)),
        replaced_by__isnull=True,
        retraction__isnull=True,
        who__username=filters.person,
    ).values_list("run__job_id", "run__revision__procedure__key", "step", "outcome", "skipped", "seconds")
    latest = {(job, procedure, step): rest for job, procedure, step, *rest in rows.order_by("pk") if job in jobs}
    found: dict[str, dict[TallyKey, TallySums]] = defaultdict(lambda: defaultdict(TallySums))
    for (number, procedure, step), (outcome, skipped, seconds) in latest.items():
        job = jobs[number]
        cause, proof = (job.confirmed.cause, job.confirmed.proof) if job.confirmed else ("", "")
        key = TallyKey(procedure, step, outcome or f"{SKIP}{skipped}", cause, proof, "", PERIOD)
        found[procedure][key] += _once(seconds)
    for job in facts.jobs:
        named = {r.named_at for r in job.rejected if r.named_at and r.named_by == filters.person}
        for procedure, step, outcome in named:
            key = TallyKey(procedure, step, outcome, "", "", "", PERIOD)
            found[procedure][key] += TallySums(rejected=1)
    return {procedure: dict(sums) for procedure, sums in found.items()}


def _once(seconds: int | None) -> TallySums:
    return TallySums(1) if seconds is None else TallySums(1, 1, seconds, seconds * seconds)
