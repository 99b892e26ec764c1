"""Undoing the answer that was just given."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_POST

from shopkb.accounts.models import User
from shopkb.accounts.requests import SignedInRequest
from shopkb.jobs.actions import following
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.models import Result
from shopkb.jobs.run_state import RunState
from shopkb.jobs.views.run_texts import client_id_of
from shopkb.web.shown_refusals import shown_as_message

UNDO_SECONDS = 10
"""How long the page offers to undo the answer that was just given."""


@require_POST
def undo(request: SignedInRequest, pk: int, result: int) -> HttpResponse:
    """Take the last answer back."""
    result_row = get_object_or_404(Result.objects.select_related("run"), pk=result, run_id=pk)
    with shown_as_message(request, NotPossible):
        following.retract(result_row, by=request.user, at=timezone.now(), client_id=client_id_of(request))
    return redirect("jobs:run", pk)


def undo_offer(run_state: RunState, by: User, now: datetime) -> Result | None:
    """The last answer while undoing it is offered: one's own, on an open job, and stored within the last ten seconds.

    Only the offer ends. Going back to the step and answering it anew does the same without any haste (WCAG 2.2, 2.2.1),
    and an undo that was pressed in time but arrives late is still taken.
    """
    last = run_state.rows[-1] if run_state.rows else None
    if last is None or last.who_id != by.pk or not run_state.run.job.is_open:
        return None
    return last if now - last.at < timedelta(seconds=UNDO_SECONDS) else None
