"""The one door for repairs, verifying, closing and reopening. Evidence changes in the same transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Cause
from shopkb.core.flow.model import Proof
from shopkb.evidence.learning import learn
from shopkb.jobs.bounds import CHECKS, REPAIRS, require_room
from shopkb.jobs.closed_jobs import case_of, latest_verification
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.idempotence import stored_before
from shopkb.jobs.log.event_log import log_closed, log_on_job, log_reopened, log_text
from shopkb.jobs.log.hash_chain import Kind
from shopkb.jobs.models import Job, Repair, Result, Run, Verification


@dataclass(frozen=True, slots=True)
class RepairDetails:
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
    weak: str = ""
    """Why the proof is not to be relied on, as the page said; empty where it is."""


@transaction.atomic
def record_repair(job: Job, details: RepairDetails, *, by: User, at: datetime) -> Repair:
    """Store a repair. The same client id twice is one repair.

    Raises:
        NotPossible: the job is closed, the correction is not said, or the result is of another job.
        IdempotencyConflict: the client id was used for another repair.
    """
    require(by, Right.WORK)
    locked = _locked(job)
    before = stored_before(
        Repair.objects.all(),
        details.client_id,
        lambda row: _stored_content(row) == (locked.pk, *_sent_content(details)),
        "This repair was sent before with another content. Reload the page and enter it again.",
    )
    if before is not None:
        return before
    _must_be_open(locked)
    if not details.correction.strip():
        raise NotPossible("Say what was done to put it right.")
    if details.result is not None and details.result.run.job_id != locked.pk:
        raise NotPossible("This result is of another job. Open the repair from the job it belongs to.")
    require_room(locked.repairs.all(), REPAIRS, "Repairs on this job")
    repair = Repair.objects.create(
        job=locked,
        result=details.result,
        cause=details.cause,
        proof=details.proof.value,
        correction=details.correction.strip(),
        parts=details.parts.strip(),
        minutes=details.minutes,
        also_found=details.also_found.strip(),
        weak=details.weak[:300],
        who=by,
        at=at,
        client_id=details.client_id,
    )
    repair.also.set(details.also)
    also = {cause.pk for cause in details.also}
    log_on_job(locked.pk, Kind.REPAIR, repair, by=by, at=at, also=also, words=repair.weak)
    return repair


@transaction.atomic
def verify_repair(
    repair: Repair, cured: Verification.Cured, *, how: str, by: User, at: datetime, client_id: UUID
) -> Verification:
    """Say whether the repair cured the complaint, and how that was found out.

    Not cured rules the cause out: the job goes on from everything already recorded.

    Raises:
        NotPossible: the job is closed, or it is not said how a cure or its lack was found out.
        IdempotencyConflict: the client id was used for another verification.
    """
    require(by, Right.WORK)
    locked = _locked(repair.job)
    before = stored_before(
        Verification.objects.all(),
        client_id,
        lambda row: (row.repair_id, row.cured, row.how) == (repair.pk, cured, how.strip()),
        "This was sent before with another answer. Reload the page.",
    )
    if before is not None:
        return before
    _must_be_open(locked)
    if cured != Verification.Cured.NOT_CHECKED and not how.strip():
        raise NotPossible("Say how it was checked: the conditions of the complaint, repeated.")
    require_room(repair.verifications.all(), CHECKS, "Checks of this repair")
    verification = Verification.objects.create(
        repair=repair, cured=cured, how=how.strip(), who=by, at=at, client_id=client_id
    )
    log_on_job(locked.pk, Kind.VERIFIED, verification, by=by, at=at)
    return verification


@transaction.atomic
def close_job(job: Job, disposition: Job.Disposition, *, by: User, at: datetime, note: str = "") -> Job:
    """Close the job and add what it proves to the tallies.

    Raises:
        NotPossible: the disposition does not fit what was recorded; the sentence says what is missing.
    """
    require(by, Right.WORK)
    locked = _locked(job)
    if not locked.is_open:
        if locked.disposition == disposition:
            return locked
        raise NotPossible(f"{locked} is closed already: {locked.get_disposition_display()}.")
    _fits(locked, disposition)
    locked.state, locked.disposition = Job.State.CLOSED, disposition
    locked.closed_by, locked.closed_at, locked.closing_note = by, at, note.strip()
    locked.save(update_fields=["state", "disposition", "closed_by", "closed_at", "closing_note"])
    for run in locked.runs.filter(state=Run.State.UNDER_WAY):
        run.state, run.stopped_why, run.ended_at = Run.State.STOPPED, "The job was closed.", at
        run.save(update_fields=["state", "stopped_why", "ended_at"])
        log_text(run.pk, Kind.LEFT, run.stopped_why, by=by, at=at)
    log_closed(locked.pk, disposition, by=by, at=at)
    learn(None, case_of(locked))
    return locked


@transaction.atomic
def reopen_job(job: Job, *, by: User, at: datetime | None = None) -> Job:
    """Open a closed job again and take what it proved out of the tallies.

    Raises:
        NotPossible: it is open, or a comeback stands on it.
    """
    require(by, Right.REOPEN)
    locked = _locked(job)
    if locked.is_open:
        raise NotPossible(f"{locked} is open already.")
    comeback = locked.comebacks.first()
    if comeback is not None:
        raise NotPossible(f"{comeback} is a comeback of {locked}; go on there.")
    before = case_of(locked)
    locked.state, locked.disposition, locked.closing_note = Job.State.OPEN, "", ""
    locked.closed_by, locked.closed_at = None, None
    locked.save(update_fields=["state", "disposition", "closed_by", "closed_at", "closing_note"])
    log_reopened(locked.pk, by=by, at=at or timezone.now())
    learn(before, None)
    return locked


def ruled_out(job: Job) -> list[Repair]:
    """Repairs that were made and did not cure: their causes are hardly possible any more."""
    return in_vain(list(job.repairs.select_related("cause__component").prefetch_related("verifications")))


def in_vain(repairs: Sequence[Repair]) -> list[Repair]:
    """Those of these repairs that did not cure. Needs ``verifications`` loaded to cost no query."""
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


def _stored_content(repair: Repair) -> tuple[object, ...]:
    part = (repair.job_id, repair.cause_id, repair.proof, repair.correction)
    return (*part, repair.parts, repair.minutes, repair.also_found)


def _sent_content(details: RepairDetails) -> tuple[object, ...]:
    part = (details.cause.pk, details.proof.value, details.correction.strip())
    return (*part, details.parts.strip(), details.minutes, details.also_found.strip())


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
