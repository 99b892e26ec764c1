"""Findings beside the way: noting one by hand, and saying what became of one."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.jobs.actions import noting
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.forms.findings import FindingForm, SettleForm
from shopkb.jobs.models import Finding, Job
from shopkb.procedures.matching import search
from shopkb.web.numbers import row_number
from shopkb.web.shown_refusals import shown_on

MOST_OFFERS = 4


@require_http_methods(["GET", "POST"])
def note(request: SignedInRequest, pk: int) -> HttpResponse:
    """Keep a fault that was met beside the way. ``?run=``: the procedure that is gone on with after it."""
    require(request.user, Right.WORK)
    job = get_object_or_404(Job.objects.for_list(), pk=pk)
    form = FindingForm(request.POST or None)
    run = job.runs.filter(pk=row_number(request.GET.get("run", "")) or 0).first()
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        with shown_on(form, NotPossible):
            kept = noting.note_finding(
                job, data["words"], by=request.user, at=timezone.now(), client_id=data["client_id"]
            )  # fmt: skip
            messages.success(request, f"Kept with the job: {kept.words}")
            return redirect("jobs:run", run.pk) if run else redirect("jobs:job", pk)
    context = {"form": form, "job": job, "section": "jobs"}
    return render(request, "jobs/finding_new.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def finding(request: SignedInRequest, pk: int) -> HttpResponse:
    """One finding: follow it by a procedure, record its repair, or say what else became of it."""
    require(request.user, Right.WORK)
    row = get_object_or_404(Finding.objects.with_settlements().select_related("job__vehicle", "job__platform"), pk=pk)
    form = SettleForm(request.POST or None, finding=row)
    if request.method == "POST" and form.is_valid():
        with shown_on(form, NotPossible):
            said = form.said()
            noting.settle_finding(
                row, said.how, by=request.user, at=timezone.now(), client_id=form.cleaned_data["client_id"],
                words=said.words, run=said.run, repair=said.repair,
            )  # fmt: skip
            return redirect("jobs:job", row.job_id)
    fits = search(words=row.words, platform=row.job.platform.path, limit=MOST_OFFERS)
    context = {
        "form": form, "finding": row, "job": row.job, "offers": [offer for offer in fits.offers if offer.close],
        "client_id": uuid.uuid4(), "section": "jobs",
    }  # fmt: skip
    return render(request, "jobs/finding.html", context, status=422 if form.errors else 200)
