"""Fitting and scoring over all closed jobs: run at night, stored and dated, read by the pages."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from statistics import median
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Exists, OuterRef
from django.utils import timezone

from shopkb.core.diagnosis.belief.likelihoods import cause_strengths, learn
from shopkb.core.diagnosis.belief.reading_densities import StepDensities
from shopkb.core.diagnosis.belief.reading_trial import trusted_readings
from shopkb.core.diagnosis.belief.recalibration import no_losses
from shopkb.core.diagnosis.counting.ageing import month_number
from shopkb.core.diagnosis.counting.branch_success import branch_weights
from shopkb.core.diagnosis.counting.closed_case import ClosedCase
from shopkb.core.diagnosis.counting.flow_counts import count
from shopkb.core.diagnosis.counting.tallies import Tallies
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.diagnosis.scores.corrections import Corrections, losses_of
from shopkb.core.diagnosis.scores.drift import RECENT_MONTHS, TOLD, reading_change
from shopkb.core.diagnosis.scores.forecast_scores import Forecast, Scores, all_pairs, reliability, scores
from shopkb.core.diagnosis.scores.forecasting import forecasts
from shopkb.core.flow.model import Flow
from shopkb.evidence.learned_procedure import full_tallies
from shopkb.evidence.learning import keep_recalibration, keep_strengths
from shopkb.evidence.models import QualityRecord, StrengthFit
from shopkb.jobs.closed_jobs import closed_cases
from shopkb.jobs.models import Job, Result
from shopkb.procedures.hand_overs import behind
from shopkb.procedures.models import Revision
from shopkb.procedures.storing import flow_of

MOST_FITTED = 500
"""Closed jobs of a procedure that its readings are fitted to, the newest."""


@dataclass(frozen=True, slots=True)
class QualityMeasurement:
    """What was stored for one procedure: months, and verified jobs scored."""

    procedure: str
    months: int
    verified_jobs: int


def flows_in_force() -> list[Flow]:
    rows = Revision.objects.filter(state=Revision.State.PUBLISHED).select_related("procedure")
    return [flow_of(row) for row in rows.order_by("procedure__key")]


def fit_strengths(*, at: datetime, store: bool = True) -> StrengthFit:
    """Fit how alike related platforms are, over the causes and every branch of the procedures in force, and what
    readings say of causes, and keep the result."""
    month = timezone.localtime(at).strftime("%Y-%m")
    flows = flows_in_force()
    found = {flow.procedure: full_tallies(flow.procedure) for flow in flows}
    platforms = tuple(sorted({key.platform for tallies in found.values() for key in tallies if key.platform}))
    counts = [count(flow, found[flow.procedure], as_of=month, platforms=platforms) for flow in flows]
    strengths, weights = cause_strengths(counts), branch_weights(counts)
    readings = {flow.procedure: fitted_readings(flow, found[flow.procedure], month) for flow in flows}
    verified = sum(
        sums.count for tallies in found.values() for key, sums in tallies.items() if not key.step and key.cause
    )
    details: dict[str, Any] = {"at": at, "as_of": month, "procedures": len(flows), "verified_jobs": verified}
    if store:
        return keep_strengths(strengths, weights, readings, **details)
    return StrengthFit(
        fitted_at=at,
        as_of=month,
        strengths=list(strengths),
        branch_weights=list(weights),
        procedures=len(flows),
        verified_jobs=verified,
    )


def fitted_readings(flow: Flow, tallies: Tallies, month: str) -> dict[str, StepDensities] | None:
    """What the readings of each step say of its causes, from the newest closed jobs; none where they forecast no better
    than the bands, ``None`` where there are too few. Some queries for each procedure with readings."""
    cases = measured_cases(flow)
    if not cases:
        return None
    return trusted_readings(learn(count(flow, tallies, as_of=month, behind=behind(flow))), flow, cases)


def measured_cases(flow: Flow) -> list[ClosedCase]:
    """The newest closed jobs with a reading of the procedure, oldest first."""
    read = Result.objects.filter(run__job=OuterRef("pk"), run__revision__procedure__key=flow.procedure)
    jobs = Job.objects.closed().filter(Exists(read.filter(reading__isnull=False)))
    newest = list(jobs.order_by("-closed_at", "-pk").values_list("pk", flat=True)[:MOST_FITTED])
    return list(closed_cases(Job.objects.filter(pk__in=newest), flow.procedure)) if newest else []


def measure_quality(*, at: datetime, store: bool = True, since: str = "") -> Iterator[QualityMeasurement]:
    """Score, procedure by procedure, what would have been said of each closed job before its cause was known.

    From the month ``since`` on (``YYYY-MM``; empty: all); what was measured of earlier months stays.
    """
    kept: list[tuple[str, list[QualityRecord], list[Forecast]]] = []
    for flow in flows_in_force():
        jobs = Job.objects.filter(runs__revision__procedure__key=flow.procedure).distinct()
        cases = list(closed_cases(jobs))
        found = forecasts(flow, cases, since=since, behind=behind(flow))
        kept.append((flow.procedure, records_of(flow, cases, at, since, found), found))
    corrections = Corrections(_losses_before(since), [one for _, _, found in kept for one in found])
    for procedure, records, found in kept:
        _correct(records, found, corrections)
        if store:
            with transaction.atomic():
                QualityRecord.objects.filter(procedure=procedure, month__gte=since).delete()
                QualityRecord.objects.bulk_create(records)
        yield QualityMeasurement(procedure, len(records), sum(record.verified_jobs for record in records))
    if store:
        keep_recalibration(corrections.now, at=at, as_of=timezone.localtime(at).strftime("%Y-%m"))


def _losses_before(since: str) -> Array:
    """Of the months before ``since``, as they were stored. One query."""
    total = no_losses()
    for figures_then in QualityRecord.objects.filter(month__lt=since).values_list("figures", flat=True):
        stored = np.array(figures_then.get("losses") or total * 0)
        total += stored if stored.shape == total.shape else 0
    return total


def _correct(records: Iterable[QualityRecord], found: Iterable[Forecast], corrections: Corrections) -> None:
    """Put the scores of corrected forecasts in the place of those that stand."""
    by_month = _by_month(map(corrections.corrected, found))
    for record in records:
        record.figures |= _scored(by_month[record.month])


def _by_month(found: Iterable[Forecast]) -> dict[str, list[Forecast]]:
    by_month: dict[str, list[Forecast]] = defaultdict(list)
    for forecast in found:
        by_month[forecast.month].append(forecast)
    return by_month


def records_of(
    flow: Flow, cases: Sequence[ClosedCase], at: datetime, since: str, found: Sequence[Forecast]
) -> list[QualityRecord]:
    """One for each month from ``since`` on in which a case was closed, not stored; the last one says which readings
    have changed. ``found`` are the forecasts, which stand uncorrected."""
    by_month: dict[str, list[ClosedCase]] = defaultdict(list)
    for case in cases:
        if case.month >= since:
            by_month[case.month].append(case)
    by_forecast_month = _by_month(found)
    changed = reading_changes(flow, cases, timezone.localtime(at).strftime("%Y-%m"))
    records = [
        QualityRecord(
            procedure=flow.procedure,
            month=month,
            measured_at=at,
            verified_jobs=len(by_forecast_month[month]),
            figures={
                "jobs": len(by_month[month]),
                **_scored(by_forecast_month[month]),
                "losses": losses_of(by_forecast_month[month]).round(6).tolist(),
            },
        )
        for month in sorted(by_month)
    ]
    if records:
        records[-1].figures["readings"] = [asdict(each) for each in changed]
    return records


@dataclass(frozen=True, slots=True)
class ReadingChange:
    """Readings of one outcome of a step that are higher or lower in the last months than before: medians in ``unit``,
    how many on each side, and the natural logarithm of the Bayes factor for a change."""

    step: str
    outcome: str
    unit: str
    before: float
    of_late: float
    n_before: int
    n_of_late: int
    log_bayes: float


def reading_changes(flow: Flow, cases: Sequence[ClosedCase], month: str) -> list[ReadingChange]:
    """As of ``month``, clearest first; only what is told of other changes, too. O(readings)."""
    since = month_number(month) - RECENT_MONTHS
    sides: dict[tuple[str, str, str], tuple[list[float], list[float]]] = defaultdict(lambda: ([], []))
    for case in cases:
        for one in case.results:
            if one.procedure == flow.procedure and one.reading is not None and one.step in flow.step_by_key:
                late = month_number(case.month) > since
                sides[one.step, one.outcome, one.unit][late].append(float(one.reading))
    found = [
        ReadingChange(*place, median(before), median(late), len(before), len(late), reading_change(late, before))
        for place, (before, late) in sides.items()
        if before and late
    ]
    return sorted((each for each in found if each.log_bayes > TOLD), key=lambda each: -each.log_bayes)


def _scored(found: Sequence[Forecast]) -> dict[str, Any]:
    """What the pages show of a month's forecasts, as plain data: scores (``None`` without a forecast) and bins."""
    scored = scores(found)
    return {
        "scores": asdict(scored) if isinstance(scored, Scores) else None,
        "bins": [asdict(each) for each in reliability(*all_pairs(found))],
    }
