"""What a procedure would be without a step that finds nothing, and the draft of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, may, require
from shopkb.core.diagnosis.appraisal.expected_cost import Appraisal
from shopkb.core.flow.findings import CheckFinding
from shopkb.core.flow.model import Flow, GoKind, Outcome, Step
from shopkb.procedures import publishing
from shopkb.procedures.learned_today import learned_today
from shopkb.procedures.models import Revision
from shopkb.procedures.publishing import ActionRefused
from shopkb.procedures.storing import checksum, flow_of
from shopkb.procedures.views.requested import requested_revision
from shopkb.reports.figures.step_figures import StepFigures
from shopkb.reports.gathering.filters import Filters
from shopkb.reports.gathering.job_rows import job_facts
from shopkb.reports.gathering.procedure_tallies import Evidence, InForce
from shopkb.reports.improving.step_removal import CannotLeaveOut, LeftOut, without
from shopkb.reports.pages import tests_page
from shopkb.web.humanize import minutes_text


@dataclass(frozen=True, slots=True)
class Weighed:
    """Both procedures appraised from what closed jobs say; ``None`` where one cannot be passed through. ``new_errors``
    are those that the checks find only in the shorter one."""

    before: Appraisal | None
    after: Appraisal | None
    new_errors: tuple[CheckFinding, ...]


@require_safe
def page(request: SignedInRequest, key: str, number: int, step: str) -> HttpResponse:
    """What would change: for whoever may see the figures or write."""
    if not may(request.user, Right.WRITE):
        require(request.user, Right.REPORT)
    revision = requested_revision(key, number)
    flow = flow_of(revision)
    held = _step(flow, step)
    figures = _figures(revision, flow, step)
    answer = request.GET.get("answer", "") or usual_answer(flow, held, _traffic(revision, flow))
    context: dict[str, object] = {
        "revision": revision, "flow": flow, "step": held, "figures": figures, "answer": answer,
        "says": sentence(figures) if figures else "", "section": "procedures",
    }  # fmt: skip
    try:
        left = without(flow, step, answer)
        on = flow.step_by_key.get(held.outcome(answer).go.key)
        context |= {"left": left, "weighed": _weighed(revision, flow, left), "leads": on.title if on else ""}
    except CannotLeaveOut as error:
        context["reason"] = str(error)
    return render(request, "reports/without.html", context)


@require_POST
def take(request: SignedInRequest, key: str, number: int, step: str) -> HttpResponse:
    """Make the shorter procedure a draft."""
    require(request.user, Right.WRITE)
    revision = requested_revision(key, number)
    flow = flow_of(revision)
    held, figures = _step(flow, step), _figures(revision, flow, step)
    try:
        shorter = without(flow, step, request.POST.get("answer", "")).flow
        why = f"Without “{held.title}”. {sentence(figures) if figures else ''}".strip()[:500]
        draft = publishing.start_draft(shorter, by=request.user, at=timezone.now(), why=why)
    except (CannotLeaveOut, ActionRefused) as error:
        messages.error(request, str(error))
        return redirect("reports:without", key, number, step)
    messages.success(request, "The draft stands without the step. Read it through before you ask for a review.")
    return redirect("procedures:desk", key, draft.number)


def sentence(figures: StepFigures) -> str:
    """``It costs 6 min and found nothing in 40 jobs.``"""
    found = "found nothing" if not figures.found else f"found the fault on {figures.found}"
    jobs = f"in {figures.done} jobs" if not figures.found else f"of {figures.done} jobs"
    if figures.minutes is None:
        return f"It {found} {jobs}."
    return f"It costs {minutes_text(figures.minutes)} each time and {found} {jobs}."


def usual_answer(flow: Flow, step: Step, traffic: Mapping[tuple[str, str], int]) -> str:
    """The answer given most often of those that go on; of all, if none does."""
    on = [one for one in step.outcomes if one.go.kind is GoKind.STEP] or list(step.outcomes)

    def times(one: Outcome) -> int:
        return traffic.get((step.key, one.key), 0)

    return max(on, key=times).key if on else ""


def _traffic(revision: Revision, flow: Flow) -> dict[tuple[str, str], int]:
    return {branch: note.traffic for branch, note in learned_today(flow, revision.checksum).notes.items()}


def _weighed(revision: Revision, flow: Flow, left: LeftOut) -> Weighed:
    known = {(one.id, one.where) for one in publishing.findings_of(flow)}
    found = publishing.errors_of(publishing.findings_of(left.flow))
    return Weighed(
        learned_today(flow, revision.checksum).appraisal,
        learned_today(left.flow, checksum(left.flow)).appraisal,
        tuple(one for one in found if (one.id, one.where) not in known),
    )


def _figures(revision: Revision, flow: Flow, step: str) -> StepFigures | None:
    """Of the last twelve months."""
    filters = Filters.of({"procedure": revision.procedure.key}, timezone.localdate())
    chosen = {revision.procedure.key: InForce(revision.procedure, revision, flow)}
    found = tests_page.gathered(chosen, Evidence.now(filters, chosen), job_facts(filters))
    return next((one for one in found if one.step == step), None)


def _step(flow: Flow, key: str) -> Step:
    step = flow.step_by_key.get(key)
    if step is None:
        raise Http404
    return step
