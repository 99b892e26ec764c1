"""The list of jobs, taking one in, and the job's own page."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.core.paginator import Page, Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Caution, Symptom
from shopkb.core.identifiers import check_vin
from shopkb.jobs.actions import intake
from shopkb.jobs.actions.closing import in_vain
from shopkb.jobs.actions.intake import IntakeDoubted
from shopkb.jobs.closed_jobs import latest_verification
from shopkb.jobs.dangers import by_signal
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.forms.findings import settlings
from shopkb.jobs.forms.intake import IntakeForm
from shopkb.jobs.forms.leaving import CloseForm
from shopkb.jobs.models import HandOver, Job, JobQuerySet, Repair, Run, Vehicle, Verification
from shopkb.jobs.offline_pack import addresses
from shopkb.jobs.proofs import weighed
from shopkb.jobs.readings import shows_vehicle
from shopkb.jobs.reasoning import reason
from shopkb.jobs.run_state import RunState, run_states_of
from shopkb.jobs.vehicle_history import known_vehicle, left_on
from shopkb.jobs.vehicle_state import off_on
from shopkb.jobs.views.carried_out import CarriedOut, carried_out, in_order
from shopkb.jobs.views.going_on import after_failure, after_repair, go_on
from shopkb.jobs.views.job_filters import JobFilters
from shopkb.jobs.views.run_texts import late_entries
from shopkb.procedures.matching import lacks_kind, search
from shopkb.procedures.models import Procedure
from shopkb.procedures.views.nothing_fits import nothing_fits
from shopkb.web.htmx import render_page_or_part
from shopkb.web.numbers import row_number
from shopkb.web.shown_refusals import shown_as_message, shown_on

PAGE = 30
MOST_ENDS = 4


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
                form.ask_whether_right(str(doubted), doubted.digest)
    context = {
        "form": form, "procedure": procedure, "section": "jobs", **_known_context(_asked_of(form)),
        "pack": office_pack(timezone.now()),
    }  # fmt: skip
    return render(request, "jobs/new.html", context, status=422 if form.errors else 200)


def office_pack(at: datetime) -> list[str]:
    """Addresses that a device keeps so that a vehicle can be booked in, and a procedure begun, without the network."""
    pages = [reverse(f"jobs:{name}") for name in ("locked", "outbox", "new", "known-vehicles", "begin")]
    return [*pages, *(reverse("jobs:pack", args=[key, number]) for key, number in addresses(at))]


@require_safe
def known(request: SignedInRequest) -> HttpResponse:
    """What is known of the vehicle being booked in, for the page that books it in. Eight queries at most."""
    require(request.user, Right.WORK)
    context = _known_context(request.GET)
    shows_vehicle(request, context["known"].vehicle.pk if context["known"] else None)
    return render(request, "jobs/_known.html", context)


def _asked_of(form: IntakeForm) -> Mapping[str, object]:
    return {name: form[name].value() or "" for name in ("registration", "vin", "symptom", "comeback_of")}


def _known_context(asked: Mapping[str, object]) -> dict[str, Any]:
    registration, vin, symptom, chosen = (
        str(asked.get(name, ""))[:40] for name in ("registration", "vin", "symptom", "comeback_of")
    )
    number = row_number(symptom)
    row = Symptom.objects.select_related("system").filter(pk=number).first() if number is not None else None
    found = known_vehicle(registration, check_vin(vin).vin if vin else "", at=timezone.now(), symptom=row)
    choices = found.choices(chosen) if found is not None else ()
    if chosen not in {str(each.job.pk) for each in choices}:
        chosen = ""  # another vehicle's job
    left = left_on(found.vehicle) if found is not None else []
    return {"known": found, "choices": choices, "chosen": chosen, "left": left}


@require_safe
def job_page(request: SignedInRequest, pk: int) -> HttpResponse:
    """Everything of one job, and what can be done next."""
    job = get_object_or_404(Job.objects.for_list().select_related("closed_by", "comeback_of"), pk=pk)
    return render(request, "jobs/job.html", job_context(job))


def job_context(job: Job, close_form: CloseForm | None = None) -> dict[str, object]:
    """What the job's page shows."""
    states = run_states_of(job)
    runs = [state.run for state in states]
    followed = {run.revision.procedure_id for run in runs if run.state != Run.State.STOPPED}
    repairs = list(
        job.repairs.select_related("cause__component", "who", "result")
        .prefetch_related("verifications", "also", "part_lines", "measured_again", "settles").order_by("pk")
    )  # fmt: skip
    off = off_on(job) if job.is_open else []
    last = repairs[-1] if repairs else None
    repaired = after_repair(job, last, runs)
    cured = repaired is not None and repaired.cured
    reasoning = reason(job, states, at=timezone.now()) if job.is_open and not cured else None
    ends = weighed(states, reasoning, in_vain(repairs)) if job.is_open and not cured else []
    return {
        "job": job,
        "vin": check_vin(job.vin) if job.vin else None,
        "runs": runs,
        "cautions": _cautions(job) if job.is_open and not runs else [],
        "ends": [end for end in ends if end.repaired is None][:MOST_ENDS],
        "repairs": [carried_out(repair, states) for repair in repairs],
        "in_vain": _failed(states, repairs) if job.is_open else [],
        "client_id": uuid.uuid4(),
        "close_form": close_form
        or CloseForm(
            off=off,
            findings=settlings(job, job.open_findings) if job.is_open else (),
            initial={"disposition": _only_disposition(repairs)},
        ),
        "photos": list(job.photos.all()),
        "late": late_entries(job) if job.is_open else [],
        "waiting": list(
            HandOver.objects.filter(run__job=job, accepted_at__isnull=True).select_related("giver", "receiver")
        ),
        "comebacks": list(job.comebacks.all()),
        "repaired_then": _repaired_then(job),
        "left": left_on(job.vehicle) if job.comeback_of_id and job.is_open else [],
        "reasoning": reasoning,
        "repaired": repaired,
        "go_on": repaired or after_failure(job, last) or (go_on(job, states, reasoning, ends) if reasoning else None),
        "section": "jobs",
        **(_offers(job, followed) if job.is_open else {}),
    }


def _repaired_then(job: Job) -> list[CarriedOut]:
    """What the job that this one came back from put right, with what proved it then: what was called cured first, other
    faults last. No query where it is no comeback."""
    if job.comeback_of_id is None:
        return []
    rows = (
        Repair.objects.filter(job=job.comeback_of_id).select_related("cause__component", "who", "result")
        .prefetch_related("verifications", "part_lines", "measured_again", "settles").order_by("pk")
    )  # fmt: skip
    earlier = Job.objects.select_related("vehicle", "platform", "symptom").get(pk=job.comeback_of_id)
    states = run_states_of(earlier)
    told = in_order([carried_out(repair, states) for repair in rows])
    return [*told["proved"], *told["failed"], *told["beside"]]


def _failed(states: Sequence[RunState], repairs: Sequence[Repair]) -> list[CarriedOut]:
    """Repairs that did not cure; none once another one did."""
    if _only_disposition(repairs):
        return []
    return [carried_out(repair, states) for repair in in_vain(repairs) if not repair.settles.all()]


def _offers(job: Job, followed: set[int]) -> dict[str, object]:
    """Procedures that fit the complaint, but for those followed already; and what to do where none does."""
    words = f"{job.complaint} {job.circumstances}"
    symptom = job.symptom.key if job.symptom else ""
    found = search(words=words, symptom=symptom, codes=job.codes, platform=job.platform.path, limit=8)
    others = [offer for offer in found.offers if offer.procedure.pk not in followed]
    return {
        "offers": [offer for offer in others if offer.close],
        "distant": [offer for offer in others if not offer.close],
        "lacks_kind": lacks_kind(job.platform.path),
        "words": job.complaint,
        "symptom": symptom,
        **nothing_fits(found, asked=True),
    }


def _cautions(job: Job) -> list[Caution]:
    """What to beware of on the system that the complaint is about, before any procedure says so. Two queries."""
    if job.symptom is None or job.symptom.system is None:
        return []
    own_and_above = job.symptom.system.get_ancestors(include_self=True).values_list("hazards", flat=True)
    hazards = {hazard for row in own_and_above for hazard in row}
    rows = Caution.objects.all() if hazards else Caution.objects.none()
    return by_signal(row for row in rows if hazards.intersection(row.hazards))


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


def _only_disposition(repairs: Sequence[Repair]) -> str:
    """Cured, where a repair is verified as the cure: nothing else can be chosen then. Anything else is for people.
    Putting another fault right cures no complaint."""
    latest = [latest_verification(repair) for repair in repairs if not repair.settles.all()]
    cured = any(row is not None and row.cured == Verification.Cured.YES for row in latest)
    return Job.Disposition.CURED if cured else ""


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
