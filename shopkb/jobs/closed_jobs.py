"""Jobs as :class:`ClosedCase` values: the one input of learning, rebuild and replay."""

from __future__ import annotations

from collections.abc import Iterator

from django.db.models import Prefetch, QuerySet
from django.utils import timezone

from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase, RejectedEnd
from shopkb.core.flow.model import GoKind
from shopkb.jobs.models import Job, Repair, Result, Run, Verification
from shopkb.jobs.run_results import effective_results, has_place
from shopkb.procedures.storing import flow_of

CHUNK = 500


def whole(jobs: QuerySet[Job]) -> QuerySet[Job]:
    """With all that a case needs: a constant number of queries."""
    return jobs.select_related("platform").prefetch_related(
        Prefetch(
            "runs",
            Run.objects.select_related("revision__procedure").prefetch_related(
                Prefetch("results", Result.objects.not_retracted())
            ),
        ),
        Prefetch(
            "repairs",
            Repair.objects.select_related("cause__component", "result__run__revision__procedure").prefetch_related(
                "verifications", "also__component"
            ),
        ),
        "comebacks",
    )


def case_of(job: Job) -> ClosedCase | None:
    """What this job says to learning; ``None`` while it is open."""
    loaded = whole(Job.objects.filter(pk=job.pk)).get()
    return _case(loaded)


def closed_cases(jobs: QuerySet[Job] | None = None) -> Iterator[ClosedCase]:
    """All closed jobs as cases, oldest first, fetched in chunks."""
    chosen = whole((jobs if jobs is not None else Job.objects.all()).closed().order_by("closed_at", "pk"))
    for job in chosen.iterator(chunk_size=CHUNK):
        case = _case(job)
        if case is not None:
            yield case


def _case(job: Job) -> ClosedCase | None:
    if job.is_open or job.closed_at is None:
        return None
    cured = _cured(job)
    claimed = cured.cause.identity if cured and job.disposition == Job.Disposition.CURED else ""
    came_back = bool(job.comebacks.all())
    return ClosedCase(
        job=job.pk,
        platform=job.platform.path,
        month=timezone.localtime(job.closed_at).strftime("%Y-%m"),
        cause="" if came_back else claimed,
        proof=cured.proof if cured and claimed else "",
        claimed=claimed,
        came_back=came_back and bool(claimed),
        results=tuple(_results(job)),
        rejected=tuple(_rejected(job, came_back=came_back)),
        also=tuple(cause.identity for cause in cured.also.all()) if cured else (),
    )


def latest_verification(repair: Repair) -> Verification | None:
    rows = sorted(repair.verifications.all(), key=lambda row: row.pk)
    return rows[-1] if rows else None


def _cured(job: Job) -> Repair | None:
    """The last repair that was verified to have cured the complaint."""
    for repair in sorted(job.repairs.all(), key=lambda row: row.pk, reverse=True):
        latest = latest_verification(repair)
        if latest is not None and latest.cured == Verification.Cured.YES:
            return repair
    return None


def _results(job: Job) -> Iterator[CaseResult]:
    rows: list[tuple[Run, Result]] = []
    for run in job.runs.all():
        rows += [(run, row) for row in effective_results(flow_of(run.revision), list(run.results.all()))]
    for run, row in sorted(rows, key=lambda pair: pair[1].pk):
        yield CaseResult(
            procedure=run.revision.procedure.key,
            step=row.step,
            outcome=row.outcome,
            skipped=row.skipped,
            seconds=row.seconds,
            reading=row.reading,
            unit=row.unit,
        )


def _rejected(job: Job, *, came_back: bool) -> Iterator[RejectedEnd]:
    for repair in job.repairs.all():
        latest = latest_verification(repair)
        not_cured = latest is not None and latest.cured == Verification.Cured.NO
        if repair.result is None or not (not_cured or came_back):
            continue
        revision = repair.result.run.revision
        flow = flow_of(revision)
        if not repair.result.outcome or not has_place(flow, repair.result):
            continue
        step = flow.step_by_key[repair.result.step]
        if step.outcome(repair.result.outcome).go.kind is GoKind.CAUSE:
            yield RejectedEnd(revision.procedure.key, step.key, repair.result.outcome, repair.cause.identity)
