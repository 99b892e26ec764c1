"""The label of a procedure: for the drawer of its meters, the bay, the folder of forms."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.views.decorators.http import require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.procedures.models import Procedure
from shopkb.web.labels import Label, label_sheet


@require_safe
def procedure_label(request: SignedInRequest, key: str) -> HttpResponse:
    """Leads to the procedure's page, which shows the revision in force."""
    procedure = get_object_or_404(Procedure.objects.for_list(), key=key)
    lines = ("Procedure", procedure.system.name)
    return label_sheet(
        request, Label(reverse("procedures:procedure", args=[key]), procedure.title, lines), "procedures"
    )
