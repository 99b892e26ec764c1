"""The one door for repairs, verifying, closing and reopening. Evidence changes in the same transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import transaction
from django.db.models import Prefetch
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Cause
from shopkb.core.flow.model import GoKind, Proof
from shopkb.evidence.learning import learn
from shopkb.jobs.closed_jobs import case_of, latest_verification
from shopkb.jobs.effective_results import standing_results
from shopkb.jobs.errors import NotPossible, OtherBody
from shopkb.jobs.log.hash_chain import Kind
from shopkb.jobs.log.write import log_closed, log_on_job, log_reopened, log_words
from shopkb.jobs.models import Job, Repair, Result, Run, Verification
from shopkb.procedures.storing import flow_of


@dataclass(frozen=True, slots=True)
class Done:
    """What was repaired, as told by the technician."""

    cause: Cause
    proof: Proof
    correction: str
    client_id: UUID
    result: Result | None = None
    parts: str = ""
    minutes: int | None = None
    also_found: str = ""
    also: Sequence[Cause] = ()


@transaction.atomic
def record_repair(job: Job, done: Done, *, by: User, at: datetime) -> Repair:
    """Store a repair. The same client id twice is one repair.

    Raises:
        NotPossible: the job is closed, the correction is not said, or the result is of another job.
        OtherBody: the client id was used for another repair.
    """
    require(by, Right.WORK)
    held = _locked(job)
    before = Repair.objects.filter(client_id=done.client_id).first()
    if before is not None:
        if _told(before) != (held.pk, *_told_by(done)):
            raise OtherBody("This repair was sent before with another content. Reload the page and enter it again.")
        return before
    _must_be_open(held)
    if not done.correction.strip():
        raise NotPossible("Say what was done to put it right.")
    if done.result is not None and done.result.run.job_id != held.pk:
        raise NotPossible("This result is of another job. Open the repair from the job it belongs to.")
    repair = Repair.objects.create(
        job=held,
        result=done.result,
        cause=done.cause,
        proof=done.proof.value,
        correction=done.correction.strip(),
        parts=done.parts.strip(),
        minutes=done.minutes,
        also_found=done.also_found.strip(),
        who=by,
        at=at,
        client_id=done.client_id,
    )
    repair.also.set(done.also)
    log_on_job(held.pk, Kind.REPAIR, repair, by=by, at=at, also={cause.pk for cause in done.also})
    return repair


@transaction.atomic
def verify_repair(
    repair: Repair, cured: Verification.Cured, *, how: str, by: User, at: datetime, client_id: UUID
) -> Verification:
    """Say whether the repair cured the complaint, and how that was found out.

    Not cured rules the cause out: the job goes on from everything already recorded.

    Raises:
        NotPossible: the job is closed, or it is not said how a cure or its lack was found out.
        OtherBody: the client id was used for another verification.
    """
    require(by, Right.WORK)
    held = _locked(repair.job)
    before = Verification.objects.filter(client_id=client_id).first()
    if before is not None:
        if (before.repair_id, before.cured, before.how) != (repair.pk, cured, how.strip()):
            raise OtherBody("This was sent before with another answer. Reload the page.")
        return before
    _must_be_open(held)
    if cured != Verification.Cured.NOT_CHECKED and not how.strip():
        raise NotPossible("Say how it was checked: the conditions of the complaint, repeated.")
    told = Verification.objects.create(repair=repair, cured=cured, how=how.strip(), who=by, at=at, client_id=client_id)
    log_on_job(held.pk, Kind.VERIFIED, told, by=by, at=at)
    return told


@transaction.atomic
def close_job(job: Job, disposition: Job.Disposition, *, by: User, at: datetime, note: str = "") -> Job:
    """Close the job and let it teach.

    Raises:
        NotPossible: the disposition does not fit what was recorded; the sentence says what is missing.
    """
    require(by, Right.WORK)
    held = _locked(job)
    if not held.is_open:
        if held.disposition == disposition:
            return held
        raise NotPossible(f"{held} is closed already: {held.get_disposition_display()}.")
    _fits(held, disposition)
    held.state, held.disposition = Job.State.CLOSED, disposition
    held.closed_by, held.closed_at, held.closing_note = by, at, note.strip()
    held.save(update_fields=["state", "disposition", "closed_by", "closed_at", "closing_note"])
    for run in held.runs.filter(state=Run.State.UNDER_WAY):
        run.state, run.stopped_why, run.ended_at = Run.State.STOPPED, "The job was closed.", at
        run.save(update_fields=["state", "stopped_why", "ended_at"])
        log_words(run.pk, Kind.LEFT, run.stopped_why, by=by, at=at)
    log_closed(held.pk, disposition, by=by, at=at)
    learn(None, case_of(held))
    return held


@transaction.atomic
def reopen_job(job: Job, *, by: User, at: datetime | None = None) -> Job:
    """Open a closed job again; what it taught is taken back.

    Raises:
        NotPossible: it is open, or a comeback stands on it.
    """
    require(by, Right.REOPEN)
    held = _locked(job)
    if held.is_open:
        raise NotPossible(f"{held} is open already.")
    comeback = held.comebacks.first()
    if comeback is not None:
        raise NotPossible(f"{comeback} is a comeback of {held}; go on there.")
    before = case_of(held)
    held.state, held.disposition, held.closing_note = Job.State.OPEN, "", ""
    held.closed_by, held.closed_at = None, None
    held.save(update_fields=["state", "disposition", "closed_by", "closed_at", "closing_note"])
    log_reopened(held.pk, by=by, at=at or timezone.now())
    learn(before, None)
    return held


def causes_named(job: Job) -> list[tuple[Result, str, str]]:
    """Ends reached on this job that name a cause: (result, cause identity, proof), newest first.

    An answer that was replaced or superseded names nothing any more.
    """
    named = []
    for run in (
        job.runs.select_related("revision__procedure")
        .prefetch_related(Prefetch("results", Result.objects.counting()))
        .order_by("-pk")
    ):
        flow = flow_of(run.revision)
        for result in reversed(standing_results(flow, sorted(run.results.all(), key=lambda row: row.pk))):
            if not result.outcome:
                continue
            outcome = flow.step_by_key[result.step].outcome(result.outcome)
            cause = flow.cause_by_key.get(outcome.go.key) if outcome.go.kind is GoKind.CAUSE else None
            if cause is not None:
                named.append((result, cause.identity, outcome.proof.value if outcome.proof else ""))
    return named


def ruled_out(job: Job) -> list[Repair]:
    """Repairs that were made and did not cure: their causes are hardly possible any more."""
    repairs = job.repairs.select_related("cause__component").prefetch_related("verifications")
    return [
        repair
        for repair in repairs
        if (latest := latest_verification(repair)) is not None and latest.cured == Verification.Cured.NO
    ]


def _locked(job: Job) -> Job:
    return Job.objects.select_for_update(of=("self",)).get(pk=job.pk)


def _must_be_open(job: Job) -> None:
    if not job.is_open:
        raise NotPossible(f"{job} is closed. Reopen it first.")


def _told(repair: Repair) -> tuple[object, ...]:
    part = (repair.job_id, repair.cause_id, repair.proof, repair.correction)
    return (*part, repair.parts, repair.minutes, repair.also_found)


def _told_by(done: Done) -> tuple[object, ...]:
    part = (done.cause.pk, done.proof.value, done.correction.strip())
    return (*part, done.parts.strip(), done.minutes, done.also_found.strip())


def _fits(job: Job, disposition: Job.Disposition) -> None:
    latest = [latest_verification(repair) for repair in job.repairs.prefetch_related("verifications")]
    cured = any(row is not None and row.cured == Verification.Cured.YES for row in latest)
    if disposition == Job.Disposition.CURED and not cured:
        raise NotPossible("To close as cured, record the repair and verify that the complaint is gone.")
    if cured and disposition != Job.Disposition.CURED:
        raise NotPossible(
            "A repair on this job is verified as the cure. Close it as cured; or, if the complaint is there again, "
            "verify the repair again first."
        )
    if disposition == Job.Disposition.NOT_CHECKED and not latest:
        raise NotPossible("No repair is recorded on this job. Record it, or close it another way.")
    if disposition == Job.Disposition.NOT_PRESENT and latest:
        raise NotPossible("A repair is recorded on this job, so it cannot be closed as nothing repaired.")
