"""Door for confirming the state of things that a DANGER asks for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import transaction

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Caution
from shopkb.catalog.wordings import wordings_of
from shopkb.jobs.actions.following import lock_run, require_may_go_on
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.idempotence import stored_before
from shopkb.jobs.log.event_log import log_row
from shopkb.jobs.log.hash_chain import Kind
from shopkb.jobs.models import DangerPassed, Run
from shopkb.jobs.shown_words import read_stamp, shown
from shopkb.procedures.storing import flow_of

LONGEST_SHOWN = 86_400
"""Seconds; the time a danger was shown is stored as a day at most."""


@dataclass(frozen=True, slots=True)
class DangerConfirmation:
    """What was confirmed, and how long it was on the screen."""

    step: str
    caution: str
    shown_seconds: int
    client_id: UUID
    shown: str = ""
    """The caution as it was worded on the screen (:mod:`shopkb.jobs.shown_words`)."""


@transaction.atomic
def pass_danger(run: Run, confirmation: DangerConfirmation, *, by: User, at: datetime) -> DangerPassed:
    """Keep that the holder of an open run confirmed a DANGER of one of its steps. The same client id twice is one.

    Raises:
        PermissionDenied: this person may not work on jobs.
        NotPossible: somebody else holds the run, its job is closed, it has no such step, or the step no such DANGER.
    """
    require(by, Right.WORK)
    before = stored_before(DangerPassed.objects.all(), confirmation.client_id)
    if before is not None:
        return before
    locked = lock_run(run)
    require_may_go_on(locked, by)
    caution = _danger_of(locked, confirmation)
    words = shown([caution], confirmation.shown)
    passed = DangerPassed.objects.create(
        run=locked,
        step=confirmation.step,
        caution=caution.key,
        statement=_statement(caution, number := read_stamp(words).get(caution.key, 0)),
        wording=number,
        shown_seconds=min(max(0, confirmation.shown_seconds), LONGEST_SHOWN),
        who=by,
        at=at,
        client_id=confirmation.client_id,
    )
    log_row(locked.pk, Kind.DANGER, passed, by=by, at=at, words=words)
    return passed


def _statement(caution: Caution, number: int) -> str:
    """What was confirmed, in the words that were shown."""
    earlier = wordings_of([(caution.key, number)]).get((caution.key, number)) if number != caution.wording else None
    facts = earlier.facts if earlier is not None else {"ask": caution.ask, "title": caution.title}
    return str(facts["ask"] or facts["title"])


def _danger_of(run: Run, confirmation: DangerConfirmation) -> Caution:
    step = flow_of(run.revision).step_by_key.get(confirmation.step)
    if step is None:
        raise NotPossible(f"This procedure has no step called {confirmation.step[:60]!r}.")
    listed = Caution.objects.filter(key=confirmation.caution, signal=Caution.Signal.DANGER)
    caution = listed.first() if confirmation.caution in step.cautions else None
    if caution is None:
        raise NotPossible("This step has no such danger any more. Open the step again.")
    return caution
