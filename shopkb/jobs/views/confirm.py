"""Confirming a DANGER before its step, and confirming that parts are back in place."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_POST

from shopkb.accounts.requests import SignedInRequest
from shopkb.jobs import vehicle_state
from shopkb.jobs.actions.confirming import DangerConfirmation
from shopkb.jobs.actions.confirming import pass_danger as confirm_danger
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.models import Run
from shopkb.jobs.views.run_texts import client_id_of
from shopkb.web.shown_refusals import shown_as_message


@require_POST
def pass_danger(request: SignedInRequest, pk: int, step: str) -> HttpResponse:
    """Keep that the state of things a DANGER asks for was confirmed."""
    run = get_object_or_404(Run, pk=pk)
    shown_at = request.POST.get("shown_at", "")
    now = timezone.now()
    since = now.timestamp() - int(shown_at) if shown_at.isdecimal() and len(shown_at) < 12 else 0
    seconds = max(0, round(since))
    confirmation = DangerConfirmation(
        step, request.POST.get("caution", "")[:60], seconds, client_id_of(request), request.POST.get("shown", "")
    )
    with shown_as_message(request, NotPossible):
        confirm_danger(run, confirmation, by=request.user, at=now)
    return redirect("jobs:step", pk, step)


@require_POST
def put_back(request: SignedInRequest, pk: int) -> HttpResponse:
    """Confirm by name what is back in its place."""
    run = get_object_or_404(Run, pk=pk)
    with shown_as_message(request, NotPossible):
        vehicle_state.confirm_back(run, request.POST.getlist("part"), by=request.user, at=timezone.now())
    return redirect("jobs:job", run.job_id) if request.POST.get("then") == "job" else redirect("jobs:run", pk)
