"""Procedures begun without the network: the pages that travel with a device, and the way from there to what was stored.

One page holds everything of a procedure, since a run that is not stored yet has no pages of its own: the device shows
the part that its address asks for.
"""

from __future__ import annotations

from uuid import UUID

from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_safe

from shopkb.accounts.models import User
from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.core.flow.points import points
from shopkb.jobs.forms.findings import FindingForm
from shopkb.jobs.forms.leaving import HandOverForm
from shopkb.jobs.forms.verification import VerificationForm
from shopkb.jobs.models import Run
from shopkb.jobs.offline_pack import flow_kept, likely
from shopkb.jobs.run_results import walk_of
from shopkb.jobs.run_state import RunState
from shopkb.jobs.views.kept_forms import repair_context
from shopkb.jobs.views.outbox import end_context, step_context
from shopkb.jobs.views.typed_reading import chosen_meter

NO_RUN = UUID(int=0)
"""Stands in a page that travels where the id of the run will be."""

KEPT_FORMS = frozenset({"pack-repair", "pack-verify", "pack-finding", "hand-over"})
"""Pages that a run which is stored has under the same name."""


@require_safe
def begin(request: SignedInRequest) -> HttpResponse:
    """The procedures that travel with the device, for a vehicle that was booked in without the network."""
    require(request.user, Right.WORK)
    return render(request, "jobs/begin.html", {"likely": likely(timezone.now())})


@require_safe
def pack(request: SignedInRequest, procedure: str, number: int) -> HttpResponse:
    """Everything of one procedure as it is kept on a device, before anybody has begun it."""
    require(request.user, Right.WORK)
    kept = flow_kept(procedure, number)
    if kept is None:
        raise Http404
    return _pack(request, kept[0].procedure.key, number)


@require_safe
def begun(request: SignedInRequest, run: UUID, procedure: str = "", number: int = 0, page: str = "") -> HttpResponse:
    """A run that a device began: its own pages once it is stored, until then those that the device keeps."""
    require(request.user, Right.WORK)
    stored = Run.objects.filter(client_id=run).first()
    if stored is None and procedure:
        return _pack(request, procedure, number)
    if stored is None:
        raise Http404
    kind, _, step = page.partition("/")
    if kind == "steps":
        return redirect("jobs:step", stored.pk, step)
    if kind not in KEPT_FORMS:
        return redirect("jobs:run", stored.pk)
    # Its query names what is filled in again: a form that was refused.
    return redirect(f"{reverse(f'jobs:{kind}', args=[stored.pk])}?{request.GET.urlencode()}".removesuffix("?"))


def _pack(request: SignedInRequest, procedure: str, number: int) -> HttpResponse:
    kept = flow_kept(procedure, number)
    if kept is None:
        raise Http404
    revision, flow = kept
    run_state = RunState(Run(revision=revision, holder=request.user), flow, [], walk_of(flow, []))
    base = reverse("jobs:begun-page", args=[NO_RUN, procedure, number, "x"]).removesuffix("x/")
    shared = {"run_key": str(NO_RUN), "base": base}
    meter = chosen_meter(request)
    context = {
        **shared,
        "none": str(NO_RUN),
        "flow": flow,
        "start": flow.start,
        "steps": [
            (step.key, render_to_string("jobs/_pack_step.html", {**shared, **step_context(run_state, step, {}, meter)}))
            for step in flow.steps
        ],
        **end_context(run_state),
        **repair_context(flow),
        "finding": FindingForm(),
        "check": VerificationForm(points=points(flow.verify)),
        "hand_over": HandOverForm(people=User.objects.filter(is_active=True).exclude(pk=request.user.pk)),
    }
    return render(request, "jobs/pack.html", context)
