"""The list of jobs, taking one in, and the job's own page."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any

from django.contrib import messages
from django.core.paginator import Page, Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Symptom
from shopkb.core.identifiers import check_vin
from shopkb.jobs.actions import closing, intake
from shopkb.jobs.actions.intake import IntakeDoubted, normal_registration
from shopkb.jobs.closed_jobs import latest_verification
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.forms import CloseForm, IntakeForm
from shopkb.jobs.models import HandOver, Job, JobQuerySet, Repair, Run, Vehicle, Verification
from shopkb.jobs.reasoning import reason_about
from shopkb.jobs.vehicle_history import known_vehicle
from shopkb.jobs.vehicle_state import off_on
from shopkb.jobs.views.job_filters import JobFilters
from shopkb.procedures.matching import Offer, offers
from shopkb.procedures.models import Procedure
from shopkb.web.htmx import render_page_or_part
from shopkb.web.numbers import row_number
from shopkb.web.shown_refusals import shown_as_message, shown_on

PAGE = 30


@require_safe
def job_list(request: SignedInRequest) -> HttpResponse:
    """Open jobs first to hand; closed ones by filter; search by registration, VIN, number or complaint."""
    words = request.GET.get("words", "").strip()[:100]
    state = request.GET.get("state", "open")
    jobs = Job.objects.for_list()
    if state in Job.State.values:
        jobs = jobs.filter(state=state)
    if words:
        jobs = jobs.holding(words)
    filters = JobFilters.of(request)
    found: JobQuerySet | list[int] = jobs
    if filters.active:  # found once: to count them and to find a page of them costs the same
        found = list(filters.apply(jobs).values_list("pk", flat=True))
    page: Page[Any] = Paginator(found, PAGE).get_page(request.GET.get("page"))
    if filters.active:
        page.object_list = Job.objects.for_list().filter(pk__in=list(page.object_list))
    context = {"page": page, "words": words, "state": state, "section": "jobs", "filters": filters}
    return render_page_or_part(request, "jobs/list.html", "jobs/_rows.html", context)


@require_http_methods(["GET", "POST"])
def new_job(request: SignedInRequest) -> HttpResponse:
    """Book a vehicle in. ``?comeback_of=`` links it to the job that did not last, ``?vehicle=`` is a known one,
    ``?procedure=`` comes from one, ``?words=`` are the complaint so far."""
    require(request.user, Right.WORK)
    procedure = Procedure.objects.filter(key=request.GET.get("procedure", "")).first()
    form = IntakeForm(request.POST or None, initial=_initial(request, procedure))
    if request.method == "POST" and form.is_valid():
        with shown_on(form, NotPossible):
            try:
                job = intake.open_job(form.intake(), by=request.user, at=timezone.now())
                return redirect("jobs:job", job.pk)
            except IntakeDoubted as doubted:
                form.ask_whether_right(str(doubted))
    context = {"form": form, "procedure": procedure, "section": "jobs", **_known_context(_asked_of(form))}
    return render(request, "jobs/new.html", context, status=422 if form.errors else 200)


@require_safe
def known(request: SignedInRequest) -> HttpResponse:
    """What is known of the vehicle being booked in, for the page that books it in. Six queries at most."""
    require(request.user, Right.WORK)
    return render(request, "jobs/_known.html", _known_context(request.GET))


def _asked_of(form: IntakeForm) -> Mapping[str, object]:
    return {name: form[name].value() or "" for name in ("registration", "vin", "symptom", "comeback_of")}


def _known_context(asked: Mapping[str, object]) -> dict[str, object]:
    registration, vin, symptom, chosen = (
        str(asked.get(name, ""))[:40] for name in ("registration", "vin", "symptom", "comeback_of")
    )
    number = row_number(symptom)
    row = Symptom.objects.select_related("system").filter(pk=number).first() if number is not None else None
    found = known_vehicle(
        normal_registration(registration), check_vin(vin).vin if vin else "", at=timezone.now(), symptom=row
    )
    return {"known": found, "chosen": chosen}


@require_safe
def job_page(request: SignedInRequest, pk: int) -> HttpResponse:
    """Everything of one job, and what can be done next."""
    job = get_object_or_404(Job.objects.for_list().select_related("closed_by", "comeback_of"), pk=pk)
    return render(request, "jobs/job.html", job_context(job))


def job_context(job: Job, close_form: CloseForm | None = None) -> dict[str, object]:
    """What the job's page shows."""
    runs = list(job.runs.select_related("revision__procedure", "holder").order_by("pk"))
    followed = {run.revision.procedure_id for run in runs if run.state == Run.State.UNDER_WAY}
    repairs = list(
        job.repairs.select_related("cause__component", "who").prefetch_related("verifications", "also").order_by("pk")
    )
    off = off_on(job) if job.is_open else []
    return {
        "job": job,
        "vin": check_vin(job.vin) if job.vin else None,
        "runs": runs,
        "offers": _offers(job, followed) if job.is_open else [],
        "ends": closing.causes_named(job)[:4] if job.is_open else [],
        "repairs": [(repair, latest_verification(repair)) for repair in repairs],
        "client_id": uuid.uuid4(),
        "close_form": close_form or CloseForm(off=off, initial={"disposition": _likely_disposition(job, repairs)}),
        "photos": list(job.photos.all()),
        "waiting": list(
            HandOver.objects.filter(run__job=job, accepted_at__isnull=True).select_related("giver", "receiver")
        ),
        "comebacks": list(job.comebacks.all()),
        "reasoning": reason_about(job, at=timezone.now()) if job.is_open and runs else None,
        "section": "jobs",
    }


def _offers(job: Job, followed: set[int]) -> list[Offer]:
    """Procedures that fit the complaint, but for those being followed now."""
    found = offers(
        words=f"{job.complaint} {job.circumstances}",
        symptom=job.symptom.key if job.symptom else "",
        codes=job.codes,
        platform=job.platform.path,
        limit=8,
    )
    return [offer for offer in found if offer.procedure.pk not in followed]


@require_POST
def note_complaint(request: SignedInRequest, pk: int) -> HttpResponse:
    """Store whether the complaint could be reproduced."""
    job = get_object_or_404(Job, pk=pk)
    verified = request.POST.get("complaint_verified", "")
    if verified not in Job.Verified.values:
        messages.error(request, "Choose whether the complaint was there when it was tried.")
        return redirect("jobs:job", pk)
    with shown_as_message(request, NotPossible):
        intake.note_complaint(job, Job.Verified(verified), by=request.user)
    return redirect("jobs:job", pk)


@require_POST
def not_a_comeback(request: SignedInRequest, pk: int) -> HttpResponse:
    """Take back that a job is a comeback."""
    job = get_object_or_404(Job, pk=pk)
    with shown_as_message(request, NotPossible):
        intake.not_a_comeback(job, by=request.user, at=timezone.now())
    return redirect("jobs:job", pk)


def _likely_disposition(job: Job, repairs: list[Repair]) -> str:
    if not repairs:
        return Job.Disposition.NOT_PRESENT if job.complaint_verified == Job.Verified.NO else ""
    latest = [latest_verification(repair) for repair in repairs]
    cured = any(row is not None and row.cured == Verification.Cured.YES for row in latest)
    return Job.Disposition.CURED if cured else Job.Disposition.NOT_CHECKED


def _earlier(request: SignedInRequest) -> Job | None:
    number = row_number(request.GET.get("comeback_of", ""))
    return get_object_or_404(Job.objects.for_list(), pk=number) if number is not None else None


def _initial(request: SignedInRequest, procedure: Procedure | None) -> dict[str, object]:
    """What is known before anything is typed: an earlier job's vehicle and complaint, a vehicle, or the complaint."""
    if earlier := _earlier(request):
        return {
            **_of_vehicle(earlier.vehicle),
            "complaint": earlier.complaint,
            "symptom": earlier.symptom_id,
            "comeback_of": earlier.pk,
        }
    initial: dict[str, object] = {"complaint": request.GET.get("words", "").strip()[:2000]}
    number = row_number(request.GET.get("vehicle", ""))
    if vehicle := Vehicle.objects.filter(pk=number).first() if number is not None else None:
        initial |= _of_vehicle(vehicle)
    if procedure:
        initial["symptom"] = procedure.symptoms.first()
    return initial


def _of_vehicle(vehicle: Vehicle) -> dict[str, object]:
    return {
        "registration": vehicle.registration,
        "vin": vehicle.vin,
        "year": vehicle.year,
        "platform": vehicle.platform_id,
    }
