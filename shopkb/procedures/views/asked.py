"""Requests for procedures that nobody has written yet."""

from __future__ import annotations

from uuid import UUID, uuid4

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Symptom
from shopkb.procedures.models import ProcedureRequest
from shopkb.procedures.publishing import ActionRefused
from shopkb.procedures.requests import ask_for_procedure, settle
from shopkb.web.numbers import row_number
from shopkb.web.shown_refusals import shown_as_message

SETTLED_SHOWN = 50


@require_POST
def ask(request: SignedInRequest) -> HttpResponse:
    """Ask the writers for a procedure, from the search or from a job."""
    require(request.user, Right.WORK)
    symptom = Symptom.objects.filter(key=request.POST.get("symptom", "")).first()
    with shown_as_message(request, ActionRefused):
        ask_for_procedure(
            request.POST.get("words", ""),
            symptom,
            by=request.user,
            at=timezone.now(),
            client_id=_client_id(request.POST.get("client_id", "")),
        )
        messages.success(request, "The writers have your request. Go on without a procedure meanwhile.")
    job = row_number(request.POST.get("job", ""))
    return redirect("jobs:job", job) if job is not None else redirect("procedures:list")


@require_safe
def asked(request: SignedInRequest) -> HttpResponse:
    """All open requests, the newest first, and those settled last. Two queries."""
    rows = ProcedureRequest.objects.select_related("symptom", "who", "settled_by")
    context = {
        "open": list(rows.filter(settled_at__isnull=True)),
        "settled": list(rows.filter(settled_at__isnull=False).order_by("-settled_at")[:SETTLED_SHOWN]),
        "section": "procedures",
    }
    return render(request, "procedures/asked.html", context)


@require_POST
def settle_request(request: SignedInRequest, pk: int) -> HttpResponse:
    """Say what became of a request."""
    require(request.user, Right.WRITE)
    row = get_object_or_404(ProcedureRequest, pk=pk)
    with shown_as_message(request, ActionRefused):
        settle(row, request.POST.get("settled", ""), by=request.user, at=timezone.now())
    return redirect("procedures:asked")


def _client_id(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        return uuid4()
