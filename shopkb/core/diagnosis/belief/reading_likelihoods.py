"""How likely a measured value itself is under each cause, where else only its band tells.

A band says as much of 0.4 V beside a limit of 0.5 V as of 0 V. Here the densities of readings with a proven cause
(:mod:`.reading_densities`) are mixed with what the bands say, so that few readings change little and none tells much
more against a cause than the error rates of the bands allow. Near a limit, what the bands say goes over from one to the
other as smoothly as a meter is sure. Where a circuit tells what would be read with a cause, its samples stand in for
readings until there are some.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import ndtr

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.from_circuit import DOUBT
from shopkb.core.diagnosis.belief.reading_densities import (
    ANYWHERE,
    BAND_WEIGHT,
    LEAST_BANDS,
    StepDensities,
    column_of,
    curves,
    density_anywhere,
    plain_band,
    usual_scale,
)
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.circuits.predicted import meter_spread, predictions
from shopkb.core.flow.model import Flow, Step
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.units import COUNT

CIRCUIT_TRUST: Final = 0.5
"""Share of what a circuit tells of a reading, beside its band, that counts before any reading was fitted."""


def with_readings(
    model: CauseModel, flow: Flow, results: Iterable[CaseResult], learned: Mapping[str, StepDensities],
) -> CauseModel:  # fmt: skip
    """The model in which the answers of these results are as likely as their readings are.

    The row of each answer given at a step of ``flow`` is replaced by what its reading says, up to a factor that is the
    same for all causes; the other rows of its test make up the rest. Results that have no reading, that are counts
    or in another unit, or of a step of which neither readings nor a circuit tell, leave their rows as they are.
    """
    latest = {one.step: one for one in results if one.procedure == flow.procedure and one.outcome}
    told = {
        model.row_of[flow.procedure, one.step, one.outcome]: found
        for one in latest.values()
        if (flow.procedure, one.step, one.outcome) in model.row_of
        and (found := reading_factors(model, flow, one, learned.get(one.step))) is not None
    }
    return _with_rows(model, told) if told else model


def reading_factors(model: CauseModel, flow: Flow, result: CaseResult, learned: StepDensities | None) -> Array | None:
    """What a reading says of each cause of the model, beside what its band says: a factor for each. ``None`` where
    nothing tells more than the band."""
    step = flow.step_by_key.get(result.step)
    if step is None or step.reading is None or result.reading is None:
        return None
    if step.reading.quantity == COUNT:
        return None  # exact: its ranges say all of it (:mod:`.from_trials`)
    reading = reading_in_unit(result, step.reading.unit)
    if reading is None or not math.isfinite(reading):
        return None
    if learned is not None and learned.unit != step.reading.unit:
        learned = None
    test = model.tests[model.test_of[flow.procedure, step.key]]
    table = model.table[test.start : test.stop]
    bands = _by_bands(step, reading, result.outcome, table, model.prior)
    densities = _densities(model, flow, step, reading, learned)
    row = table[model.row_of[flow.procedure, step.key, result.outcome] - test.start]
    told = bands if densities is None else densities.mixed(bands)
    trust = learned.trust if learned is not None else CIRCUIT_TRUST if densities is not None else 1.0
    found: Array = (1 - trust) * bands / row + trust * told / row
    return None if np.allclose(found, found[0], rtol=1e-9) else found


@dataclass(frozen=True, eq=False)
class _Densities:
    """At one reading: by cause the density ``own`` of its readings, that of its circuit where it has one, else nan,
    the number of its readings, and the density of all readings."""

    own: Array
    circuit: Array
    jobs: Array
    whole: float

    def mixed(self, bands: Array) -> Array:
        """With what the bands say, relative to ``whole``."""
        told = np.where(np.isnan(self.circuit), bands, (1 - DOUBT) * self.circuit / self.whole + DOUBT * bands)
        share = np.maximum(BAND_WEIGHT / (BAND_WEIGHT + self.jobs), LEAST_BANDS)
        found: Array = (1 - share) * self.own / self.whole + share * told
        return found


def _densities(
    model: CauseModel, flow: Flow, step: Step, reading: float, learned: StepDensities | None
) -> _Densities | None:
    """``None`` where there are neither readings nor a circuit."""
    samples = _samples(flow, step)
    if learned is None and not samples:
        return None
    if learned is None:
        learned = _of_circuit(step, step.reading.unit if step.reading else "", samples)
    place = learned.places(reading)
    columns = np.array([column_of(model, cause) for cause in learned.by_cause], dtype=np.intp)
    own, jobs = np.zeros(len(model.causes)), np.zeros(len(model.causes))
    if columns.size:
        heard = curves(step, learned, learned.every, place)
        own += np.bincount(np.repeat(columns, learned.how_many), heard, own.size)
        jobs += np.bincount(columns, learned.how_many, jobs.size)
    circuit = np.full(len(model.causes), np.nan)
    for cause, one in samples.items():
        if cause in model.column_of:
            circuit[model.column_of[cause]] = curves(step, replace(learned, width=0.0), one, place).mean()
    every, weights = own.sum(), jobs.sum()
    known = ~np.isnan(circuit)
    every += BAND_WEIGHT * float(model.prior[known] @ circuit[known])
    weights += BAND_WEIGHT * float(model.prior[known].sum())
    whole = (1 - ANYWHERE) * every / weights + ANYWHERE * density_anywhere(
        learned, list(samples.values()), float(place)
    )
    return _Densities(own / np.maximum(jobs, 1.0), circuit, jobs, float(whole))


def _by_bands(step: Step, reading: float, outcome: str, table: Array, prior: Array) -> Array:
    """P(reading | cause) over P(reading), as far as the bands tell: by the chance that a meter which shows this stands
    before a value of each band. Only plain bands tell that; else the answer that was given counts alone."""
    keys = [one.key for one in step.outcomes]
    share = np.zeros(len(keys))
    share[keys.index(outcome)] = 1.0
    bands = [plain_band(step, key) for key in keys]
    here = bands[keys.index(outcome)]
    if here is not None and here.holds(reading):
        spread = max(float(meter_spread(step, np.array([reading]))[0]), 1e-12)
        inside = np.array([
            float(ndtr((band.high - reading) / spread) - ndtr((band.low - reading) / spread)) if band else 0.0
            for band in bands
        ])  # fmt: skip
        if inside.sum() > 0:
            share = inside / inside.sum()
    found: Array = (share / np.maximum(table @ prior, 1e-9)) @ table
    return found


def _samples(flow: Flow, step: Step) -> dict[str, Array]:
    """By identity of the cause, what the circuit would read at a step, where all of it is finite."""
    found = predictions(flow)
    told = {cause.identity: found.of(step.key, cause.key) for cause in flow.causes}
    return {identity: one for identity, one in told.items() if one.size and np.isfinite(one).all()}


def _of_circuit(step: Step, unit: str, samples: Mapping[str, Array]) -> StepDensities:
    every = np.concatenate(list(samples.values()))
    return StepDensities(unit, usual_scale(step, every), 0.0, {})


def reading_in_unit(result: CaseResult, unit: str) -> float | None:
    if result.reading is None:
        return None
    if result.unit == unit:
        return float(result.reading)
    try:
        return float(Quantity(result.reading, result.unit).to(unit).magnitude)
    except ReadingError:
        return None


def _with_rows(model: CauseModel, factors: Mapping[int, Array]) -> CauseModel:
    table = model.table.copy()
    weights = None if model.table_weights is None else model.table_weights.copy()
    for row, factor in factors.items():
        test = model.tests[model.test_of_row[row]]
        rest = [place for place in range(test.start, test.stop) if place != row]
        here = table[row] * factor
        here *= table[row].max() / here.max()
        left = table[rest].sum(axis=0)
        table[rest] *= np.where(left > 0, (1 - here) / np.where(left > 0, left, 1.0), 0.0)
        table[row] = here if rest else table[row]
        if weights is not None:
            rows = slice(test.start, test.stop)
            weights[rows] = np.maximum(table[rows], 1e-12) * weights[rows].sum(axis=0)
    return replace(model, table=table, table_weights=weights)
