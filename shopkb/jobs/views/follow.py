"""Following a procedure at the vehicle: one step, one screen."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Meter
from shopkb.core.flow.model import GoKind
from shopkb.jobs.actions import following
from shopkb.jobs.answering import Answer
from shopkb.jobs.errors import NotNow, NotPossible, OtherBody
from shopkb.jobs.forms import LeaveForm, SkipForm
from shopkb.jobs.models import Job, Run
from shopkb.jobs.reasoning import reason_about
from shopkb.jobs.vehicle_state import confirm_back, off_in
from shopkb.jobs.views.run_state import (
    Place,
    answer_words,
    cause_words,
    client_id_of,
    late_ones,
    leads_to,
    place_of,
)
from shopkb.jobs.views.step import render_step
from shopkb.jobs.views.typed_reading import METER, chosen_meter
from shopkb.jobs.views.undo import UNDO_SECONDS, undo_offer
from shopkb.procedures.models import Procedure
from shopkb.web.numbers import row_number

RECEIPT = "application/json"
"""What the script of a step accepts."""


@require_POST
def start(request: HttpRequest, pk: int, procedure: str) -> HttpResponse:
    """Begin following a procedure on this job."""
    job = get_object_or_404(Job, pk=pk)
    chosen = get_object_or_404(Procedure, key=procedure)
    number = row_number(request.POST.get("came_from", ""))
    came_from = job.runs.filter(pk=number).first() if number else None
    try:
        run = following.start_run(
            job, chosen, by=request.user, at=timezone.now(), client_id=client_id_of(request), came_from=came_from
        )
    except NotPossible as error:
        messages.error(request, str(error))
        return redirect("jobs:job", pk)
    return redirect("jobs:run", run.pk)


@require_safe
def run_page(request: HttpRequest, pk: int) -> HttpResponse:
    """The step to do now, or the end that was reached."""
    place = place_of(pk)
    if place.way.current and place.run.state == Run.State.UNDER_WAY:
        return render_step(request, place, place.flow.step_by_key[place.way.current])
    return render(request, "jobs/end.html", _end_context(place, request.user))


@require_safe
def more(request: HttpRequest, pk: int) -> HttpResponse:
    """What else can be done in the middle of a run."""
    place = place_of(pk)
    context = {
        "run": place.run,
        "job": place.run.job,
        "flow": place.flow,
        "last": place.rows[-1] if place.rows else None,
        "path": place.answers(),
        "late": late_ones(place.run.job),
    }
    return render(request, "jobs/more.html", context)


@require_safe
def step_page(request: HttpRequest, pk: int, step: str) -> HttpResponse:
    """A step on the way taken, to look at or answer again; or another step of the procedure, done out of order."""
    place = place_of(pk)
    if step not in place.flow.step_by_key:
        raise Http404
    return render_step(request, place, place.flow.step_by_key[step])


@require_http_methods(["GET", "POST"])
def answer(request: HttpRequest, pk: int, step: str) -> HttpResponse:
    """Store one answer; a refusal shows the step again with everything that was typed.

    The page's script asks for a receipt: where to go on, or why it was refused.
    """
    if request.method == "GET":  # the address of a refused answer, loaded again
        return redirect("jobs:step", pk, step)
    require(request.user, Right.WORK)
    place = place_of(pk)
    if step not in place.flow.step_by_key:
        raise Http404
    given = Answer(
        step=step,
        client_id=client_id_of(request),
        outcome=request.POST.get("outcome", ""),
        typed=request.POST.get("typed", "")[:60],
        unit=request.POST.get("unit", ""),
        meter=chosen_meter(request),
        override_why=request.POST.get("override_why", ""),
        note=request.POST.get("note", "")[:2000],
        off_path=request.POST.get("off_path") == "yes",
    )
    by_script = request.headers.get("Accept") == RECEIPT
    try:
        following.record(place.run, given, by=request.user, at=timezone.now())
    except (NotNow, OtherBody) as error:
        messages.warning(request, str(error))
    except NotPossible as error:
        if by_script:
            return JsonResponse({"refused": str(error)})
        return render_step(request, place, place.flow.step_by_key[step], refused=str(error), given=given, status=422)
    onward = reverse("jobs:run", args=[pk])
    return JsonResponse({"to": onward}) if by_script else redirect(onward)


@require_http_methods(["GET", "POST"])
def skip(request: HttpRequest, pk: int, step: str) -> HttpResponse:
    """Leave a step out for an honest reason."""
    require(request.user, Right.WORK)
    place = place_of(pk)
    if step not in place.flow.step_by_key:
        raise Http404
    here = place.flow.step_by_key[step]
    outcomes = [(outcome.key, f"{outcome.label}: {leads_to(place.flow, outcome)}") for outcome in here.outcomes]
    form = SkipForm(request.POST or None, outcomes=outcomes)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        given = Answer(step, data["client_id"], skipped=data["skipped"], onward=data["onward"], note=data["note"])
        try:
            following.record(place.run, given, by=request.user, at=timezone.now())
        except NotPossible as error:
            form.add_error(None, str(error))
        else:
            return redirect("jobs:run", pk)
    context = {"form": form, "run": place.run, "job": place.run.job, "step": here}
    return render(request, "jobs/skip.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def value(request: HttpRequest, pk: int, key: str) -> HttpResponse:
    """Store a value that is asked once a run."""
    if request.method == "GET":
        return redirect("jobs:run", pk)
    place = place_of(pk)
    step = place.flow.step_by_key.get(request.POST.get("step", ""))
    try:
        following.record_value(
            place.run,
            key,
            request.POST.get("typed", "")[:60],
            by=request.user,
            at=timezone.now(),
            client_id=client_id_of(request),
        )
    except NotPossible as error:
        if step is None:
            messages.error(request, str(error))
            return redirect("jobs:run", pk)
        return render_step(request, place, step, refused=str(error), refused_value=key, status=422)
    return redirect("jobs:step", pk, step.key) if step else redirect("jobs:run", pk)


@require_POST
def choose_meter(request: HttpRequest, pk: int) -> HttpResponse:
    """The meter for today; it stays chosen until another is."""
    meter = Meter.objects.filter(key=request.POST.get("meter", "")).first()
    if meter:
        request.session[METER] = meter.key
    else:
        request.session.pop(METER, None)
    step = request.POST.get("step", "")
    return redirect("jobs:step", pk, step) if step in place_of(pk).flow.step_by_key else redirect("jobs:run", pk)


@require_http_methods(["GET", "POST"])
def stop(request: HttpRequest, pk: int) -> HttpResponse:
    """Leave the procedure before its end; what is off the vehicle is asked for by name."""
    require(request.user, Right.WORK)
    place = place_of(pk)
    run = place.run
    off = off_in(run, place.flow, list(run.results.all()), run.put_back.all()) if run.job.is_open else []
    form = LeaveForm(request.POST or None, off=off)
    if request.method == "POST" and form.is_valid():
        try:
            _leave(run, form.cleaned_data, by=request.user)
        except NotPossible as error:
            form.add_error(None, str(error))
        else:
            return redirect("jobs:job", run.job_id)
    context = {"form": form, "run": run, "job": run.job, "flow": place.flow}
    return render(request, "jobs/leave.html", context, status=422 if form.errors else 200)


@transaction.atomic
def _leave(run: Run, data: dict[str, Any], *, by: User) -> None:
    now = timezone.now()
    following.stop_run(run, by=by, at=now, why=data["why"])
    if data.get("back"):
        confirm_back(run, data["back"], by=by, at=now)


@require_POST
def move(request: HttpRequest, pk: int) -> HttpResponse:
    """Go on with the newest published revision."""
    try:
        newest = following.move_to_newest(get_object_or_404(Run, pk=pk), by=request.user)
    except NotPossible as error:
        messages.error(request, str(error))
    else:
        messages.success(request, f"Moved to revision {newest.number}; every result it still has a place for is kept.")
    return redirect("jobs:run", pk)


def _end_context(place: Place, by: User) -> dict[str, object]:
    end = place.way.end
    flow = place.flow
    cause = flow.cause_by_key.get(end.go.key) if end and end.go.kind is GoKind.CAUSE else None
    handed = None
    if end and end.go.kind is GoKind.HAND_OVER:
        handed = Procedure.objects.filter(key=end.go.key).first()
    off = off_in(place.run, flow, list(place.run.results.all()), place.run.put_back.all())
    undo = undo_offer(place, by, timezone.now())
    last = place.rows and next((row for row in reversed(place.standing) if not row.off_path), None)
    return {
        "run": place.run,
        "job": place.run.job,
        "flow": flow,
        "end": end,
        "cause": cause,
        "cause_words": cause_words(flow, cause.key) if cause else "",
        "handed": handed,
        "result": last,
        "weak": bool(end and end.proof == "elimination"),
        "off": [each.part for each in off],
        "undo": undo,
        "undo_words": answer_words(flow, undo) if undo else "",
        "undo_seconds": UNDO_SECONDS,
        "path": place.answers(),
        "late": late_ones(place.run.job),
        "client_id": uuid.uuid4(),
        "reasoning": reason_about(place.run.job, at=timezone.now()) if place.run.job.is_open else None,
    }
