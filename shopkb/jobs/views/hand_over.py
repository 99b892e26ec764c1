"""Handing a run over to another person, accepting it, and taking it over."""

from __future__ import annotations

from collections.abc import Sequence

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.text import capfirst
from django.views.decorators.http import require_http_methods, require_POST

from shopkb.accounts.models import User
from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.core.diagnosis.belief.posterior import Reason
from shopkb.core.flow.paths import causes_from, causes_reachable
from shopkb.jobs import vehicle_state
from shopkb.jobs.actions import handing_over
from shopkb.jobs.actions.closing import ruled_out
from shopkb.jobs.asked_values import given_values
from shopkb.jobs.errors import NotPossible
from shopkb.jobs.forms.leaving import HandOverForm
from shopkb.jobs.models import Finding, HandOver, Job, Run
from shopkb.jobs.reasoning import reason
from shopkb.jobs.run_state import RunState, run_state_of
from shopkb.jobs.views.carried_out import carried_out
from shopkb.jobs.views.run_texts import answer_text, answers_of, client_id_of, reading_text
from shopkb.web.humanize import percent
from shopkb.web.shown_refusals import shown_as_message, shown_on

HARDLY, RULES_OUT = 0.05, 0.2
"""A cause is listed as all but excluded when it is less likely than the first, and one result is at most so many times
as likely under it as under the others. Our choice. What is left of its chance is told with it, as on the job's page."""

MOST_LINES = 8


@require_http_methods(["GET", "POST"])
def hand_over(request: SignedInRequest, pk: int) -> HttpResponse:
    """One screen for the next person: where, why, what is off or unsafe, what is excluded so far."""
    require(request.user, Right.WORK)
    run_state = run_state_of(pk)
    job, step = run_state.run.job, run_state.flow.step_by_key.get(run_state.walk.current)
    off = [each.part for each in vehicle_state.off_on(job)]
    form = HandOverForm(
        request.POST or None, people=User.objects.filter(is_active=True).exclude(pk=request.user.pk),
        initial={"off_vehicle": "\n".join(off), "excluded": _excluded(job, run_state.of_job)},
    )  # fmt: skip
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        note = handing_over.HandOverNote(
            reason=data["reason"],
            client_id=data["client_id"],
            step=run_state.walk.current,
            off_vehicle=data["off_vehicle"],
            excluded=data["excluded"],
            note=data["note"],
        )
        with shown_on(form, NotPossible):
            handing_over.hand_over(run_state.run, data["receiver"], note, by=request.user, at=timezone.now())
            messages.success(
                request, f"It waits for {data['receiver']} to accept. Until then you are the one who follows it."
            )
            return redirect("jobs:job", job.pk)
    context = {
        "form": form, "run": run_state.run, "run_key": run_state.run.pk, "job": job, "step": step,
        "as_of": timezone.localtime(),
    }  # fmt: skip
    return render(request, "jobs/hand_over.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def accept(request: SignedInRequest, pk: int) -> HttpResponse:
    """Read what was handed over and accept it by name."""
    offered = get_object_or_404(
        HandOver.objects.select_related(
            "run__job__vehicle", "run__job__platform", "run__revision", "giver", "receiver"
        ),
        pk=pk,
    )
    if request.method == "POST":
        with shown_as_message(request, NotPossible):
            handing_over.accept(offered, by=request.user, at=timezone.now())
        return redirect("jobs:run", offered.run_id)
    run_state = run_state_of(offered.run_id)
    told = answers_of(run_state)
    repairs = (
        run_state.run.job.repairs.select_related("cause__component", "result")
        .prefetch_related("verifications", "part_lines", "measured_again", "settles").order_by("pk")
    )  # fmt: skip
    context = {
        "offered": offered,
        "run": run_state.run,
        "job": run_state.run.job,
        "step": run_state.flow.step_by_key.get(offered.step),
        "answers": told[-3:],
        "left_out": [(step, answer) for step, row, answer in told if row.skipped],
        "notes": [(step, row) for step, row, _answer in told if row.note],
        "repairs": [carried_out(repair, run_state.of_job) for repair in repairs],
        "values": _values(run_state),
        "photos": list(run_state.run.job.photos.all()),
    }
    return render(request, "jobs/accept.html", context)


@require_POST
def take_over(request: SignedInRequest, pk: int) -> HttpResponse:
    """Become the holder without being handed the run."""
    run = get_object_or_404(Run, pk=pk)
    with shown_as_message(request, NotPossible):
        handing_over.take_over(run, by=request.user, at=timezone.now(), client_id=client_id_of(request))
    return redirect("jobs:run", pk)


def _values(run_state: RunState) -> list[tuple[str, str]]:
    """What was asked once on this run, and the latest answer with its unit. One query."""
    return [(each.value.ask, each.text) for each in given_values(run_state)]


def _excluded(job: Job, states: Sequence[RunState]) -> str:
    """What was repaired in vain, and what a result has all but ruled out, each with that result, a line each.

    A cause that nobody has tested is not excluded, however rare it is; nor is one that may be the cause of another
    fault of the job.
    """
    lines = [f"{repair.cause}: repaired, not cured" for repair in ruled_out(job)]
    reasoning = reason(job, states, at=timezone.now())
    beside = {cause for finding in job.standing_findings for cause in _behind(finding, states)}
    for row in reasoning.possible if reasoning is not None else ():
        against = next((why for why in row.speaks_against if why.step and why.times <= RULES_OUT), None)
        if row.probability < HARDLY and not row.repaired and row.cause not in beside and against is not None:
            left = percent(row.probability)
            lines.append(f"{capfirst(row.name)}, {left} left: {_result_words(states, against)}")
    return "\n".join(lines[:MOST_LINES])


def _behind(finding: Finding, states: Sequence[RunState]) -> set[str]:
    """Causes left behind by the answer that followed the one which stated this fault: which fault the way goes on with
    says nothing against those of the other."""
    result = finding.result
    state = next((each for each in states if result and each.run.pk == result.run_id), None)
    if state is None or result is None:
        return set()
    flow = state.flow
    stated = next((row for step, row in flow.branches if (step.key, row.key) == (result.step, result.outcome)), None)
    answered = {(row.step, row.outcome) for row in state.effective}
    left = {
        cause for step, row in flow.branches if stated and step.key == stated.go.key and (step.key, row.key) in answered
        for cause in causes_from(flow, step.key) - causes_reachable(flow, step.key, row.key)
    }  # fmt: skip
    return {flow.cause_by_key[key].identity for key in left}


def _result_words(states: Sequence[RunState], against: Reason) -> str:
    """``Fuse held to the light, whole, 0.02 V``: the step, its latest answer and its reading."""
    state, row = next(
        (state, row)
        for state in reversed(states)
        if state.flow.procedure == against.procedure
        for row in reversed(state.effective)
        if row.step == against.step
    )
    told = state.flow.step_by_key[row.step].title, answer_text(state.flow, row), reading_text(row)
    return ", ".join(part for part in told if part)
