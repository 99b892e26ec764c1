"""The one door for passing a run from one person to another. One person holds a run at any time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, may, require
from shopkb.jobs.bounds import TAKE_OVERS, require_room
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.idempotence import stored_before
from shopkb.jobs.log.event_log import log_row, log_text
from shopkb.jobs.log.hash_chain import Kind
from shopkb.jobs.models import HandOver, Run


@dataclass(frozen=True, slots=True)
class HandOverNote:
    """What the giver says: where it stands, why, what is off or unsafe, what is excluded so far."""

    reason: str
    client_id: UUID
    step: str = ""
    off_vehicle: str = ""
    excluded: str = ""
    note: str = ""


@transaction.atomic
def hand_over(
    run: Run, receiver: User, note: HandOverNote, *, by: User, at: datetime, device_at: datetime | None = None
) -> HandOver:
    """Offer the run to somebody. It changes hands when they accept.

    Raises:
        NotPossible: the job is closed; not the holder's to give, to oneself, to somebody who may not work, without a
            reason, or waiting for an answer already.
    """
    require(by, Right.WORK)
    before = stored_before(
        HandOver.objects.all(),
        note.client_id,
        lambda row: _stored_content(row) == (run.pk, receiver.pk, *_sent_content(note)),
        "This was sent before with another name or other words. Reload the page and hand over again.",
    )
    if before is not None:
        return before
    locked = Run.objects.select_for_update(of=("self",)).select_related("holder", "job").get(pk=run.pk)
    if not locked.job.is_open:
        raise NotPossible(f"{locked.job} is closed; there is nothing left to hand over.")
    if locked.holder_id != by.pk:
        raise NotPossible(f"{locked.holder} is following this procedure; only they can hand it over.")
    if receiver.pk == by.pk:
        raise NotPossible("Choose somebody else: you are following this procedure already.")
    if not may(receiver, Right.WORK):
        raise NotPossible(f"{receiver} may not follow procedures. Choose somebody who may.")
    if not note.reason.strip():
        raise NotPossible("Say why you hand it over; the next person needs to know.")
    waiting = locked.hand_overs.filter(accepted_at__isnull=True).select_related("receiver").first()
    if waiting is not None:
        raise NotPossible(f"It waits for {waiting.receiver} to accept already.")
    offered = HandOver.objects.create(
        run=locked,
        giver=by,
        receiver=receiver,
        step=note.step,
        reason=note.reason.strip(),
        off_vehicle=note.off_vehicle.strip(),
        excluded=note.excluded.strip(),
        note=note.note.strip(),
        at=at,
        client_id=note.client_id,
    )
    log_row(locked.pk, Kind.OFFERED, offered, by=by, at=at, device_at=device_at)
    return offered


@transaction.atomic
def accept(offered: HandOver, *, by: User, at: datetime) -> HandOver:
    """Take what was handed over; from now on this person holds the run.

    Raises:
        NotPossible: it was handed to somebody else.
    """
    require(by, Right.WORK)
    locked = HandOver.objects.select_for_update(of=("self",)).select_related("run", "receiver").get(pk=offered.pk)
    if locked.receiver_id != by.pk:
        raise NotPossible(f"This was handed to {locked.receiver}. Take the run over from its own page instead.")
    if locked.accepted_at is None:
        locked.accepted_at = at
        locked.save(update_fields=["accepted_at"])
        Run.objects.filter(pk=locked.run_id).update(holder=by)  # locks the run, whose chain goes on
        log_text(locked.run_id, Kind.ACCEPTED, "", by=by, at=at, record=locked.pk)
    return locked


@transaction.atomic
def take_over(run: Run, *, by: User, at: datetime, client_id: UUID) -> None:
    """Become the holder without being handed the run: the giver has gone home. Kept in the log as that.

    Raises:
        NotPossible: the job is closed.
    """
    require(by, Right.WORK)
    locked = Run.objects.select_for_update(of=("self",)).select_related("job").get(pk=run.pk)
    if not locked.job.is_open:
        raise NotPossible(f"{locked.job} is closed; there is nothing left to take over.")
    if locked.holder_id == by.pk:
        return
    require_room(locked.hand_overs.filter(receiver=by), TAKE_OVERS, "Times you took this over")
    taken = HandOver.objects.create(
        run=locked,
        giver_id=locked.holder_id,
        receiver=by,
        reason="Taken over without being handed over.",
        at=at,
        accepted_at=at,
        client_id=client_id,
    )
    locked.hand_overs.filter(accepted_at__isnull=True).update(accepted_at=at)
    locked.holder = by
    locked.save(update_fields=["holder"])
    log_row(locked.pk, Kind.TAKEN_OVER, taken, by=by, at=at)


def _stored_content(row: HandOver) -> tuple[object, ...]:
    return (row.run_id, row.receiver_id, row.reason, row.off_vehicle, row.excluded, row.note)


def _sent_content(note: HandOverNote) -> tuple[str, ...]:
    return tuple(words.strip() for words in (note.reason, note.off_vehicle, note.excluded, note.note))
