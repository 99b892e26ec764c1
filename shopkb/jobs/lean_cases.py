"""Closed jobs of one procedure as cases, read for a replay: its own results and the cause that was proven, no more.

Reading the same jobs whole (:mod:`shopkb.jobs.closed_jobs`) costs ten times as much: too long for a replay of 10,000.
"""

from __future__ import annotations

from collections import defaultdict
from typing import NamedTuple

from django.db.models import OuterRef, Subquery
from django.utils import timezone

from shopkb.core.diagnosis.counting.closed_case import CaseResult, ClosedCase
from shopkb.core.flow.model import Flow
from shopkb.jobs.models import Job, Repair, Result, Run, Verification
from shopkb.jobs.run_results import effective_results
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of


class LeanResult(NamedTuple):
    """A result's row as far as it is needed to tell whether it stands."""

    pk: int
    step: str
    outcome: str
    onward: str
    skipped: str
    off_path: bool


def lean_cases(procedure: Procedure) -> list[ClosedCase]:
    """All closed jobs that followed ``procedure``, oldest first: as :func:`shopkb.jobs.closed_jobs.closed_cases` gives
    them, without platform, minutes, readings, false leads and what other procedures found. Six queries, and four for
    each revision never met."""
    jobs = Job.objects.closed().filter(runs__revision__procedure=procedure).distinct()
    back = set(Job.objects.filter(comeback_of__in=jobs.values("pk")).values_list("comeback_of_id", flat=True))
    cured, results = _cured(procedure), _results(procedure)
    cases = []
    for pk, closed_at, disposition in jobs.order_by("closed_at", "pk").values_list("pk", "closed_at", "disposition"):
        claimed = cured.get(pk, "") if disposition == Job.Disposition.CURED else ""
        cases.append(
            ClosedCase(
                job=pk,
                platform="",
                month=timezone.localtime(closed_at).strftime("%Y-%m"),
                cause="" if pk in back else claimed,
                claimed=claimed,
                came_back=pk in back and bool(claimed),
                results=tuple(results.get(pk, ())),
            )
        )
    return cases


def _cured(procedure: Procedure) -> dict[int, str]:
    """The cause of the last repair that was verified to have cured, by job. One query."""
    latest = Verification.objects.filter(repair=OuterRef("pk")).order_by("-pk").values("cured")[:1]
    rows = (
        Repair.objects.filter(job__in=Job.objects.filter(runs__revision__procedure=procedure).values("pk"))
        .annotate(latest=Subquery(latest))
        .filter(latest=Verification.Cured.YES)
        .order_by("pk")
        .values_list("job_id", "cause__component__path", "cause__mode")
    )
    return {job: f"{component}#{mode.strip().lower()}" for job, component, mode in rows}


def _results(procedure: Procedure) -> dict[int, list[CaseResult]]:
    """Standing results by job, in the order they were recorded. Three queries."""
    followed = Revision.objects.filter(procedure=procedure, runs__isnull=False).distinct()
    flows = {row.pk: flow_of(row) for row in followed}
    closed = Run.objects.filter(revision__procedure=procedure, job__state=Job.State.CLOSED)
    runs = {pk: (job, revision) for pk, job, revision in closed.values_list("pk", "job_id", "revision_id")}
    recorded: dict[int, list[LeanResult]] = defaultdict(list)
    rows = Result.objects.not_retracted().filter(run__revision__procedure=procedure, run__job__state=Job.State.CLOSED)
    for run, *row in rows.values_list("run_id", "pk", "step", "outcome", "onward", "skipped", "off_path"):
        recorded[run].append(LeanResult(*row))
    found: dict[int, list[tuple[int, CaseResult]]] = defaultdict(list)
    for run, its in recorded.items():
        job, revision = runs[run]
        found[job] += _standing(procedure.key, flows[revision], its)
    return {job: [result for _, result in sorted(its, key=lambda pair: pair[0])] for job, its in found.items()}


def _standing(procedure: str, flow: Flow, rows: list[LeanResult]) -> list[tuple[int, CaseResult]]:
    return [
        (row.pk, CaseResult(procedure, row.step, row.outcome, row.skipped)) for row in effective_results(flow, rows)
    ]
