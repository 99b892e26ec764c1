"""The papers of a job as files: what the customer and the clerk read, and the technical record."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.jobs.paper import CannotSet, pdf_of
from shopkb.jobs.views.close import job_code, write_up_context
from shopkb.jobs.views.technical import technical_context
from shopkb.procedures.drawing import drawing_slots

PAPERS: Mapping[str, tuple[str, Callable[[int], dict[str, object]]]] = {
    "write-up": ("jobs/write_up.html", write_up_context),
    "technical": ("jobs/technical.html", technical_context),
}
"""Template and context of each paper, by name."""


@require_safe
def paper(request: SignedInRequest, pk: int, name: str) -> HttpResponse:
    """One paper as PDF."""
    require(request.user, Right.READ)
    if name not in PAPERS:
        raise Http404
    template, context_of = PAPERS[name]
    context = {**context_of(pk), "code": job_code(request, pk)}
    try:
        with drawing_slots.taken(request.user.pk):
            pdf = pdf_of(template, context)
    except CannotSet as error:
        messages.error(request, str(error))
        return redirect(f"jobs:{name}", pk)
    disposition = f'inline; filename="job-{pk}-{name}.pdf"'
    return HttpResponse(pdf, content_type="application/pdf", headers={"Content-Disposition": disposition})
