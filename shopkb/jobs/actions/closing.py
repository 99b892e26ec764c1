"""The one door for closing and reopening. Evidence changes in the same transaction."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db import transaction
from django.utils import timezone

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.evidence.learning import learn
from shopkb.jobs.closed_jobs import case_of, latest_verification
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.log.event_log import log_closed, log_reopened, log_text
from shopkb.jobs.log.hash_chain import Kind
from shopkb.jobs.models import Job, Repair, Run, Verification

BY_CLOSING = "The job was closed."
"""Why a procedure was left that was under way when its job was closed."""


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
    if still := [finding.words for finding in locked.open_findings]:
        raise NotPossible(f"Say what became of each finding first: {'; '.join(still)}.")
    _fits(locked, disposition)
    locked.state, locked.disposition = Job.State.CLOSED, disposition
    locked.closed_by, locked.closed_at, locked.closing_note = by, at, note.strip()
    locked.save(update_fields=["state", "disposition", "closed_by", "closed_at", "closing_note"])
    for run in locked.runs.filter(state=Run.State.UNDER_WAY):
        run.state, run.stopped_why, run.ended_at = Run.State.STOPPED, BY_CLOSING, at
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
