"""The one door for findings beside the way, and for what became of them."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID, uuid5

from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.jobs.bounds import FINDINGS, require_room
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.findings import Finding, Settlement
from shopkb.jobs.idempotence import stored_before
from shopkb.jobs.log.event_log import log_on_job
from shopkb.jobs.log.hash_chain import Kind
from shopkb.jobs.models import Job, Repair, Result, Run

How = Settlement.How


@transaction.atomic
def note_finding(
    job: Job, words: str, *, by: User, at: datetime, client_id: UUID, device_at: datetime | None = None
) -> Finding:
    """Keep a fault met beside the way as an open finding of the job. ``device_at``: when the device says that it was
    noted, if it was kept there.

    Raises:
        NotPossible: the job is closed, or nothing is said.
        IdempotencyConflict: the client id was used for another finding.
    """
    require(by, Right.WORK)
    locked = _locked(job)
    said = words.strip()
    before = stored_before(
        Finding.objects.all(), client_id, lambda row: (row.job_id, row.words) == (locked.pk, said),
        "This was sent before with other words. Reload the page.",
    )  # fmt: skip
    if before is not None:
        return before
    _must_be_open(locked)
    if not said:
        raise NotPossible("Say what was found.")
    require_room(locked.findings.all(), FINDINGS, "Findings on this job")
    return _store(Finding(job=locked, words=said, who=by, at=at, client_id=client_id), device_at)


def state_finding(result: Result, words: str, device_at: datetime | None = None) -> Finding:
    """The finding that this answer states. The caller holds the lock of the job, and has just stored the answer, which
    the device says was given at ``device_at``."""
    row = Finding(job_id=result.run.job_id, result=result, words=words[:200], who=result.who, at=result.at)
    row.client_id = uuid5(result.client_id, "finding")
    return _store(row, device_at)


@transaction.atomic
def settle_finding(
    finding: Finding, how: Settlement.How, *, by: User, at: datetime, client_id: UUID, words: str = "",
    run: Run | None = None, repair: Repair | None = None,
) -> Settlement:  # fmt: skip
    """Say what became of a finding.

    Raises:
        NotPossible: the job is closed, or it is not said by what it was followed or repaired, or how it is explained.
        IdempotencyConflict: the client id was used to say something else.
    """
    require(by, Right.WORK)
    locked = _locked(finding.job)
    said = words.strip()
    content = (finding.pk, how.value, said, run.pk if run else None, repair.pk if repair else None)
    before = stored_before(
        Settlement.objects.all(), client_id,
        lambda row: (row.finding_id, row.how, row.words, row.run_id, row.repair_id) == content,
        "This was sent before with another answer. Reload the page.",
    )  # fmt: skip
    if before is not None:
        return before
    _must_be_open(locked)
    if (how == How.FOLLOWED) != (run is not None) or (how == How.REPAIRED) != (repair is not None):
        raise NotPossible("Say which procedure followed this fault, or which repair put it right.")
    if any(row is not None and row.job_id != locked.pk for row in (run, repair)):
        raise NotPossible("That belongs to another job.")
    if how == How.EXPLAINED and not said:
        raise NotPossible("Say what explains it.")
    require_room(finding.settlements.all(), FINDINGS, "Answers to this finding")
    row = Settlement.objects.create(
        finding=finding, how=how.value, words=said, run=run, repair=repair, who=by, at=at, client_id=client_id
    )
    log_on_job(locked.pk, Kind.SETTLED, row, by=by, at=at)
    return row


def _store(row: Finding, device_at: datetime | None = None) -> Finding:
    row.save(force_insert=True)
    log_on_job(row.job_id, Kind.FINDING, row, by=row.who, at=row.at, device_at=device_at)
    return row


def _locked(job: Job) -> Job:
    return Job.objects.select_for_update(of=("self",)).get(pk=job.pk)


def _must_be_open(job: Job) -> None:
    if not job.is_open:
        raise NotPossible(f"{job} is closed. Reopen it first.")
