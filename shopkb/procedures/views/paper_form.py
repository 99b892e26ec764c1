"""A revision as a form on paper: blanks for readings, boxes to tick, and the way back from paper to the page."""

from __future__ import annotations

from dataclasses import dataclass

import segno
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.catalog.models import Caution
from shopkb.core.flow.checks.standing_cautions import standing_cautions
from shopkb.core.flow.model import Flow, Outcome, Step
from shopkb.core.flow.names import leads_to
from shopkb.procedures.drawing import drawing_slots
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of
from shopkb.procedures.views.requested import requested_revision


@dataclass(frozen=True, slots=True)
class PaperStep:
    """One step on the form. ``still``: cautions of earlier steps that hold here too. ``square``: the QR code (ISO/IEC
    18004) of its page."""

    number: int
    step: Step
    cautions: tuple[Caution, ...]
    still: tuple[Caution, ...]
    outcomes: tuple[tuple[Outcome, str], ...]
    address: str
    square: SafeString


@require_safe
def paper_form(request: SignedInRequest, key: str, number: int) -> HttpResponse:
    """The whole procedure to print."""
    revision = requested_revision(key, number)
    flow = flow_of(revision)
    with drawing_slots.taken(request.user.pk):
        known = {row.key: row for row in Caution.objects.all()}
        steps = [_step(request, revision, flow, step, known) for step in flow.steps]
        context = {"revision": revision, "flow": flow, "steps": steps, "section": "procedures"}
        return render(request, "procedures/paper.html", context)


def _step(request: SignedInRequest, revision: Revision, flow: Flow, step: Step, known: dict[str, Caution]) -> PaperStep:
    path = reverse("procedures:step", args=[flow.procedure, revision.number, step.key])
    address = request.build_absolute_uri(path)
    return PaperStep(
        flow.number_by_step[step.key],
        step,
        tuple(known[key] for key in step.cautions if key in known),
        tuple(known[key] for key in standing_cautions(flow, step) if key in known),
        tuple((outcome, leads_to(flow, outcome.go)) for outcome in step.outcomes),
        address,
        square(address),
    )


def square(address: str) -> SafeString:
    """The QR code of an address as SVG without style attributes, middle error correction."""
    drawn = segno.make(address, error="m", micro=False).svg_inline(border=2, omitsize=True)
    return mark_safe(drawn.replace("<svg", '<svg role="img" aria-label="QR code of this step"', 1))  # noqa: S308
