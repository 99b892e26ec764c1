"""The page of one vehicle: its jobs, what was wrong, what was fitted, and readings of the same step over time."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_safe

from shopkb.accounts.requests import SignedInRequest
from shopkb.accounts.roles import Right, require
from shopkb.core.identifiers import check_vin
from shopkb.jobs.models import Result, Vehicle
from shopkb.jobs.vehicle_history import earlier_jobs
from shopkb.procedures.storing import flow_of
from shopkb.procedures.templatetags.procedure_words import unit_sign
from shopkb.reports.presenting.plots import DatedReading, over_time

FEWEST = 2
"""Readings of a step before they are drawn over time."""


@dataclass(frozen=True, slots=True)
class StepReadings:
    """The readings of one step on one vehicle, the oldest first, with their drawing."""

    procedure: str
    step: str
    unit: str
    rows: tuple[Result, ...]
    drawing: SafeString


@require_safe
def vehicle_page(request: SignedInRequest, pk: int) -> HttpResponse:
    """Everything known of one vehicle. Six queries, and one for each revision met for the first time."""
    require(request.user, Right.READ)
    vehicle = get_object_or_404(Vehicle.objects.select_related("platform"), pk=pk)
    context = {
        "vehicle": vehicle,
        "vin": check_vin(vehicle.vin) if vehicle.vin else None,
        "jobs": earlier_jobs(vehicle, at=timezone.now()),
        "readings": _readings(vehicle),
        "section": "jobs",
    }
    return render(request, "reports/vehicle.html", context)


def _readings(vehicle: Vehicle) -> list[StepReadings]:
    rows = (
        Result.objects.effective()
        .filter(run__job__vehicle=vehicle, reading__isnull=False)
        .select_related("run__job", "run__revision__procedure")
        .order_by("at", "pk")
    )
    by_step: defaultdict[tuple[str, str, str], list[Result]] = defaultdict(list)
    for row in rows:
        by_step[row.run.revision.procedure.key, row.step, row.unit].append(row)
    return [_of_step(same) for same in by_step.values() if len(same) >= FEWEST]


def _of_step(rows: list[Result]) -> StepReadings:
    """Title of procedure and step as they were at the newest of them."""
    newest = rows[-1]
    step = flow_of(newest.run.revision).step_by_key.get(newest.step)
    title, unit = step.title if step is not None else newest.step, unit_sign(newest.unit)
    dated = [DatedReading(timezone.localtime(row.at), float(row.reading or 0)) for row in rows]
    drawing = mark_safe(over_time(dated, f"{title}, over time", unit))  # noqa: S308  # escaped where it is made
    return StepReadings(newest.run.revision.title, title, unit, tuple(rows), drawing)
