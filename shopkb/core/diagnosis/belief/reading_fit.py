"""How the readings of a step are smoothed, and how far they are trusted beside their bands.

The width of the curves is the one under which each reading is likeliest by the others of its cause (R. Duin, On the
choice of smoothing parameters for Parzen estimators, IEEE Trans. Computers C-25, 1976). Readings are trusted as far as
they forecast the causes of jobs left out better than the bands do (D. Wolpert, Stacked generalization, Neural Networks
5, 1992), so where they tell nothing more they change nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.reading_densities import (
    ANYWHERE,
    BAND_WEIGHT,
    LEAST_BANDS,
    MeasuredAnswer,
    StepDensities,
    column_of,
    density_anywhere,
    meter_width,
    usual_scale,
)
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.diagnosis.rates.pooling import IntArray
from shopkb.core.flow.model import Flow, Step
from shopkb.core.readings.units import COUNT

MOST_KEPT: Final = 100
"""Readings that are kept of each cause at a step, the newest."""

FEWEST: Final = 8
"""With fewer readings of a step that could be compared, the bands alone tell."""

WIDTHS: Final = (0.25, 0.35, 0.5, 0.7, 1.0, 1.4)
"""Widths that are tried, as multiples of the usual one for a normal curve (B. Silverman, Density Estimation, 1986)."""

TRUSTS: Final = (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0)
"""Shares of what readings tell, beside what their bands tell, that are weighed against each other."""

DISTRUST: Final = 2.0
"""How many nats better readings have to forecast before they are trusted as much as not."""

LEAST_TRUST: Final = 0.02
"""Readings trusted less are not kept."""


def step_readings(model: CauseModel, flow: Flow, step: Step, answers: Sequence[MeasuredAnswer]) -> StepDensities | None:
    """What is kept of the readings of a step, oldest first; ``None`` where they are too few or tell nothing more than
    their bands. ``model`` is learned from the same jobs. O(readings squared x causes)."""
    by_cause: dict[str, list[MeasuredAnswer]] = {}
    for one in answers:
        if math.isfinite(one.reading) and (flow.procedure, step.key, one.outcome) in model.row_of:
            by_cause.setdefault(one.cause, []).append(one)
    newest = [one for of_cause in by_cause.values() for one in of_cause[-MOST_KEPT:]]
    if step.reading is None or step.reading.quantity == COUNT or len(newest) < FEWEST:
        return None
    kept = {cause: tuple(one.reading for one in of_cause[-MOST_KEPT:]) for cause, of_cause in by_cause.items()}
    scale = usual_scale(step, np.array([one.reading for one in newest]))
    found = StepDensities(step.reading.unit, scale, 1.0, kept)
    found = replace(found, width=_width(step, found))
    trust = _trust(model, flow, step, found, newest)
    return replace(found, trust=trust) if trust >= LEAST_TRUST else None


def _width(step: Step, learned: StepDensities) -> float:
    """The width under which each reading is likeliest by the others of its cause."""
    groups = [np.array(readings) for readings in learned.by_cause.values() if len(readings) > 1]
    if not groups:
        return _usual_width([learned.places(np.concatenate([np.array(one) for one in learned.by_cause.values()]))])
    usual = _usual_width([learned.places(one) for one in groups])
    widths: list[float] = [usual * times for times in WIDTHS]
    likely = [_left_out(step, learned, groups, width) for width in widths]
    return widths[int(np.argmax(likely))]


def _usual_width(groups: Sequence[Array]) -> float:
    apart = np.concatenate([one - np.median(one) for one in groups])
    spread = max(1.4826 * float(np.median(np.abs(apart))), 0.3 * float(apart.std()), 1e-6)
    return float(1.06 * spread * np.mean([one.size for one in groups]) ** -0.2)


def _left_out(step: Step, learned: StepDensities, groups: Sequence[Array], width: float) -> float:
    """Log likelihood of each reading by the others of its cause."""
    total = 0.0
    for readings in groups:
        places = learned.places(readings)
        widths = np.hypot(width, meter_width(step, learned, readings))
        curves = np.exp(-(((places[:, None] - places) / widths) ** 2) / 2) / widths
        np.fill_diagonal(curves, 0.0)
        total += float(np.log(curves.sum(axis=1) / (readings.size - 1) + 1e-3).sum())
    return total


def _trust(
    model: CauseModel, flow: Flow, step: Step, learned: StepDensities, answers: Sequence[MeasuredAnswer]
) -> float:
    """The mean of :data:`TRUSTS`, each by how well it forecasts the cause of every job from those of the others."""
    test = model.tests[model.test_of[flow.procedure, step.key]]
    rows = np.array([model.row_of[flow.procedure, step.key, one.outcome] - test.start for one in answers])
    columns = np.array([column_of(model, one.cause) for one in answers])
    bands = _bands_left_out(model, test.start, test.stop, rows, columns)
    own = _own_left_out(step, learned, answers, columns, len(model.causes))
    jobs = np.bincount(columns, minlength=len(model.causes)).astype(np.float64)
    jobs = np.maximum(jobs - (columns[:, None] == np.arange(jobs.size)), 0.0)
    share = np.maximum(BAND_WEIGHT / (BAND_WEIGHT + jobs), LEAST_BANDS)
    often = np.bincount(columns, minlength=len(model.causes)) / columns.size
    whole = (1 - ANYWHERE) * own.sum(axis=1) / max(columns.size - 1, 1) + ANYWHERE * np.array(
        [
            density_anywhere(learned, (), float(place))
            for place in learned.places(np.array([one.reading for one in answers]))
        ]
    )
    told = (1 - share) * own / np.maximum(jobs, 1.0) / whole[:, None] + share * bands
    at = np.arange(columns.size), columns
    losses = []
    for trust in TRUSTS:
        mixed = (1 - trust) * bands + trust * told
        right = mixed[at] / np.maximum(mixed @ often, 1e-12)
        losses.append(DISTRUST * trust - float(np.log(np.maximum(right, 1e-12)).sum()))
    weights = np.exp(min(losses) - np.array(losses))
    return float(weights @ np.array(TRUSTS) / weights.sum())


def _bands_left_out(model: CauseModel, start: int, stop: int, rows: IntArray, columns: IntArray) -> Array:
    """Answers x causes: what their bands say over what they say on average, each job taken from its own cause."""
    weights = model.table_weights if model.table_weights is not None else 1e3 * model.table
    weights = weights[start:stop]
    found = model.table[start:stop][rows]
    own = weights[rows, columns], weights[:, columns].sum(axis=0)
    found[np.arange(rows.size), columns] = np.maximum(own[0] - 1, 0.01 * own[0]) / np.maximum(own[1] - 1, 0.5)
    often = np.bincount(columns, minlength=len(model.causes)) / columns.size
    result: Array = found / np.maximum(found @ often, 1e-9)[:, None]
    return result


def _own_left_out(
    step: Step, learned: StepDensities, answers: Sequence[MeasuredAnswer], columns: IntArray, causes: int
) -> Array:
    """Answers x causes: the curves of all other readings, summed by cause, at each reading."""
    readings = np.array([one.reading for one in answers])
    places, widths = learned.places(readings), np.hypot(learned.width, meter_width(step, learned, readings))
    curves = np.exp(-(((places[:, None] - places) / widths) ** 2) / 2) / (math.sqrt(2 * math.pi) * widths)
    np.fill_diagonal(curves, 0.0)
    found: Array = curves @ (columns[:, None] == np.arange(causes))
    return found
