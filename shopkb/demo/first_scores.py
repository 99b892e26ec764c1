"""Calibration of the probabilities: a shop measures it at night, the demo when it is first served."""

from __future__ import annotations

from django.utils import timezone

from shopkb.evidence.models import QualityRecord
from shopkb.jobs.measuring import measure_quality
from shopkb.reports.gathering.filters import USUAL_MONTHS, month_before


def measure_once() -> None:
    """The figures' usual year, unless anything was measured before."""
    if QualityRecord.objects.exists():
        return
    now = timezone.now()
    for _ in measure_quality(at=now, since=month_before(f"{timezone.localdate(now):%Y-%m}", USUAL_MONTHS - 1)):
        pass
