"""The one door for repairs, their parts, what is measured again after them, and whether they cured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from uuid import UUID

from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Cause
from shopkb.core.flow.model import Proof, Step
from shopkb.core.readings.judgement import Verdict
from shopkb.jobs.answering import Answer, put_reading, values_for
from shopkb.jobs.bounds import CHECKS, REPAIRS, require_room
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.idempotence import stored_before
from shopkb.jobs.log.event_log import log_on_job
from shopkb.jobs.log.hash_chain import Kind
from shopkb.jobs.models import Job, MeasuredAgain, Repair, RepairPart, Result, Verification
from shopkb.jobs.run_results import has_place
from shopkb.procedures.storing import flow_of

MOST_PARTS = 40
LONGEST_PARTS = 1000


@dataclass(frozen=True, slots=True)
class PartLine:
    """A part fitted; ``price`` of one, in the shop's currency."""

    words: str
    number: str = ""
    quantity: Decimal = Decimal(1)
    price: Decimal | None = None


@dataclass(frozen=True, slots=True)
class RepairDetails:
    """What was repaired, as told by the technician."""

    cause: Cause
    proof: Proof
    correction: str
    client_id: UUID
    result: Result | None = None
    parts: str = ""
    """Parts in words, where they are not told line by line."""
    minutes: int | None = None
    also_found: str = ""
    also: Sequence[Cause] = ()
    weak: str = ""
    """Why the proof is not to be relied on, as the page said; empty where it is."""
    lines: Sequence[PartLine] = ()


@transaction.atomic
def record_repair(
    job: Job, details: RepairDetails, *, by: User, at: datetime, device_at: datetime | None = None
) -> Repair:
    """Store a repair with its parts. The same client id twice is one repair. ``device_at``: when the device says that
    it was noted, if it was kept there.

    Raises:
        NotPossible: the job is closed, the correction is not said, or the result is of another job.
        IdempotencyConflict: the client id was used for another repair.
    """
    require(by, Right.WORK)
    locked = _locked(job)
    lines = [RepairPart(words=one.words.strip(), number=one.number.strip(), quantity=one.quantity, price=one.price)
             for one in details.lines]  # fmt: skip
    parts = "; ".join([*([details.parts.strip()] if details.parts.strip() else []), *map(str, lines)])
    before = stored_before(
        Repair.objects.all(),
        details.client_id,
        lambda row: _stored_content(row) == (locked.pk, *_sent_content(details, parts)),
        "This repair was sent before with another content. Reload the page and enter it again.",
    )
    if before is not None:
        return before
    if not locked.is_open:
        raise NotPossible(f"{locked} is closed. Reopen it first.")
    if not details.correction.strip():
        raise NotPossible("Say what was done to put it right.")
    if details.result is not None and details.result.run.job_id != locked.pk:
        raise NotPossible("This result is of another job. Open the repair from the job it belongs to.")
    if len(lines) > MOST_PARTS or len(parts) > LONGEST_PARTS:
        raise NotPossible("There are more parts than one repair can list. Record a second repair for the rest.")
    require_room(locked.repairs.all(), REPAIRS, "Repairs on this job")
    repair = Repair.objects.create(
        job=locked,
        result=details.result,
        cause=details.cause,
        proof=details.proof.value,
        correction=details.correction.strip(),
        parts=parts,
        minutes=details.minutes,
        also_found=details.also_found.strip(),
        weak=details.weak[:300],
        who=by,
        at=at,
        client_id=details.client_id,
    )
    repair.also.set(details.also)
    also = {cause.pk for cause in details.also}
    log_on_job(locked.pk, Kind.REPAIR, repair, by=by, at=at, device_at=device_at, also=also, words=repair.weak)
    for line in lines:
        line.repair = repair
        line.save(force_insert=True)
        log_on_job(locked.pk, Kind.PART, line, by=by, at=at)
    return repair


@transaction.atomic
def verify_repair(
    repair: Repair,
    cured: Verification.Cured,
    *,
    how: str,
    by: User,
    at: datetime,
    client_id: UUID,
    again: Answer | None = None,
    device_at: datetime | None = None,
) -> Verification:
    """Say whether the repair cured the complaint, and how that was found out.

    Not cured rules the cause out: the job goes on from everything already recorded. ``again`` is the step that proved
    the cause, done once more: its reading is judged as it was then. ``device_at`` as for :func:`record_repair`.

    Raises:
        NotPossible: the job is closed, it is not said how a cure or its lack was found out, or it is not said why what
            was measured again is right: it is far from what can be expected; or it is called cured, and that fits no
            answer or says the same as before.
        Unreadable: what was measured again cannot be read.
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
    if not locked.is_open:
        raise NotPossible(f"{locked} is closed. Reopen it first.")
    if cured != Verification.Cured.NOT_CHECKED and not how.strip():
        raise NotPossible("Say how it was checked: the conditions of the complaint, repeated.")
    require_room(repair.verifications.all(), CHECKS, "Checks of this repair")
    if again is not None:
        measured = _measured_again(repair, cured, again, by=by, at=at, client_id=client_id)
        log_on_job(locked.pk, Kind.AGAIN, measured, by=by, at=at)
    verification = Verification.objects.create(
        repair=repair, cured=cured, how=how.strip(), who=by, at=at, client_id=client_id
    )
    log_on_job(locked.pk, Kind.VERIFIED, verification, by=by, at=at, device_at=device_at)
    return verification


def proving_step(repair: Repair) -> Step | None:
    """The step that proved the cause of a repair; ``None`` where none did, or its revision has no place for it now."""
    row = repair.result
    if row is None or not row.outcome:
        return None
    flow = flow_of(row.run.revision)
    return flow.step_by_key[row.step] if has_place(flow, row) else None


def _measured_again(
    repair: Repair, cured: Verification.Cured, answer: Answer, *, by: User, at: datetime, client_id: UUID
) -> MeasuredAgain:
    step, before = proving_step(repair), repair.result
    if step is None or before is None or step.key != answer.step:
        raise NotPossible("This is not the step that proved the cause. Reload the page and measure again.")
    row = MeasuredAgain(repair=repair, step=step.key, who=by, at=at, client_id=client_id)
    row.override_why = answer.override_why.strip()[:200]
    if step.reading is not None:
        judgement = put_reading(row, step, answer, values_for(before.run, flow_of(before.run.revision), step))
        row.outcome = judgement.outcome
        if judgement.verdict is Verdict.FAR and not row.override_why:
            raise NotPossible(f"{judgement.words}. If it is right, say how you know.")
    elif answer.outcome in {outcome.key for outcome in step.outcomes}:
        row.outcome = answer.outcome
    else:
        raise NotPossible("Choose one of the answers offered.")
    if cured == Verification.Cured.YES and not row.override_why:
        _require_other_answer(step, row, before)
    row.save(force_insert=True)
    return row


def _require_other_answer(step: Step, row: MeasuredAgain, before: Result) -> None:
    """A cure shows in another answer than before: the one that was given, and the one that its reading gave."""
    if not row.outcome:
        raise NotPossible(
            "As far as its limits are known, no answer fits this reading. Measure again; or say why it is right after "
            "the repair."
        )
    if row.outcome in {before.outcome, before.proposed}:
        raise NotPossible(
            f"Measured again it says the same as before: {step.outcome(row.outcome).label}. It is not cured; or "
            "say why this is right after the repair."
        )


def _locked(job: Job) -> Job:
    return Job.objects.select_for_update(of=("self",)).get(pk=job.pk)


def _stored_content(repair: Repair) -> tuple[object, ...]:
    part = (repair.job_id, repair.cause_id, repair.proof, repair.correction)
    return (*part, repair.parts, repair.minutes, repair.also_found)


def _sent_content(details: RepairDetails, parts: str) -> tuple[object, ...]:
    part = (details.cause.pk, details.proof.value, details.correction.strip())
    return (*part, parts, details.minutes, details.also_found.strip())
