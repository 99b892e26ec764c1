"""Repairing, verifying, closing, and the write-up."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shopkb.accounts.models import User
from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.catalog.models import Cause
from shopkb.charts.drawings import Drawing
from shopkb.charts.view import ChartOptions
from shopkb.core.flow.model import Cause as FlowCause
from shopkb.core.flow.model import GoKind, Outcome, Proof
from shopkb.core.flow.names import cause_name
from shopkb.evidence.learned_procedure import learned_procedure
from shopkb.jobs.actions import closing
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.forms import CloseForm, RepairForm, VerificationForm
from shopkb.jobs.models import Job, Repair, Result, Verification
from shopkb.jobs.proofs import NamedCause, weighed
from shopkb.jobs.reasoning import reason
from shopkb.jobs.run_results import has_place
from shopkb.jobs.run_state import run_state_of, run_states_of
from shopkb.jobs.shown_words import cautions_shown
from shopkb.jobs.vehicle_state import confirm_back, off_on
from shopkb.jobs.views.carried_out import carried_out, minutes_tested
from shopkb.jobs.views.job_pages import job_context
from shopkb.jobs.views.run_texts import answers_of
from shopkb.procedures.drawing import draw_chart, drawing_asked
from shopkb.procedures.hand_overs import behind
from shopkb.procedures.storing import flow_of
from shopkb.web.numbers import row_number
from shopkb.web.shown_refusals import shown_as_message, shown_on


@require_http_methods(["GET", "POST"])
def repair(request: SignedInRequest, pk: int) -> HttpResponse:
    """Record a repair. ``?result=`` starts from the end that was reached."""
    require(request.user, Right.WORK)
    job = get_object_or_404(Job.objects.for_list(), pk=pk)
    number = row_number(request.GET.get("result", ""))
    result = Result.objects.filter(run__job=job, pk=number).first() if number else None
    named = _named(job, result)
    form = RepairForm(request.POST or None, initial=_suggested(result) or _of_cause(request.GET.get("cause", "")))
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        done = closing.RepairDetails(
            cause=data["cause"],
            proof=Proof(data["proof"]),
            correction=data["correction"],
            client_id=data["client_id"],
            result=result,
            parts=data["parts"],
            minutes=data["minutes"],
            also_found=data["also_found"],
            also=list(data["also"]),
            weak=_what_proof_lacks(job, data["cause"], data["proof"]),
        )
        with shown_on(form, NotPossible):
            stored = closing.record_repair(job, done, by=request.user, at=timezone.now())
            return redirect("jobs:verify", stored.pk)
    context = {
        "form": form, "job": job, "result": result, "hint": _hint(result), "named": named, "section": "jobs",
    }  # fmt: skip
    return render(request, "jobs/repair.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def verify(request: SignedInRequest, pk: int) -> HttpResponse:
    """Repeat the conditions of the complaint and say whether it is gone."""
    require(request.user, Right.WORK)
    repair_row = get_object_or_404(
        Repair.objects.select_related(
            "job__vehicle", "job__platform", "cause__component", "result__run__revision__procedure"
        ),
        pk=pk,
    )
    form = VerificationForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        cured = Verification.Cured(data["cured"])
        with shown_on(form, NotPossible):
            closing.verify_repair(
                repair_row, cured, how=data["how"], by=request.user, at=timezone.now(), client_id=data["client_id"]
            )
            if cured == Verification.Cured.NO:
                messages.warning(
                    request,
                    f"{repair_row.cause}: repaired, and the complaint stayed, so it is hardly possible any more. "
                    "Everything recorded is kept; go on from here.",
                )
            return redirect("jobs:job", repair_row.job_id)
    how = flow_of(repair_row.result.run.revision).verify if repair_row.result else ""
    context = {"form": form, "repair": repair_row, "job": repair_row.job, "conditions": how, "section": "jobs"}
    return render(request, "jobs/verify.html", context, status=422 if form.errors else 200)


@require_POST
def close(request: SignedInRequest, pk: int) -> HttpResponse:
    """Close the job; its evidence counts at once."""
    job = get_object_or_404(Job.objects.for_list(), pk=pk)
    form = CloseForm(request.POST, off=off_on(job))
    if form.is_valid():
        data = form.cleaned_data
        with shown_on(form, NotPossible):
            _close(job, data, by=request.user)
            messages.success(request, "Closed. What it showed is on the charts of the procedures it followed.")
            return redirect("jobs:write-up", pk)
    return render(request, "jobs/job.html", job_context(job, form), status=422)


@transaction.atomic
def _close(job: Job, data: dict[str, Any], *, by: User) -> None:
    now = timezone.now()
    for run, parts in groupby(data.get("back", []), key=lambda off: off.run):
        confirm_back(run, [off.part for off in parts], by=by, at=now)
    closing.close_job(job, Job.Disposition(data["disposition"]), by=by, at=now, note=data["note"])


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
    job = get_object_or_404(Job.objects.for_list().select_related("closed_by", "comeback_of"), pk=pk)
    repairs = list(
        job.repairs.select_related("cause__component", "who", "result").prefetch_related("verifications").order_by("pk")
    )
    run_states = run_states_of(job)
    minutes = [row.minutes for row in repairs if row.minutes is not None]
    context = {
        "job": job,
        "repairs": [carried_out(row, run_states) for row in repairs],
        "also_found": [row.also_found for row in repairs if row.also_found],
        "tested": minutes_tested(run_states),
        "repaired_minutes": sum(minutes) if minutes else None,
        "photos": list(job.photos.all()),
        "runs": [(run_state, answers_of(run_state)) for run_state in run_states if run_state.effective],
        "cautions": cautions_shown(run_states),
        "section": "jobs",
    }
    return render(request, "jobs/write_up.html", context)


@require_safe
def run_chart(request: SignedInRequest, pk: int) -> HttpResponse:
    """The procedure's chart with this job's path in heavy ink."""
    run_state = run_state_of(pk)
    job, flow, now = run_state.run.job, run_state.flow, timezone.now()
    month = timezone.localtime(now).strftime("%Y-%m")
    learned = learned_procedure(
        flow, run_state.run.revision.checksum, behind=behind(flow), platform=job.platform.path, month=month
    )
    reasoning = reason(job, run_state.of_job, at=now) if job.is_open else None
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


def _what_proof_lacks(job: Job, cause: Cause, proof: str) -> str:
    """What speaks against a repair's proof, by the newest end of this job that names its cause; from whatever page the
    repair was recorded."""
    states = run_states_of(job)
    ends = weighed(states, None, closing.ruled_out(job))
    return next((end.weak_as(proof) for end in ends if end.identity == cause.identity), "")


def _named(job: Job, result: Result | None) -> NamedCause | None:
    """The end that was reached, with what speaks against its proof."""
    if result is None or not job.is_open:
        return None
    states = run_states_of(job)
    ends = weighed(states, reason(job, states, at=timezone.now()), closing.ruled_out(job))
    return next((end for end in ends if end.result == result), None)


def _of_cause(identity: str) -> dict[str, object]:
    """The repair of a cause that no end named, with this identity."""
    component, _, mode = identity.partition("#")
    cause = Cause.objects.filter(component__path=component[:300], mode__iexact=mode[:120]).first()
    return {"cause": cause} if cause else {}


def _suggested(result: Result | None) -> dict[str, object]:
    """What the end that was reached says about cause, proof and correction."""
    end = _end(result)
    if end is None:
        return {}
    outcome, cause = end
    named = Cause.objects.filter(component__path=cause.component).select_related("component")
    return {
        "cause": next((row for row in named if row.identity == cause.identity), None),
        "proof": outcome.proof.value if outcome.proof else "",
        "correction": cause.correction,
        "minutes": round(cause.minutes) if cause.minutes is not None else None,
    }


def _hint(result: Result | None) -> dict[str, str]:
    """What killed it and what else to inspect, from the procedure."""
    end = _end(result)
    if result is None or end is None:
        return {}
    return {"also": end[1].also, "words": cause_name(end[1].component, end[1].mode)}


def _end(result: Result | None) -> tuple[Outcome, FlowCause] | None:
    """The outcome that names a cause, and that cause; None where the revision has no place for them any more."""
    if result is None or not result.outcome:
        return None
    flow = flow_of(result.run.revision)
    if not has_place(flow, result):
        return None
    outcome = flow.step_by_key[result.step].outcome(result.outcome)
    cause = flow.cause_by_key.get(outcome.go.key) if outcome.go.kind is GoKind.CAUSE else None
    return (outcome, cause) if cause else None
