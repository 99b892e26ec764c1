"""The one door for asking the writers for a procedure, and for saying what became of it."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Symptom
from shopkb.procedures.models import ProcedureRequest
from shopkb.procedures.publishing import ActionRefused

LONGEST, LONGEST_ANSWER = 300, 200
MOST_OPEN = 200
"""Open requests of one person; more say nothing new."""


@transaction.atomic
def ask_for_procedure(
    words: str, symptom: Symptom | None, *, by: User, at: datetime, client_id: UUID
) -> ProcedureRequest:
    """Store the request. The same client id, or the same words while they are open, is one request.

    Raises:
        ActionRefused: nothing was said, too much was said, or this person has too many open requests.
    """
    require(by, Right.WORK)
    said = " ".join(words.split())
    if not said:
        raise ActionRefused("Say what the procedure should be for, in the customer's words.")
    if len(said) > LONGEST:
        raise ActionRefused(f"These are {len(said)} characters. Say it in at most {LONGEST}.")
    mine = ProcedureRequest.objects.filter(who=by, settled_at__isnull=True)
    before = (
        ProcedureRequest.objects.filter(client_id=client_id).first() or mine.filter(words=said, symptom=symptom).first()
    )
    if before is not None:
        return before
    if mine.count() >= MOST_OPEN:
        raise ActionRefused(f"You have {MOST_OPEN} open requests. Wait until some are settled.")
    return ProcedureRequest.objects.create(words=said, symptom=symptom, who=by, at=at, client_id=client_id)


@transaction.atomic
def settle(request: ProcedureRequest, what: str, *, by: User, at: datetime) -> None:
    """Say what became of a request: which procedure was written, or why none is.

    Raises:
        ActionRefused: it is settled already, or it is not said how.
    """
    require(by, Right.WRITE)
    locked = ProcedureRequest.objects.select_for_update().get(pk=request.pk)
    if locked.settled_at is not None:
        raise ActionRefused("This request is settled already. Reload the page.")
    became = what.strip()
    if not became or len(became) > LONGEST_ANSWER:
        raise ActionRefused(
            f"Say what became of it, in at most {LONGEST_ANSWER} characters: the new procedure, or why there is none."
        )
    locked.settled, locked.settled_by, locked.settled_at = became, by, at
    locked.save(update_fields=["settled", "settled_by", "settled_at"])
