"""Labels of a job and of a vehicle: for the key, the folder, the sill."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.text import Truncator
from django.utils.timezone import localtime
from django.views.decorators.http import require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.catalog.templatetags.catalog_words import full_name
from shopkb.jobs.models import Job, Vehicle
from shopkb.web.labels import Label, label_sheet


@require_safe
def job_label(request: SignedInRequest, pk: int) -> HttpResponse:
    """Leads to the job. Two queries beside those of the session."""
    require(request.user, Right.READ)
    job = get_object_or_404(Job.objects.for_list(), pk=pk)
    lines = (
        job.vehicle.registration,
        Truncator(job.complaint).words(9),
        date_format(localtime(job.opened_at), "j F Y"),
    )
    return label_sheet(request, Label(reverse("jobs:job", args=[pk]), f"Job {pk}", lines), "jobs")


@require_safe
def vehicle_label(request: SignedInRequest, pk: int) -> HttpResponse:
    """Leads to the vehicle's page, where it is booked in. Two queries beside those of the session."""
    require(request.user, Right.READ)
    vehicle = get_object_or_404(Vehicle.objects.select_related("platform"), pk=pk)
    lines = tuple(line for line in (full_name(vehicle.platform), vehicle.vin) if line)
    return label_sheet(request, Label(reverse("reports:vehicle", args=[pk]), vehicle.registration, lines), "jobs")
