"""Following a procedure at the vehicle: one step, one screen."""

from __future__ import annotations

import uuid
from dataclasses import replace
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shopkb.accounts.models import User
from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.catalog.facts import remembered_facts
from shopkb.catalog.models import Meter
from shopkb.core.flow.checks.step_hazards import riskier_ways
from shopkb.core.flow.model import GoKind
from shopkb.core.flow.names import cause_name, leads_to
from shopkb.jobs.actions import following
from shopkb.jobs.actions.closing import ruled_out
from shopkb.jobs.actions.noting import settle_finding
from shopkb.jobs.answering import Answer, read_answer, values_of
from shopkb.jobs.asked_values import changed_answers, given_values
from shopkb.jobs.errors import IdempotencyConflict, NotPossible, StepNotCurrent, UnknownStep
from shopkb.jobs.forms.leaving import LeaveForm, SkipForm
from shopkb.jobs.models import Job, Run, Settlement
from shopkb.jobs.proofs import weighed
from shopkb.jobs.reasoning import reason
from shopkb.jobs.run_state import RunState, run_state_of
from shopkb.jobs.vehicle_state import confirm_back, off_in
from shopkb.jobs.views.going_on import after_failure, after_repair, go_on
from shopkb.jobs.views.run_texts import answer_text, answers_of, client_id_of, late_entries, risk_words
from shopkb.jobs.views.step import render_step
from shopkb.jobs.views.typed_reading import METER, meter_named
from shopkb.jobs.views.undo import UNDO_SECONDS, undo_offer
from shopkb.procedures.hand_overs import titles_behind
from shopkb.procedures.models import Procedure
from shopkb.web.numbers import row_number
from shopkb.web.shown_refusals import shown_as_message, shown_on

RECEIPT = "application/json"
"""What the script of a step accepts."""


@require_POST
def start(request: SignedInRequest, pk: int, procedure: str) -> HttpResponse:
    """Begin following a procedure on this job."""
    job = get_object_or_404(Job, pk=pk)
    chosen = get_object_or_404(Procedure, key=procedure)
    number = row_number(request.POST.get("came_from", ""))
    came_from = job.runs.filter(pk=number).first() if number else None
    with shown_as_message(request, NotPossible):
        run = following.start_run(
            job, chosen, by=request.user, at=timezone.now(), client_id=client_id_of(request), came_from=came_from
        )
        _followed(run, request)
        return redirect("jobs:run", run.pk)
    return redirect("jobs:job", pk)


def _followed(run: Run, request: SignedInRequest) -> None:
    """The finding of this job that the procedure was begun for, if any, is followed by it."""
    number = row_number(request.POST.get("finding", ""))
    finding = run.job.findings.filter(pk=number).first() if number else None
    if finding is not None:
        settle_finding(
            finding, Settlement.How.FOLLOWED, by=request.user, at=timezone.now(), run=run,
            client_id=uuid.uuid5(run.client_id, f"finding {finding.pk}"),
        )  # fmt: skip


@require_safe
def run_page(request: SignedInRequest, pk: int) -> HttpResponse:
    """The step to do now, or the end that was reached."""
    run_state = run_state_of(pk)
    if run_state.walk.current and run_state.run.state == Run.State.UNDER_WAY:
        return render_step(request, run_state, run_state.flow.step_by_key[run_state.walk.current])
    return render(request, "jobs/end.html", _end_context(run_state, request.user))


@require_safe
def more(request: SignedInRequest, pk: int) -> HttpResponse:
    """What else can be done in the middle of a run."""
    return render(request, "jobs/more.html", _more(request, run_state_of(pk)))


def _more(request: SignedInRequest, run_state: RunState) -> dict[str, object]:
    return {
        "run": run_state.run,
        "job": run_state.run.job,
        "flow": run_state.flow,
        "last": run_state.rows[-1] if run_state.rows else None,
        "path": answers_of(run_state),
        "given": given_values(run_state),
        "may_correct": run_state.run.holder_id == request.user.pk and run_state.run.job.is_open,
        "client_id": uuid.uuid4(),
        "late": late_entries(run_state.run.job),
    }


@require_safe
def step_page(request: SignedInRequest, pk: int, step: str) -> HttpResponse:
    """A step on the route taken, to look at or answer again; or another step of the procedure, done out of order."""
    run_state = run_state_of(pk)
    if step not in run_state.flow.step_by_key:
        raise Http404
    return render_step(request, run_state, run_state.flow.step_by_key[step])


@require_http_methods(["GET", "POST"])
def answer(request: SignedInRequest, pk: int, step: str) -> HttpResponse:
    """Store one answer; a refusal shows the step again with everything that was typed.

    The page's script asks for a receipt: where to go on, or why it was refused.
    """
    if request.method == "GET":  # the address of a refused answer, loaded again
        return redirect("jobs:step", pk, step)
    require(request.user, Right.WORK)
    by_script = request.headers.get("Accept") == RECEIPT
    sent = read_answer(step, client_id_of(request), request.POST)
    try:
        sent = replace(sent, meter=meter_named(request.POST.get("meter", "")), skipped="", onward="")
        following.record(Run(pk=pk), sent, by=request.user, at=timezone.now())
    except (Run.DoesNotExist, UnknownStep) as error:
        raise Http404 from error
    except (StepNotCurrent, IdempotencyConflict) as error:
        messages.warning(request, str(error))
    except NotPossible as error:
        if by_script:
            return JsonResponse({"refused": str(error)})
        run_state = run_state_of(pk)
        if step not in run_state.flow.step_by_key:
            raise Http404 from error
        return render_step(
            request, run_state, run_state.flow.step_by_key[step], refused=str(error), sent=sent, status=422
        )
    onward = _promised(pk, sent) if sent.off_path else reverse("jobs:run", args=[pk])
    return JsonResponse({"to": onward}) if by_script else redirect(onward)


def _promised(pk: int, sent: Answer) -> str:
    """Where the button of an answer given out of order leads: the step it names unless that is done already or cannot
    be done yet, the repair of the cause it names; else the run's own page."""
    run_state = run_state_of(pk)
    row = next((row for row in run_state.effective if row.client_id == sent.client_id), None)
    page = reverse("jobs:run", args=[pk])
    if row is None or not row.outcome:
        return page
    go = run_state.flow.step_by_key[row.step].outcome(row.outcome).go
    if go.kind is GoKind.CAUSE:
        return f"{reverse('jobs:repair', args=[run_state.run.job_id])}?result={row.pk}"
    step, done = run_state.flow.step_by_key.get(go.key), {each.step for each in run_state.effective if each.outcome}
    if go.kind is not GoKind.STEP or step is None or step.key in done or not done.issuperset(step.needs):
        return page
    return reverse("jobs:step", args=[pk, step.key])


@require_http_methods(["GET", "POST"])
def skip(request: SignedInRequest, pk: int, step: str) -> HttpResponse:
    """Leave a step out, for one of the reasons offered."""
    require(request.user, Right.WORK)
    run_state = run_state_of(pk)
    if step not in run_state.flow.step_by_key:
        raise Http404
    here = run_state.flow.step_by_key[step]
    riskier = riskier_ways(run_state.flow, here, remembered_facts())
    titles = titles_behind(here.outcomes)
    goes = {outcome.key: leads_to(run_state.flow, outcome.go, titles) for outcome in here.outcomes}
    outcomes = [
        (outcome.key, f"{outcome.label}: {goes[outcome.key]} {risk_words(riskier, outcome.key)}".rstrip())
        for outcome in here.outcomes
    ]
    form = SkipForm(request.POST or None, outcomes=outcomes)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        sent = Answer(step, data["client_id"], skipped=data["skipped"], onward=data["onward"], note=data["note"])
        with shown_on(form, NotPossible):
            following.record(run_state.run, sent, by=request.user, at=timezone.now())
            return redirect("jobs:run", pk)
    context = {"form": form, "run": run_state.run, "job": run_state.run.job, "step": here}
    return render(request, "jobs/skip.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
def value(request: SignedInRequest, pk: int, key: str) -> HttpResponse:
    """Store a value that is asked once a run; the latest counts. ``correct``: from the page that lists them."""
    if request.method == "GET":
        return redirect("jobs:run", pk)
    run_state = run_state_of(pk)
    if "correct" in request.POST:
        return _correct(request, run_state, key)
    step = run_state.flow.step_by_key.get(request.POST.get("step", ""))
    try:
        following.record_value(
            run_state.run,
            key,
            request.POST.get("typed", ""),
            by=request.user,
            at=timezone.now(),
            client_id=client_id_of(request),
        )
    except NotPossible as error:
        if step is None:
            messages.error(request, str(error))
            return redirect("jobs:run", pk)
        return render_step(request, run_state, step, refused=str(error), refused_value=key, status=422)
    return redirect("jobs:step", pk, step.key) if step else redirect("jobs:run", pk)


def _correct(request: SignedInRequest, run_state: RunState, key: str) -> HttpResponse:
    """Put another value in place of what was given, and name the answers that it changes. What is refused stays in its
    field."""
    run, flow = run_state.run, run_state.flow
    before, typed = values_of(run, flow), request.POST.get("typed", "")
    try:
        following.record_value(run, key, typed, by=request.user, at=timezone.now(), client_id=client_id_of(request))
    except NotPossible as error:
        refused = {"refused": str(error), "refused_value": key, "typed_value": typed[:60]}
        return render(request, "jobs/more.html", {**_more(request, run_state), **refused}, status=422)
    messages.success(request, "Corrected. What was given before stays on record.")
    for changed in changed_answers(run_state, before, values_of(run, flow)):
        gives = f'its reading gives "{changed.now}"' if changed.now else "its reading fits no answer"
        messages.warning(
            request,
            f'{changed.step.title}: with this value {gives}, and you answered "{changed.given}". Open it in the route '
            "below and answer again.",
        )
    return redirect("jobs:more", run.pk)


@require_POST
def choose_meter(request: SignedInRequest, pk: int) -> HttpResponse:
    """The meter for today; it stays chosen until another is. A reading that was typed comes along, and is judged with
    it."""
    meter = Meter.objects.filter(key=request.POST.get("meter", "")).first()
    if meter:
        request.session[METER] = meter.key
    else:
        request.session.pop(METER, None)
    step = request.POST.get("step", "")
    if step not in run_state_of(pk).flow.step_by_key:
        return redirect("jobs:run", pk)
    given = {name: request.POST.get(name, "")[:60] for name in ("typed", "unit")}
    typed = f"?{urlencode(given)}" if given["typed"].strip() else ""
    return redirect(f"{reverse('jobs:step', args=[pk, step])}{typed}#reading")


@require_http_methods(["GET", "POST"])
def stop(request: SignedInRequest, pk: int) -> HttpResponse:
    """Leave the procedure before its end; what is off the vehicle is asked for by name."""
    require(request.user, Right.WORK)
    run_state = run_state_of(pk)
    run = run_state.run
    off = off_in(run, run_state.flow, list(run.results.all()), run.put_back.all()) if run.job.is_open else []
    form = LeaveForm(request.POST or None, off=off)
    if request.method == "POST" and form.is_valid():
        with shown_on(form, NotPossible):
            _leave(run, form.cleaned_data, by=request.user)
            return redirect("jobs:job", run.job_id)
    context = {"form": form, "run": run, "job": run.job, "flow": run_state.flow}
    return render(request, "jobs/leave.html", context, status=422 if form.errors else 200)


@transaction.atomic
def _leave(run: Run, data: dict[str, Any], *, by: User) -> None:
    now = timezone.now()
    following.stop_run(run, by=by, at=now, why=data["why"])
    if data.get("back"):
        confirm_back(run, data["back"], by=by, at=now)


@require_POST
def move(request: SignedInRequest, pk: int) -> HttpResponse:
    """Go on with the newest published revision."""
    with shown_as_message(request, NotPossible):
        newest = following.move_to_newest(get_object_or_404(Run, pk=pk), by=request.user)
        messages.success(request, f"Moved to revision {newest.number}; every result it still has a place for is kept.")
    return redirect("jobs:run", pk)


def _end_context(run_state: RunState, by: User) -> dict[str, object]:
    """What the page of an end shows: the cause with what speaks against its proof, and what to do about it."""
    job, flow, end = run_state.run.job, run_state.flow, run_state.walk.end
    cause = flow.cause_by_key.get(end.go.key) if end and end.go.kind is GoKind.CAUSE else None
    handed = None
    if end and end.go.kind is GoKind.HAND_OVER:
        handed = Procedure.objects.filter(key=end.go.key).first()
    off = off_in(run_state.run, flow, list(run_state.run.results.all()), run_state.run.put_back.all())
    undo = undo_offer(run_state, by, timezone.now())
    last = next((row for row in reversed(run_state.effective) if not row.off_path), None)
    reasoning = reason(job, run_state.of_job, at=timezone.now()) if job.is_open else None
    ends = weighed(run_state.of_job, reasoning, ruled_out(job)) if cause else []
    named = next((each for each in ends if last is not None and each.result == last), None)
    repaired = after_repair(job, reasoning.last_repair, [each.run for each in run_state.of_job]) if reasoning else None
    tried = reasoning is not None and named is not None and named.repaired is not None
    return {
        "run": run_state.run,
        "job": job,
        "flow": flow,
        "named": named,
        "repaired": repaired,
        "go_on": repaired
        or after_failure(job, reasoning.last_repair if reasoning else None)
        or (go_on(job, run_state.of_job, reasoning, ends) if reasoning and tried else None),
        "end": end,
        "cause": cause,
        "cause_words": cause_name(cause.component, cause.mode) if cause else "",
        "handed": handed,
        "result": last,
        "off": off,
        "undo": undo,
        "undo_words": answer_text(flow, undo) if undo else "",
        "undo_seconds": UNDO_SECONDS,
        "path": answers_of(run_state),
        "late": late_entries(job),
        "client_id": uuid.uuid4(),
        "reasoning": None if repaired and repaired.cured else reasoning,
    }
