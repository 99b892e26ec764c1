"""Readings of a procedure's steps on jobs with a proven cause: what limits and densities of readings are found from."""

from __future__ import annotations

from decimal import Decimal

from django.db.models import F

from shopkb.core.diagnosis.belief.reading_densities import MeasuredAnswer
from shopkb.core.flow.model import Flow, cause_identity
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.jobs.models import Repair, Result

NEWEST = 20_000
"""Most readings of a procedure that are looked at, the newest."""


def measured_answers(flow: Flow) -> list[tuple[str, MeasuredAnswer]]:
    """Steps and what was read there on jobs with a proven cause, oldest first, in the units that the steps have now.
    One query."""
    proven = Repair.objects.confirmed().filter(job=F("job"))
    rows = (
        Result.objects.filter(
            run__revision__procedure__key=flow.procedure,
            run__job__repairs__in=proven,
            reading__isnull=False,
            retraction__isnull=True,
            replaced_by__isnull=True,
        )
        .order_by("-pk")
        .values_list(
            "step", "outcome", "reading", "unit",
            "run__job__repairs__cause__component__path", "run__job__repairs__cause__mode",
        )[:NEWEST]
    )  # fmt: skip
    found = [
        (step, MeasuredAnswer(number, outcome, cause_identity(component, mode)))
        for step, outcome, reading, unit, component, mode in rows
        if reading is not None and (number := _in_unit_of(flow, step, reading, unit)) is not None
    ]
    return found[::-1]


def _in_unit_of(flow: Flow, step: str, reading: Decimal, unit: str) -> float | None:
    """The reading in the unit of the step; ``None`` where this revision measures nothing of the kind there."""
    now = flow.step_by_key.get(step)
    if now is None or now.reading is None:
        return None
    if now.reading.unit == unit:
        return float(reading)
    try:
        return float(Quantity(reading, unit).to(now.reading.unit).magnitude)
    except ReadingError:
        return None
