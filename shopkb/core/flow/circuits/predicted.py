"""What would be read at each step: in the sound circuit and with each cause, over tolerances and values of a run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from shopkb.core.circuit.parts import Array
from shopkb.core.circuit.solving import readings
from shopkb.core.flow.circuits.sizes import SizeUnknown, Values, faults_of, measured_steps, sampled_values, sized
from shopkb.core.flow.model import Flow, Step
from shopkb.core.readings.bands import Band
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.units import UNITS

SOUND: Final = ""
"""Stands for the circuit with no fault where a key of a cause stands."""

METER_SHARE: Final = 0.01
METER_LEAST: Final[Mapping[str, float]] = {"voltage": 0.01, "current": 0.2, "resistance": 0.2}
"""Standard uncertainty of a usual workshop meter: a share of the reading, and a least in V, A and ohm (its last digit,
the zero of a clamp, the leads of an ohmmeter)."""

BANDS_KEPT: Final = 20_000
"""Shares of outcomes that are kept with one set of readings: those of some tens of drafts."""

RUNS_KEPT: Final = 16
"""Sets of known values for which the readings of one flow are kept."""


MOST_WORK: Final = 60_000
"""What is computed at most, as :func:`work_of` counts it: about two seconds of one core and 200 MB. It is done while a
page is waited for, anew for each vehicle's values."""


@dataclass(frozen=True, eq=False)
class Predictions:
    """Readings by step and cause in the unit of the step, over samples. ``rows`` are the places of steps, ``columns``
    those of each cause: several where it may be in any of several parts. :data:`SOUND` is the first column."""

    rows: Mapping[str, int]
    columns: Mapping[str, tuple[int, ...]]
    table: Array
    values: tuple[Values, ...]

    def of(self, step: str, cause: str = SOUND) -> Array:
        """The readings of one step with one cause; empty where they cannot be told."""
        if step not in self.rows or cause not in self.columns:
            return np.empty(0)
        found = self.table[self.rows[step], list(self.columns[cause])].ravel()
        return np.empty(0) if np.isnan(found).any() else found

    @cached_property
    def causes(self) -> tuple[str, ...]:
        """The keys of the causes that are in the circuit."""
        return tuple(key for key in self.columns if key != SOUND)


NOTHING: Final = Predictions({}, {}, np.empty((0, 0, 0)), ())


def predictions(flow: Flow, known: Values | None = None) -> Predictions:
    """What would be read at the steps of a flow, kept in the flow, as it never changes.

    ``known`` are the values of a run, as far as they are known. Nothing is predicted where there is no circuit, or one
    that is too large or whose sizes cannot be worked out, which the checks say.
    """
    if flow.circuit is None:
        return NOTHING
    kept: dict[tuple[tuple[str, Quantity], ...], Predictions] = vars(flow).setdefault("_predictions", {})
    key = tuple(sorted((known or {}).items(), key=lambda pair: pair[0]))
    if key not in kept:
        while len(kept) >= RUNS_KEPT:
            kept.pop(next(iter(kept)), None)
        kept[key] = predicted_anew(flow, known or {})
    return kept[key]


def work_of(flow: Flow) -> int:
    """What predicting takes: parts x steps that measure in the circuit x places where it can fail, the sound one
    among them."""
    parts = len(flow.circuit.parts) if flow.circuit is not None else 0
    faults = sum(len(cause.fault.parts) for cause in flow.causes if cause.fault is not None)
    return parts * sum(1 for _ in measured_steps(flow.steps)) * (1 + faults)


@dataclass(frozen=True, slots=True)
class _Asked:
    """A flow and known values, equal to others from which the same readings follow: the circuit, the values, what fails
    with each cause, and what is measured at each step. Bands, words and ways make no difference."""

    key: tuple[object, ...]
    flow: Flow = field(compare=False)
    known: Values = field(compare=False)


def predicted_anew(flow: Flow, known: Values) -> Predictions:
    """:func:`predictions` of this flow. Drafts and orders of one procedure share them: what is read stays the same."""
    if flow.circuit is None or work_of(flow) > MOST_WORK:
        return NOTHING
    tests = measured_steps(flow.steps)
    key = (
        flow.circuit,
        flow.values,
        tuple((cause.key, cause.fault) for cause in flow.causes),
        tuple((step.key, condition, measured, step.reading) for step, condition, measured in tests),
        tuple(sorted(known.items(), key=lambda pair: pair[0])),
    )
    return _worked_out(_Asked(key, flow, known))


@lru_cache(maxsize=64)
def _worked_out(asked: _Asked) -> Predictions:
    flow, known = asked.flow, asked.known
    if flow.circuit is None:
        return NOTHING
    sampled = sampled_values(flow, known)
    try:
        circuit, sizes = sized(flow.circuit, sampled)
    except SizeUnknown:
        return NOTHING
    tests = list(measured_steps(flow.steps))
    faults = [fault for fault in faults_of(flow) if fault.part in circuit.place]
    table = readings(circuit, sizes, [(condition, measured) for _, condition, measured in tests], faults)
    for row, (step, _, _) in enumerate(tests):
        table[row] /= float(UNITS[step.reading.unit].scale) if step.reading else 1.0
    columns: dict[str, tuple[int, ...]] = {SOUND: (0,)}
    for number, fault in enumerate(faults, start=1):
        columns[fault.cause] = (*columns.get(fault.cause, ()), number)
    rows = {step.key: row for row, (step, _, _) in enumerate(tests)}
    return Predictions(rows, columns, table, sampled.values)


# How likely each outcome is -------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class BandEnds:
    """The bands of a step in numbers: outcomes x samples. A band of over-limit displays alone has no ends."""

    lows: Array
    highs: Array
    lows_out: NDArray[np.bool_]
    highs_out: NDArray[np.bool_]
    over_limit: NDArray[np.bool_]

    def inside(self, found: Array) -> NDArray[np.bool_]:
        """Outcomes x readings: in which band each reading lies; readings are those of the samples, once or more."""
        times = len(found) // self.lows.shape[1]
        lows, highs = (np.tile(ends, times) for ends in (self.lows, self.highs))
        above = np.where(self.lows_out[:, None], found > lows, found >= lows)
        below = np.where(self.highs_out[:, None], found < highs, found <= highs)
        finite = np.where(self.over_limit[:, None], False, above & below)
        topless = np.asarray(np.isinf(self.highs).all(axis=1))
        beyond = self.over_limit if self.over_limit.any() else topless
        return np.asarray(np.where(np.isinf(found), beyond[:, None], finite), dtype=np.bool_)


def outcome_shares(predicted: Predictions, step: Step, cause: str = SOUND) -> Array:
    """P(outcome | cause) of the outcomes of a step, from the samples and what a usual meter may err by.

    Empty where it cannot be told: no prediction, an outcome without a band, a value without limits.
    """
    if predicted is NOTHING:
        return np.empty(0)
    kept: dict[tuple[object, ...], Array] = vars(predicted).setdefault("_shares", {})
    key = (step.key, _bands(step), cause)
    if key not in kept:
        if len(kept) >= BANDS_KEPT:
            kept.clear()
        kept[key] = _shares(predicted, step, cause)
    return kept[key]


def _bands(step: Step) -> tuple[Band | None, ...]:
    return tuple(outcome.band for outcome in step.outcomes)


def _shares(predicted: Predictions, step: Step, cause: str) -> Array:
    found = predicted.of(step.key, cause)
    ends = band_ends(predicted, step) if len(found) else None
    if ends is None:
        return np.empty(0)
    times = len(found) // len(predicted.values)
    spread = np.maximum(meter_spread(step, found), 1e-12)
    near = np.where(np.isfinite(found), found, 0.0)
    lows, highs = (np.tile(each, times) for each in (ends.lows, ends.highs))
    shares = np.where(np.isinf(found), ends.inside(found), ndtr((highs - near) / spread) - ndtr((lows - near) / spread))
    shares[ends.over_limit] = ends.inside(found)[ends.over_limit]
    means = shares.mean(axis=1)
    total = means.sum()
    return np.asarray(means / total) if total > 0.5 else np.empty(0)


def meter_spread(step: Step, found: Array) -> Array:
    """Standard uncertainty of readings of a step, in its unit."""
    if step.reading is None:
        return np.zeros_like(found)
    least = METER_LEAST.get(step.reading.quantity, 0.0) / float(UNITS[step.reading.unit].scale)
    if step.reading.unit in ("mV", "mA"):  # a finer range
        least /= 100
    sizes = np.where(np.isfinite(found), np.abs(found), 0.0)
    return np.asarray(np.sqrt((METER_SHARE * sizes) ** 2 + least**2))


def band_ends(predicted: Predictions, step: Step) -> BandEnds | None:
    """The bands of a step in its unit; None where one has no band, or a value no limits."""
    if predicted is NOTHING:
        return None
    kept: dict[tuple[object, ...], BandEnds | None] = vars(predicted).setdefault("_ends", {})
    key = (step.key, _bands(step))
    if key not in kept:
        if len(kept) >= BANDS_KEPT:
            kept.clear()
        kept[key] = _band_ends(predicted, step)
    return kept[key]


def _band_ends(predicted: Predictions, step: Step) -> BandEnds | None:
    bands = [outcome.band for outcome in step.outcomes if outcome.band is not None]
    if step.reading is None or not bands or len(bands) < len(step.outcomes):
        return None
    unit, samples = step.reading.unit, len(predicted.values)
    try:
        rows = [
            [band.resolve(values, unit) for values in (predicted.values if band.names else predicted.values[:1])]
            for band in bands
        ]
    except ReadingError:
        return None
    whole = [row if len(row) == samples else row * samples for row in rows]
    return BandEnds(
        np.array([[each.low for each in row] for row in whole]),
        np.array([[each.high for each in row] for row in whole]),
        np.array([row[0].low_open for row in rows]),
        np.array([row[0].high_open for row in rows]),
        np.array([row[0].over_limit for row in rows]),
    )
