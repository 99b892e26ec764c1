"""Readings of closed jobs as densities: how likely a value is at a step with each cause.

A sum of normal curves about the readings (E. Parzen, On estimation of a probability density function and mode, Ann.
Math. Stat. 33, 1962), on a scale that is logarithmic for sizes and plain about zero, of one width for the whole step
and never narrower than what a meter errs by. How they are found: :mod:`.reading_fit`; what they say on a job:
:mod:`.reading_likelihoods`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.diagnosis.rates.pooling import IntArray
from shopkb.core.flow.circuits.predicted import meter_spread
from shopkb.core.flow.model import Step
from shopkb.core.readings.bands import Interval

BAND_WEIGHT: Final = 6.0
"""Readings that what the bands say counts for, beside those of a cause."""

LEAST_BANDS: Final = 0.2
"""The bands keep at least this share of the density of every cause, however many readings it has: a cause loses at most
by this factor more than by its band."""

ANYWHERE: Final = 0.05
"""Share of all readings that may lie anywhere, far from those that were ever read."""


class MeasuredAnswer(NamedTuple):
    """A reading in the unit of its step, the answer that was given with it, and the cause that its job proved."""

    reading: float
    outcome: str
    cause: str


@dataclass(frozen=True, eq=False)
class StepDensities:
    """The readings of one step in ``unit``, by identity of the proven cause, and how they are smoothed.

    A reading x stands at arsinh(x / ``scale``); ``width`` is the standard deviation of each curve there. ``trust`` is
    the share of what they tell that counts beside what their bands tell.
    """

    unit: str
    scale: float
    width: float
    by_cause: Mapping[str, tuple[float, ...]]
    trust: float = 1.0

    @cached_property
    def every(self) -> Array:
        """All readings, cause by cause."""
        return np.array([one for readings in self.by_cause.values() for one in readings])

    @cached_property
    def how_many(self) -> IntArray:
        """Readings of each cause."""
        return np.array([len(readings) for readings in self.by_cause.values()], dtype=np.intp)

    @cached_property
    def middle(self) -> tuple[float, float]:
        """Median of the places of all readings, and how far their 16th and 84th percentiles are apart."""
        return middle_of(self.places(self.every))

    def places(self, readings: Array | float) -> Array:
        return np.asarray(np.arcsinh(np.asarray(readings, dtype=np.float64) / self.scale))


def curves(step: Step, learned: StepDensities, readings: Array, place: Array) -> Array:
    """The curve about each of the readings, at one place."""
    width = np.hypot(learned.width, meter_width(step, learned, readings))
    apart = (place - learned.places(readings)) / width
    found: Array = np.exp(-(apart**2) / 2) / (math.sqrt(2 * math.pi) * width)
    return found


def meter_width(step: Step, learned: StepDensities, readings: Array) -> Array:
    """Standard uncertainty of a usual meter, on the scale of places."""
    least = 1e-6 * learned.scale
    found: Array = np.maximum(meter_spread(step, readings), least) / np.hypot(readings, learned.scale)
    return found


def density_anywhere(learned: StepDensities, samples: Sequence[Array], place: float) -> float:
    """A Cauchy curve about all readings: far out it is above any sum of normal ones."""
    centre, apart = learned.middle if learned.by_cause else middle_of(learned.places(np.concatenate(samples)))
    spread = max(apart, 4 * learned.width, 1e-6)
    return 1.0 / (math.pi * spread * (1 + ((place - centre) / spread) ** 2))


def middle_of(places: Array) -> tuple[float, float]:
    low, middle, high = np.quantile(places, [0.16, 0.5, 0.84])
    return float(middle), float(high - low)


def usual_scale(step: Step, readings: Array) -> float:
    """A tenth of the usual size: above it places are as good as logarithmic, about zero plain."""
    ends = [
        abs(end)
        for outcome in step.outcomes
        if (band := plain_band(step, outcome.key)) is not None
        for end in (band.low, band.high)
        if math.isfinite(end) and end
    ]
    sizes = np.abs(readings[readings != 0])
    return (min(ends) if ends else float(np.median(sizes)) if sizes.size else 1.0) / 10


def plain_band(step: Step, outcome: str) -> Interval | None:
    band = step.outcome(outcome).band
    if step.reading is None or band is None or band.over_limit or band.names:
        return None
    return band.resolve({}, step.reading.unit)


def column_of(model: CauseModel, cause: str) -> int:
    """That of a cause, of what it lies behind, or else of ``other``."""
    column = model.column_of.get(cause)
    if column is not None:
        return column
    part = next((part.identity for part in model.behind if cause in part.causes), model.causes[-1])
    return model.column_of[part]
