"""Closed jobs read from their rows: as :class:`JobFact` for figures, as :class:`ClosedCase` for learning and replay."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, NamedTuple

from django.db.models import Min, QuerySet
from django.utils import timezone

from shopkb.core.diagnosis.counting.closed_case import USUAL_SECONDS, CaseResult, ClosedCase, RejectedEnd
from shopkb.core.diagnosis.counting.positions import ASIDE, Recorded, on_written_way, positions
from shopkb.core.flow.model import Flow, GoKind, cause_identity
from shopkb.jobs.job_facts import CURED, AnswerFact, JobFact, RepairFact, last_cured
from shopkb.jobs.models import (
    Job,
    JobQuerySet,
    Repair,
    Result,
    Settlement,
    Verification,
    latest_cured,
    put_another_right,
)
from shopkb.jobs.run_results import effective_results, has_outcome
from shopkb.procedures.models import Procedure, Revision
from shopkb.procedures.storing import flow_of

CHUNK = 500


class JobRow(NamedTuple):
    """The job's own columns that a fact is made of."""

    pk: int
    platform: str
    symptom: str | None
    disposition: str
    opened_at: datetime
    closed_at: datetime
    closed_by: str | None


def job_rows(jobs: QuerySet[Job]) -> QuerySet[Job, tuple[Any, ...]]:
    """The columns of :class:`JobRow`, in the order of ``jobs``."""
    return jobs.values_list(
        "pk", "platform__path", "symptom__key", "disposition", "opened_at", "closed_at", "closed_by__username"
    )


def first_comebacks(jobs: QuerySet[Job]) -> dict[int, datetime]:
    """When the first comeback of each of these jobs was opened, by the number of the job. One query."""
    comebacks = Job.objects.filter(comeback_of__in=jobs.order_by().values("pk"))
    return dict(comebacks.order_by().values_list("comeback_of").annotate(Min("opened_at")))


def facts_of(rows: Sequence[JobRow], procedure: str = "") -> dict[int, JobFact]:
    """The jobs by number, without their comebacks. Four queries, and one for each revision met for the first time.

    With a ``procedure`` only its answers are read, and their positions are not told.
    """
    if not rows:
        return {}
    numbers = [row.pk for row in rows]
    also, repairs = _also(numbers), _repairs(numbers)
    answers = _answers(numbers, repairs, procedure)
    return {
        row.pk: JobFact(
            row.pk,
            row.platform,
            row.symptom or "",
            row.disposition,
            row.opened_at,
            row.closed_at,
            row.closed_by or "",
            tuple(dict.fromkeys(answer.procedure for answer in answers.get(row.pk, ()))),
            repairs.get(row.pk, ()),
            _found_together(repairs.get(row.pk, ()), also),
            None,
            tuple(answers.get(row.pk, ())),
        )
        for row in rows
    }


def _found_together(repairs: tuple[RepairFact, ...], also: Mapping[int, tuple[str, ...]]) -> tuple[str, ...]:
    """The further causes of the repair that cured, and those that were cured beside it."""
    claimed = last_cured(repairs)
    if claimed is None:
        return ()
    beside = {one.cause for one in repairs if one.cured == CURED and one.cause != claimed.cause}
    return tuple(sorted({*also.get(claimed.number, ()), *beside}))


def case_of(job: Job) -> ClosedCase | None:
    """What this job says to learning; ``None`` while it is open."""
    return next(closed_cases(Job.objects.filter(pk=job.pk)), None)


def closed_cases(jobs: JobQuerySet | None = None, procedure: str = "") -> Iterator[ClosedCase]:
    """All closed jobs as cases, oldest first, read in chunks. With a ``procedure`` only its answers are read."""
    chosen = (Job.objects.all() if jobs is None else jobs).closed().order_by("closed_at", "pk")
    numbers = list(chosen.values_list("pk", flat=True))
    for start in range(0, len(numbers), CHUNK):
        chunk = Job.objects.filter(pk__in=numbers[start : start + CHUNK])
        rows = [JobRow(*row) for row in job_rows(chunk.order_by("closed_at", "pk"))]
        facts, back = facts_of(rows, procedure), first_comebacks(chunk)
        flows = _flows(repair.named_in for fact in facts.values() for repair in fact.repairs)
        yield from (_case(replace(facts[row.pk], back_at=back.get(row.pk)), flows) for row in rows)


def cases_of_procedure(procedure: Procedure) -> list[ClosedCase]:
    """All closed jobs that followed ``procedure``, oldest first, with the answers to its own steps, for a replay."""
    followed = Job.objects.filter(runs__revision__procedure=procedure).distinct()
    return [case.of(procedure.key) for case in closed_cases(followed, procedure.key)]


def latest_verification(repair: Repair) -> Verification | None:
    """The verification that counts, from the rows at hand. Needs ``verifications`` loaded to cost no query."""
    return max(repair.verifications.all(), key=lambda row: row.pk, default=None)


def _case(job: JobFact, flows: Mapping[int, Flow]) -> ClosedCase:
    claimed, confirmed = job.claimed, job.confirmed
    proven = _proven(job)
    speaks = _speaks_for(job, proven)
    return ClosedCase(
        job=job.number,
        platform=job.platform,
        month=timezone.localtime(job.closed_at).strftime("%Y-%m"),
        cause=confirmed.cause if confirmed else "",
        proof=claimed.counted_proof if claimed else "",
        claimed=claimed.cause if claimed else "",
        came_back=claimed is not None and confirmed is None,
        results=tuple(
            CaseResult(
                one.procedure,
                one.step,
                one.outcome,
                one.skipped,
                one.seconds,
                one.reading,
                one.unit,
                one.position,
                speaks.get(place),
                one.expected,
            )
            for place, one in enumerate(job.answers)
        ),
        rejected=tuple(_rejected(job, flows)),
        also=job.also,
        cured_first=confirmed is not None and not job.rejected,
        proven=tuple((procedure, one.cause, one.counted_proof) for procedure, one in proven.items()),
    )


def _proven(job: JobFact) -> dict[str, RepairFact]:
    """Where several causes were put right, the one that each procedure came to: the only one it named, or the only one
    that its written way named."""
    if len(job.cured) < 2:
        return {}
    position = {(one.procedure, one.step, one.outcome): one.position for one in job.answers}
    named: dict[str, list[tuple[RepairFact, bool]]] = defaultdict(list)
    for repair in job.cured:
        if repair.named_at in position:
            named[repair.named_at[0]].append((repair, position[repair.named_at] != ASIDE))
    found = {}
    for procedure, repairs in named.items():
        on_way = [repair for repair, yes in repairs if yes]
        if len(repairs) == 1 or len(on_way) == 1:
            found[procedure] = (on_way or [repairs[0][0]])[0]
    return found


def _speaks_for(job: JobFact, proven: Mapping[str, RepairFact]) -> dict[int, tuple[str, str]]:
    """By its place among the job's answers, the cause and proof of each answer that speaks for another fault than its
    procedure came to. An answer off the written way speaks for what it, or the next of its kind, named."""
    repairs = {repair.number: repair for repair in job.cured}
    named = {repair.named_at: repair for repair in job.cured if repair.named_at is not None}
    found: dict[int, tuple[str, str]] = {}
    aside: list[int] = []
    for place, one in enumerate(job.answers):
        came_to = proven.get(one.procedure) or job.claimed
        if one.explained_by is not None:
            other = repairs.get(one.explained_by)
            if other is None or (came_to is not None and other.cause != came_to.cause):
                found[place] = (other.cause, other.counted_proof) if other else ("", "")
        if one.position != ASIDE:
            aside = []
            continue
        aside.append(place)
        other = named.get((one.procedure, one.step, one.outcome))
        if other is not None and one.procedure in proven and other.cause != proven[one.procedure].cause:
            found |= dict.fromkeys(aside, (other.cause, other.counted_proof))
            aside = []
    return found


def _rejected(job: JobFact, flows: Mapping[int, Flow]) -> Iterator[RejectedEnd]:
    """Ends that named a cause which proved wrong, where the revision followed still has them. An end whose answer does
    not stand any more was named off the written way."""
    position = {(one.procedure, one.step, one.outcome): one.position for one in job.answers}
    for repair in job.rejected:
        flow = flows.get(repair.named_in) if repair.named_in is not None else None
        if flow is None or repair.named_at is None:
            continue
        procedure, step, outcome = repair.named_at
        if has_outcome(flow, step, outcome) and flow.step_by_key[step].outcome(outcome).go.kind is GoKind.CAUSE:
            yield RejectedEnd(procedure, step, outcome, repair.cause, position.get(repair.named_at, ASIDE))


def _flows(revisions: Iterable[int | None]) -> dict[int, Flow]:
    """The flows of these revisions by primary key. One query, and one for each revision met for the first time."""
    numbers = {number for number in revisions if number is not None}
    if not numbers:
        return {}
    return {row.pk: flow_of(row) for row in Revision.objects.filter(pk__in=numbers).select_related("procedure")}


def _repairs(jobs: Sequence[int]) -> dict[int, tuple[RepairFact, ...]]:
    asked = Repair.objects.filter(job__in=jobs).annotate(latest_cured=latest_cured(), beside=put_another_right())
    rows = asked.order_by("pk").values_list(
        "job_id", "pk", "cause__component__path", "cause__mode", "proof", "who__username", "latest_cured", "parts",
        "result__run__revision__procedure__key", "result__step", "result__outcome", "result__who__username",
        "result__run__revision_id", "at", "weak", "beside",
    )  # fmt: skip
    found: dict[int, list[RepairFact]] = defaultdict(list)
    for (
        job,
        pk,
        component,
        mode,
        proof,
        who,
        cured,
        parts,
        procedure,
        step,
        outcome,
        named_by,
        revision,
        at,
        weak,
        another_fault,
    ) in rows:
        named_at = (procedure, step, outcome) if procedure and outcome else None
        cause = cause_identity(component, mode)
        found[job].append(
            RepairFact(
                pk,
                cause,
                proof,
                who,
                cured or "",
                parts,
                named_at,
                named_by or "",
                revision if named_at else None,
                at,
                weak,
                another_fault,
            )
        )
    return {job: tuple(repairs) for job, repairs in found.items()}


ANSWER_FIELDS = (
    "pk", "run_id", "run__job_id", "run__revision_id", "run__revision__procedure__key", "run__revision__number", "step",
    "outcome", "onward", "skipped", "seconds", "off_path", "override_why", "who__username", "reading", "unit",
    "run__revision__state", "run__revision__checksum", "run__started_at", "at",
)  # fmt: skip


def _answers(
    jobs: Sequence[int], repairs: Mapping[int, Sequence[RepairFact]], procedure: str
) -> dict[int, list[AnswerFact]]:
    """Effective answers in the order in which they were recorded. One query, and one for each revision met first."""
    results = Result.objects.not_retracted().filter(run__job__in=jobs)
    if procedure:
        results = results.filter(run__revision__procedure__key=procedure)
    runs: dict[int, list[Any]] = defaultdict(list)
    for row in results.values_list(*ANSWER_FIELDS, named=True):
        runs[row.run_id].append(row)
    flows = {run: _flow_followed(rows[0]) for run, rows in runs.items()}
    effective = [row for run, rows in runs.items() for row in effective_results(flows[run], rows)]
    place = {} if procedure else _positions(runs, flows, repairs)
    explained = _explained(jobs)
    found: dict[int, list[AnswerFact]] = defaultdict(list)
    for row in sorted(effective, key=lambda row: row.pk):
        found[row.run__job_id].append(
            AnswerFact(
                row.run__revision__procedure__key, row.step, row.outcome, row.skipped, row.seconds, row.off_path,
                bool(row.override_why), row.who__username, row.run__revision__number, row.reading, row.unit,
                place.get(row.pk, ""), _expected(flows[row.run_id], row), explained.get(row.pk),
            )
        )  # fmt: skip
    return found


def _expected(flow: Flow, row: Any) -> int | None:
    """Seconds that stand for a time that is not known."""
    if row.seconds is not None or row.skipped:
        return 0 if row.seconds is None else None
    step = flow.step_by_key.get(row.step)
    return round(60 * step.minutes) if step is not None and step.minutes else USUAL_SECONDS


def _explained(jobs: Sequence[int]) -> dict[int, int]:
    """By answer that stated a finding, the repair that put it right; 0 where anything else became of it. One query."""
    rows = Settlement.objects.filter(finding__job__in=jobs, finding__result__isnull=False).order_by("pk")
    return {result: repair or 0 for result, repair in rows.values_list("finding__result_id", "repair_id")}


def _positions(
    runs: Mapping[int, Sequence[Any]], flows: Mapping[int, Flow], repairs: Mapping[int, Sequence[RepairFact]]
) -> dict[int, str]:
    """Where in its procedure each of these answers was got, by primary key; steps left out have no position.

    :meth:`shopkb.jobs.models.ResultQuerySet.on_written_way` has the same rule for the database.
    """
    others: dict[int, list[tuple[int, int, datetime]]] = defaultdict(list)
    for run, rows in runs.items():
        others[rows[0].run__job_id] += [(row.pk, run, row.at) for row in rows]
    found: dict[int, str] = {}
    for run, rows in runs.items():
        job, started = rows[0].run__job_id, rows[0].run__started_at
        other = min((pk for pk, its_run, at in others[job] if its_run != run and at > started), default=None)
        repair = min((one.at for one in repairs.get(job, ()) if one.at and one.at > started), default=None)
        alone = [row for row in rows if (other is None or row.pk < other) and (repair is None or row.at <= repair)]
        on_way = on_written_way(Recorded(row.step, row.outcome, row.off_path) for row in alone)
        place = positions(flows[run])
        for row in rows:
            if row.outcome:
                here = not row.off_path and (row.step, row.outcome) in on_way
                found[row.pk] = place.get(row.step, ASIDE) if here else ASIDE
    return found


def _flow_followed(row: Any) -> Flow:
    """The flow of the revision that this row of :data:`ANSWER_FIELDS` was recorded on."""
    state, checksum = row.run__revision__state, row.run__revision__checksum
    return flow_of(Revision(pk=row.run__revision_id, state=state, checksum=checksum))


def _also(jobs: Sequence[int]) -> dict[int, tuple[str, ...]]:
    """The further causes of each repair."""
    rows = Repair.also.through.objects.filter(repair__job__in=jobs).values_list(
        "repair_id", "cause__component__path", "cause__mode"
    )
    found: dict[int, list[str]] = defaultdict(list)
    for repair, component, mode in rows:
        found[repair].append(cause_identity(component, mode))
    return {repair: tuple(sorted(causes)) for repair, causes in found.items()}
