"""Passing a run on, undoing, putting back, confirming a danger, pictures: what surrounds a step at the vehicle."""

from __future__ import annotations

import mimetypes

from django.contrib import messages
from django.core.files.storage import default_storage
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shopkb.accounts.models import User
from shopkb.accounts.roles import Right, require
from shopkb.jobs import dangers, following, handing_over, photos, vehicle_state
from shopkb.jobs.closing import ruled_out
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.forms import HandOverForm, PhotoForm
from shopkb.jobs.models import HandOver, Job, Photo, Result, Run
from shopkb.jobs.reasoning import reason_about
from shopkb.jobs.views.place import client_id_of, place_of
from shopkb.web.numbers import row_number


@require_POST
def pass_danger(request: HttpRequest, pk: int, step: str) -> HttpResponse:
    """Keep that the state of things a DANGER asks for was confirmed."""
    run = get_object_or_404(Run, pk=pk)
    shown_at = request.POST.get("shown_at", "")
    now = timezone.now()
    since = now.timestamp() - int(shown_at) if shown_at.isdecimal() and len(shown_at) < 12 else 0
    seconds = min(max(0, round(since)), 86_400)
    passing = dangers.Passing(step, request.POST.get("caution", "")[:60], seconds, client_id_of(request))
    try:
        dangers.pass_danger(run, passing, by=request.user, at=now)
    except NotPossible as error:
        messages.error(request, str(error))
    return redirect("jobs:step", pk, step)


@require_POST
def undo(request: HttpRequest, pk: int, result: int) -> HttpResponse:
    """Take the last answer back."""
    held = get_object_or_404(Result.objects.select_related("run"), pk=result, run_id=pk)
    try:
        following.retract(held, by=request.user, at=timezone.now(), client_id=client_id_of(request))
    except NotPossible as error:
        messages.error(request, str(error))
    return redirect("jobs:run", pk)


@require_POST
def put_back(request: HttpRequest, pk: int) -> HttpResponse:
    """Confirm by name what is back in its place."""
    run = get_object_or_404(Run, pk=pk)
    try:
        vehicle_state.confirm_back(run, request.POST.getlist("part"), by=request.user, at=timezone.now())
    except NotPossible as error:
        messages.error(request, str(error))
    return redirect("jobs:job", run.job_id) if request.POST.get("then") == "job" else redirect("jobs:run", pk)


@require_http_methods(["GET", "POST"])
def hand_over(request: HttpRequest, pk: int) -> HttpResponse:
    """One screen for the next person: where, why, what is off or unsafe, what is excluded so far."""
    require(request.user, Right.WORK)
    place = place_of(pk)
    job, step = place.run.job, place.flow.step_by_key.get(place.way.current)
    off = [each.part for each in vehicle_state.off_on(job)]
    form = HandOverForm(
        request.POST or None, people=User.objects.filter(is_active=True).exclude(pk=request.user.pk),
        initial={"off_vehicle": "\n".join(off), "excluded": _excluded(job)},
    )  # fmt: skip
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        words = handing_over.Words(
            reason=data["reason"],
            client_id=data["client_id"],
            step=place.way.current,
            off_vehicle=data["off_vehicle"],
            excluded=data["excluded"],
            note=data["note"],
        )
        try:
            handing_over.hand_over(place.run, data["receiver"], words, by=request.user, at=timezone.now())
        except NotPossible as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, f"It waits for {data['receiver']} to accept. Until then you hold the run.")
            return redirect("jobs:job", job.pk)
    context = {"form": form, "run": place.run, "job": job, "step": step}
    return render(request, "jobs/hand_over.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def accept(request: HttpRequest, pk: int) -> HttpResponse:
    """Read what was handed over and accept it by name."""
    offered = get_object_or_404(
        HandOver.objects.select_related("run__job__vehicle__platform", "run__revision", "giver", "receiver"), pk=pk
    )
    if request.method == "POST":
        try:
            handing_over.accept(offered, by=request.user, at=timezone.now())
        except NotPossible as error:
            messages.error(request, str(error))
        return redirect("jobs:run", offered.run_id)
    place = place_of(offered.run_id)
    context = {
        "offered": offered,
        "run": place.run,
        "job": place.run.job,
        "step": place.flow.step_by_key.get(offered.step),
        "answers": place.answers()[-3:],
    }
    return render(request, "jobs/accept.html", context)


@require_POST
def take_over(request: HttpRequest, pk: int) -> HttpResponse:
    """Become the holder without being handed the run."""
    run = get_object_or_404(Run, pk=pk)
    try:
        handing_over.take_over(run, by=request.user, at=timezone.now(), client_id=client_id_of(request))
    except NotPossible as error:
        messages.error(request, str(error))
    return redirect("jobs:run", pk)


@require_http_methods(["GET", "POST"])
def add_photo(request: HttpRequest, pk: int) -> HttpResponse:
    """Add a picture to a job, or to a result of it (``?result=``)."""
    require(request.user, Right.WORK)
    job = get_object_or_404(Job.objects.for_list(), pk=pk)
    number = row_number(request.GET.get("result", ""))
    result = Result.objects.filter(pk=number, run__job=job).first() if number else None
    form = PhotoForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        taken = photos.Taken(data["picture"], data["client_id"], words=data["words"], result=result)
        try:
            photos.keep_photo(job, taken, by=request.user, at=timezone.now())
        except NotPossible as error:
            form.add_error("picture", str(error))
        else:
            return redirect("jobs:run", result.run_id) if result else redirect("jobs:job", pk)
    context = {"form": form, "job": job, "result": result}
    return render(request, "jobs/photo.html", context, status=422 if form.errors else 200)


@require_safe
def photo(request: HttpRequest, name: str) -> HttpResponse | FileResponse:
    """A picture, for people who may read jobs."""
    require(request.user, Right.READ)
    held = get_object_or_404(Photo, name=name)
    if not default_storage.exists(held.name):
        raise Http404
    kind = mimetypes.guess_type(held.name)[0] or "application/octet-stream"
    return FileResponse(
        default_storage.open(held.name), content_type=kind, headers={"Cache-Control": "private, max-age=86400"}
    )


def _excluded(job: Job) -> str:
    """What was repaired in vain, and what is hardly possible any more, a line each."""
    lines = [f"{repair.cause}: repaired, not cured" for repair in ruled_out(job)]
    reasoning = reason_about(job, at=timezone.now())
    if reasoning is not None:
        lines += [row.name for row in reasoning.possible if row.probability < 0.01 and not row.repaired][:8]
    return "\n".join(lines)
