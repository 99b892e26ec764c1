"""Recording a repair, and verifying that it cured."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any
from uuid import uuid5

from django.conf import settings
from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from shopkb.accounts.models import User
from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.catalog.cause_search import find_causes
from shopkb.catalog.models import Cause, Caution
from shopkb.core.flow.model import Cause as FlowCause
from shopkb.core.flow.model import Flow, GoKind, Outcome, Proof
from shopkb.core.flow.names import cause_name
from shopkb.core.flow.points import points
from shopkb.jobs.actions import closing, noting, repairing
from shopkb.jobs.answering import Answer
from shopkb.jobs.dangers import hurting
from shopkb.jobs.errors import NotPossible, Unreadable
from shopkb.jobs.forms.repair import PartLines, RepairForm
from shopkb.jobs.forms.verification import VerificationForm
from shopkb.jobs.models import Finding, Job, Repair, Result, Settlement, Verification
from shopkb.jobs.proofs import NamedCause, weighed
from shopkb.jobs.reasoning import Reasoning, reason
from shopkb.jobs.run_results import has_place
from shopkb.jobs.run_state import run_states_of
from shopkb.jobs.vehicle_state import confirm_back, off_on
from shopkb.jobs.views.carried_out import carried_out
from shopkb.jobs.views.typed_reading import chosen_meter
from shopkb.procedures.matching import folded, tokens
from shopkb.procedures.storing import flow_of
from shopkb.web.humanize import minutes_text
from shopkb.web.numbers import row_number
from shopkb.web.shown_refusals import shown_on

LIKELIEST = 4
"""Causes still possible that the form shows beside those that an end has named."""
MORE_LINES = 3
MOST_OF_FAULT, SHORTEST = 6, 4
"""Words of another fault by which its cause is looked for, and causes that the form shows for them; letters of the
shortest such word."""


@require_http_methods(["GET", "POST"])
def repair(request: SignedInRequest, pk: int) -> HttpResponse:
    """Record a repair. ``?result=`` starts from the end that was reached, ``?cause=`` from a cause; ``?finding=`` is
    what it puts right beside the way.

    What is sent with ``look`` or ``more`` is not stored: the page comes back as it was filled in, with the causes that
    were found, or with more lines for parts.
    """
    require(request.user, Right.WORK)
    job = get_object_or_404(Job.objects.for_list(), pk=pk)
    number = row_number(request.GET.get("result", ""))
    result = Result.objects.filter(run__job=job, pk=number).first() if number else None
    beside = request.GET.get("finding", "")
    finding = next((row for row in job.open_findings if str(row.pk) == beside), None)
    states = run_states_of(job)
    reasoning = reason(job, states, at=timezone.now()) if job.is_open else None
    ends = weighed(states, reasoning, closing.ruled_out(job))
    end = _end(result)
    given = _given(request.POST) if request.method == "POST" else None
    form = RepairForm(
        given,
        initial=_suggested(end) or _of_cause(request.GET.get("cause", "")),
        at_hand=_at_hand(ends, reasoning) if finding is None else causes_like(finding.words),
        to_do=[point.text for point in points(end[1].correction)] if end else [],
        allowed=f"The procedure allows {minutes_text(end[1].minutes)}." if end and end[1].minutes is not None else "",
    )
    parts = PartLines(given, prefix="part")
    looks = given is not None and ("look" in given or "more" in given)
    if looks:
        form.unchecked()
    elif given is not None and all([form.is_valid(), parts.is_valid()]):
        done = details_of(form.cleaned_data, parts, result, ends)
        with shown_on(form, NotPossible):
            return redirect("jobs:verify", _stored(job, done, finding, by=request.user).pk)
    named = next((each for each in ends if each.result == result), None) if reasoning else None
    context = {
        "form": form, "parts": parts, "job": job, "result": result, "finding": finding, "hint": _hint(end),
        "named": named, "currency": settings.CURRENCY, "section": "jobs",
    }  # fmt: skip
    return render(request, "jobs/repair.html", context, status=422 if form.is_bound and not looks else 200)


@transaction.atomic
def _stored(job: Job, details: repairing.RepairDetails, finding: Finding | None, *, by: User) -> Repair:
    """The repair, which settles the finding that it was recorded for."""
    now = timezone.now()
    stored = repairing.record_repair(job, details, by=by, at=now)
    if finding is not None:
        noting.settle_finding(
            finding, Settlement.How.REPAIRED, by=by, at=now, repair=stored,
            client_id=uuid5(stored.client_id, f"finding {finding.pk}"),
        )  # fmt: skip
    return stored


def _given(posted: Any) -> Any:
    """What was sent; where it has no lines for parts or more of them are asked for, with that many lines."""
    given = posted.copy()
    lines = row_number(given.get("part-TOTAL_FORMS", "")) or 0
    more = MORE_LINES if "more" in given else 0
    given["part-TOTAL_FORMS"] = str(min(lines + more, repairing.MOST_PARTS))
    given.setdefault("part-INITIAL_FORMS", "0")
    return given


def details_of(
    data: dict[str, Any], parts: Any, result: Result | None, ends: Sequence[NamedCause]
) -> repairing.RepairDetails:
    """What the form and its lines of parts say; ``ends`` are those of the job, with what speaks against their proof."""
    return repairing.RepairDetails(
        cause=data["cause"],
        proof=Proof(data["proof"]),
        correction=data["correction"],
        client_id=data["client_id"],
        result=result,
        minutes=data["minutes"],
        also_found=data["also_found"],
        also=list(data["also"]),
        weak=next((end.weak_as(data["proof"]) for end in ends if end.identity == data["cause"].identity), ""),
        lines=[line for form in parts if (line := form.line) is not None],
    )


@transaction.atomic
def _verified(
    repair_row: Repair, cured: Verification.Cured, form: VerificationForm, again: Answer | None, *, by: User
) -> None:
    """The check, and what was put back in place for it."""
    now = timezone.now()
    repairing.verify_repair(
        repair_row, cured, how=form.cleaned_data["how"], by=by, at=now, client_id=form.cleaned_data["client_id"],
        again=again,
    )  # fmt: skip
    for run, parts in form.put_back.items():
        confirm_back(run, parts, by=by, at=now)


@require_http_methods(["GET", "POST"])
def verify(request: SignedInRequest, pk: int) -> HttpResponse:
    """Repeat the conditions of the complaint, measure what proved the cause once more, and say whether it is gone."""
    require(request.user, Right.WORK)
    repair_row = get_object_or_404(
        Repair.objects.select_related(
            "job__vehicle", "job__platform", "cause__component", "result__run__revision__procedure"
        ).prefetch_related("measured_again", "part_lines", "verifications"),
        pk=pk,
    )
    prose = flow_of(repair_row.result.run.revision).verify if repair_row.result else ""
    step = repairing.proving_step(repair_row)
    beside = [row.finding for row in repair_row.settles.select_related("finding")]
    off = off_on(repair_row.job) if repair_row.job.is_open else []
    form = VerificationForm(request.POST or None, points=points(prose), step=step, off=off)
    if beside:
        form.fields["cured"].label = "Looked at again: is this fault gone?"
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        cured = Verification.Cured(data["cured"])
        again = form.answer(chosen_meter(request))
        with shown_on(form, NotPossible):
            try:
                _verified(repair_row, cured, form, again, by=request.user)
            except Unreadable as error:
                form.add_error("typed", str(error))
            else:
                if cured == Verification.Cured.NO:
                    messages.warning(
                        request,
                        f"{repair_row.cause}: repaired, and the fault that was found is still there. Say what became "
                        "of it."
                        if beside
                        else f"{repair_row.cause}: repaired, and the complaint stayed, so it is hardly possible any "
                        "more. Everything recorded is kept; go on from here.",
                    )
                return redirect("jobs:job", repair_row.job_id)
    states = run_states_of(repair_row.job) if step is not None else []
    context = {
        "form": form, "repair": repair_row, "job": repair_row.job, "before": carried_out(repair_row, states),
        "step": step, "puts_right": beside, "cautions": _cautions(repair_row),
        "section": "jobs",
    }  # fmt: skip
    return render(request, "jobs/verify.html", context, status=422 if form.errors else 200)


def _cautions(repair_row: Repair) -> list[Caution]:
    """Of the steps that were done: of the procedure that proved it, else of all that were followed."""
    runs = run_states_of(repair_row.job)
    proving = [each for each in runs if repair_row.result and each.run.pk == repair_row.result.run_id]
    done = [
        each.flow.step_by_key.get(row.step) for each in proving or runs for row in each.effective if not row.skipped
    ]
    return hurting(step for step in done if step is not None)


def _at_hand(ends: Sequence[NamedCause], reasoning: Reasoning | None) -> list[Cause]:
    """Causes that an end has named, then the likeliest of those still possible. One query."""
    possible = [row.cause for row in reasoning.possible[:LIKELIEST]] if reasoning else []
    wanted = list(dict.fromkeys([*(end.identity for end in ends if end.repaired is None), *possible]))
    components = {identity.partition("#")[0] for identity in wanted}
    rows = Cause.objects.filter(component__path__in=components).select_related("component") if wanted else []
    by_identity = {row.identity: row for row in rows}
    return [by_identity[identity] for identity in wanted if identity in by_identity]


def causes_like(words: str) -> list[Cause]:
    """The causes that the words of a fault speak of, those that most of its words fit first. One query a word."""
    found: Counter[Cause] = Counter()
    for word in list(dict.fromkeys(tokens(folded(words)).values()))[:MOST_OF_FAULT]:
        if len(word) >= SHORTEST:
            found.update(find_causes(word, MOST_OF_FAULT))
    return [cause for cause, _times in found.most_common(MOST_OF_FAULT)]


def causes_of(flow: Flow) -> list[tuple[Cause, FlowCause]]:
    """The causes that a procedure can come to, as rows, in its order. One query."""
    rows = Cause.objects.filter(component__path__in={cause.component for cause in flow.causes})
    by_identity = {row.identity: row for row in rows.select_related("component")}
    return [(by_identity[cause.identity], cause) for cause in flow.causes if cause.identity in by_identity]


def _of_cause(identity: str) -> dict[str, object]:
    """The repair of a cause that no end named, with this identity."""
    component, _, mode = identity.partition("#")
    cause = Cause.objects.filter(component__path=component[:300], mode__iexact=mode[:120]).first()
    return {"cause": cause} if cause else {}


def _suggested(end: tuple[Outcome, FlowCause] | None) -> dict[str, object]:
    """What the end that was reached says about cause and proof. What was done is for people to say."""
    if end is None:
        return {}
    outcome, cause = end
    named = Cause.objects.filter(component__path=cause.component).select_related("component")
    return {
        "cause": next((row for row in named if row.identity == cause.identity), None),
        "proof": outcome.proof.value if outcome.proof else "",
    }


def _hint(end: tuple[Outcome, FlowCause] | None) -> dict[str, str]:
    """What killed it and what else to inspect, from the procedure."""
    return {"also": end[1].also, "words": cause_name(end[1].component, end[1].mode)} if end else {}


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
