"""Closing, opening again, and the write-up."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from uuid import uuid4

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import SafeString
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shopkb.accounts.models import User
from shopkb.accounts.requests import SignedInRequest
from shopkb.charts.drawings import Drawing
from shopkb.charts.view import ChartOptions
from shopkb.jobs.actions import closing, noting
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.forms.findings import settlings
from shopkb.jobs.forms.leaving import CloseForm
from shopkb.jobs.models import Job
from shopkb.jobs.parts_cost import cost_of_parts
from shopkb.jobs.reasoning import reason
from shopkb.jobs.run_state import RunState, run_state_of, run_states_of
from shopkb.jobs.shown_words import cautions_shown
from shopkb.jobs.vehicle_state import confirm_back, off_on
from shopkb.jobs.views.carried_out import carried_out, in_order, minutes_tested
from shopkb.jobs.views.going_on import after_repair
from shopkb.jobs.views.job_pages import job_context
from shopkb.jobs.views.run_texts import answers_of
from shopkb.procedures.drawing import draw_chart, drawing_asked
from shopkb.procedures.learned_today import learned_today
from shopkb.web.qr import qr_code
from shopkb.web.shown_refusals import shown_as_message, shown_on


@require_http_methods(["GET", "POST"])
def close(request: SignedInRequest, pk: int) -> HttpResponse:
    """Close the job; its evidence counts at once. A browser may load the address again after a refusal."""
    if request.method == "GET":
        return redirect("jobs:job", pk)
    job = get_object_or_404(Job.objects.for_list(), pk=pk)
    form = CloseForm(request.POST, off=off_on(job), findings=settlings(job, job.open_findings))
    if form.is_valid():
        with shown_on(form, NotPossible):
            _close(job, form, by=request.user)
            messages.success(request, "Closed. What it showed is on the charts of the procedures it followed.")
            return redirect("jobs:write-up", pk)
    return render(request, "jobs/job.html", job_context(job, form), status=422)


@transaction.atomic
def _close(job: Job, form: CloseForm, *, by: User) -> None:
    now, data = timezone.now(), form.cleaned_data
    for run, parts in groupby(data.get("back", []), key=lambda off: off.run):
        confirm_back(run, [off.part for off in parts], by=by, at=now)
    for finding, said in form.settled:
        noting.settle_finding(
            finding, said.how, by=by, at=now, client_id=uuid4(), words=said.words, run=said.run, repair=said.repair
        )
    closing.close_job(job, Job.Disposition(data["disposition"]), by=by, at=now, note=data["note"])


def _left(run_states: Sequence[RunState]) -> list[str]:
    """Why procedures were left before their end: on a vehicle that goes without a cure, whoever has it next must know
    what state it is in."""
    reasons = (each.run.stopped_why for each in run_states)
    return [why for why in reasons if why not in ("", closing.BY_CLOSING)]


@require_POST
def reopen(request: SignedInRequest, pk: int) -> HttpResponse:
    """Open a closed job again; what it proved is taken out of the tallies."""
    with shown_as_message(request, NotPossible):
        closing.reopen_job(get_object_or_404(Job, pk=pk), by=request.user)
        messages.success(request, "Open again. What it taught has been taken back until it is closed.")
    return redirect("jobs:job", pk)


@require_safe
def write_up(request: SignedInRequest, pk: int) -> HttpResponse:
    """What the customer and the clerk read, on one sheet: complaint, cause with the reading that proved it, correction,
    minutes, signatures, and what was tested. What only the shop needs stands in the technical record."""
    return render(request, "jobs/write_up.html", {**write_up_context(pk), "code": job_code(request, pk)})


def job_code(request: SignedInRequest, pk: int) -> SafeString:
    """The QR code on a job's paper that leads back to its page."""
    address = request.build_absolute_uri(reverse("jobs:job", args=[pk]))
    return qr_code(address, f"QR code of job {pk}")


def write_up_context(pk: int) -> dict[str, object]:
    """What the write-up of this job shows."""
    job = get_object_or_404(Job.objects.for_list().select_related("closed_by", "comeback_of"), pk=pk)
    repairs = list(
        job.repairs.select_related("cause__component", "who", "result")
        .prefetch_related("verifications", "part_lines", "measured_again", "settles").order_by("pk")
    )  # fmt: skip
    run_states = run_states_of(job)
    done = [carried_out(row, run_states) for row in repairs]
    minutes = [row.minutes for row in repairs if row.minutes is not None]
    return {
        "job": job,
        "repairs": done,
        **in_order(done),
        "parts": [line for each in done for line in each.parts],
        "parts_total": cost_of_parts(repairs),
        "also_found": [row.also_found for row in repairs if row.also_found],
        "left": [] if job.disposition == Job.Disposition.CURED else _left(run_states),
        "tested": minutes_tested(run_states),
        "repaired_minutes": sum(minutes) if minutes else None,
        "photos": list(job.photos.all()),
        "runs": [(run_state, answers_of(run_state)) for run_state in run_states if run_state.effective],
        "cautions": cautions_shown(run_states),
        "section": "jobs",
    }


@require_safe
def run_chart(request: SignedInRequest, pk: int) -> HttpResponse:
    """The procedure's chart with this job's path in heavy ink."""
    run_state = run_state_of(pk)
    job, flow, now = run_state.run.job, run_state.flow, timezone.now()
    learned = learned_today(flow, run_state.run.revision.checksum, job.platform.path)
    reasoning = reason(job, run_state.of_job, at=now) if job.is_open else None
    repaired = after_repair(job, reasoning.last_repair, [each.run for each in run_state.of_job]) if reasoning else None
    if repaired is not None and repaired.cured:
        reasoning = None
    look = ChartOptions(
        notes=learned.notes,
        path=run_state.walk.path,
        now=run_state.walk.current,
        links={step.key: reverse("jobs:step", args=[pk, step.key]) for step in flow.steps},
        possible=reasoning.probability_by_cause(flow) if reasoning else {},
    )
    drawn = draw_chart(flow, look, drawing_asked(request.GET, Drawing.TALL))
    context = {"run": run_state.run, "job": job, "flow": flow, "drawn": drawn, "reasoning": reasoning}
    return render(request, "jobs/chart.html", context)
