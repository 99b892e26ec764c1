"""Difference of two revisions in minutes and right ends, with its uncertainty: both appraised with the same draws.

Causes, likelihoods and minutes are drawn from what the jobs say of them (Dirichlet, Dirichlet, normal). Where both
revisions have a step and outcome they use the same draw (common random numbers), so their difference is not blurred
by what they share. An order never tried is an extrapolation: it assumes that readings do not depend on each other.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import gammaincinv, ndtri

from shopkb.core.diagnosis.appraisal.expected_cost import appraise
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.likelihoods import FLOOR, LEAST_MINUTES
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.model import Flow

DRAWS: Final = 400
SURE: Final = 0.9
RIGHT_FALLS: Final = 0.02
MAY_FALL: Final = 0.2
MOST_UNTESTED: Final = 0.25


@dataclass(frozen=True, slots=True)
class MeanInterval:
    """A difference, new less old: its mean and 80 % interval over the draws."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Difference:
    """What a draft changes. ``faster`` is the chance that it takes fewer expected minutes, ``right_falls`` that its
    chance of a right end falls by more than 2 points. ``untested`` is the share of the draft's minutes spent in steps
    that no verified job has taken, where only the writer's word stands."""

    minutes: MeanInterval
    right: MeanInterval
    faster: float
    right_falls: float
    untested: float

    @property
    def is_faster(self) -> bool:
        """Whether it may be called faster: 90 % sure, no more than 20 % risk for right ends, and no more than a quarter
        of its minutes in steps that only their writer has spoken for."""
        return self.faster >= SURE and self.right_falls < MAY_FALL and self.untested <= MOST_UNTESTED

    @property
    def words(self) -> str:
        """What may be said, in words."""
        way = "fewer" if self.minutes.mean < 0 else "more"
        size = f"{abs(self.minutes.mean):.1f} minutes {way} on average"
        span = f"80 % interval {self.minutes.low:+.1f} to {self.minutes.high:+.1f}"
        verdict = "It is faster" if self.is_faster else "That it is faster is not shown"
        new = f" {self.untested:.0%} of its minutes are in steps no job has tried." if self.untested >= 0.01 else ""
        return f"{verdict} ({self._reason}): {size}, {span}.{new} It assumes that readings do not depend on each other."

    @property
    def _reason(self) -> str:
        if self.faster >= SURE and self.right_falls >= MAY_FALL:
            return f"right ends may fall: {self.right_falls:.0%} risk"
        if self.faster >= SURE and self.untested > MOST_UNTESTED:
            return "too little of it has been tried"
        return f"{self.faster:.0%} sure"


def difference(
    old: tuple[Flow, CauseModel], new: tuple[Flow, CauseModel], generator: np.random.Generator, draws: int = DRAWS
) -> Difference:
    """Appraise both revisions of one procedure with the same draws. O(draws x branches x causes).

    The models must come from :func:`likelihoods.learn`, each of its own flow. The same generator state gives the same
    answer.

    Raises:
        ValueError: a model was not learned, or a flow cannot be appraised.
    """
    if any(model.prior_weights is None or model.table_weights is None for _, model in (old, new)):
        raise ValueError("Both revisions must be learned from evidence before they can be compared.")
    found = np.empty((draws, 4))
    shared = _SharedDraws(generator, draws)
    both = zip(_drawn(old[1], new[1], shared, draws), _drawn(new[1], old[1], shared, draws), strict=True)
    for place, (first, second) in enumerate(both):
        before = appraise(old[0], first, with_sensitivities=False)
        after = appraise(new[0], second, with_sensitivities=False)
        found[place] = before.minutes, after.minutes, before.right, after.right
    minutes, right = found[:, 1] - found[:, 0], found[:, 3] - found[:, 2]
    return Difference(
        minutes=_spread(minutes),
        right=_spread(right),
        faster=float(np.mean(minutes < 0)),
        right_falls=float(np.mean(right < -RIGHT_FALLS)),
        untested=untested(*new),
    )


def _spread(values: Array) -> MeanInterval:
    low, high = np.quantile(values, (0.1, 0.9))
    return MeanInterval(float(values.mean()), float(low), float(high))


class _SharedDraws:
    """Uniform draws by key, kept, so that whatever two revisions share is drawn once: draws x keys."""

    def __init__(self, generator: np.random.Generator, draws: int) -> None:
        self.generator, self.draws = generator, draws
        self.kept: dict[tuple[str, ...], Array] = {}

    def of(self, keys: Iterable[tuple[str, ...]]) -> Array:
        columns = []
        for key in keys:
            if key not in self.kept:
                self.kept[key] = self.generator.random(self.draws)
            columns.append(self.kept[key])
        return np.stack(columns, axis=1) if columns else np.zeros((self.draws, 0))


def _drawn(model: CauseModel, beside: CauseModel, shared: _SharedDraws, draws: int) -> Iterator[CauseModel]:
    priors, tables, minutes = _priors(model, beside, shared), _tables(model, shared), _minutes(model, shared)
    for place in range(draws):
        tests = tuple(
            replace(test, minutes=float(took)) for test, took in zip(model.tests, minutes[place], strict=True)
        )
        yield replace(model, prior=priors[place], table=tables[place], tests=tests)


def _priors(model: CauseModel, beside: CauseModel, shared: _SharedDraws) -> Array:
    """Gamma variates by cause; what only the other revision knows belongs to ``other`` here. Draws x causes."""
    weights = _union(model, beside)
    gammas = gammaincinv(np.array(list(weights.values())), shared.of(("prior", cause) for cause in weights))
    column = {cause: place for place, cause in enumerate(weights)}
    mine = gammas[:, [column[cause] for cause in model.causes]]
    mine[:, -1] += gammas[:, [place for cause, place in column.items() if cause not in model.column_of]].sum(axis=1)
    mine = np.maximum(mine, 1e-12)
    priors: Array = mine / mine.sum(axis=1, keepdims=True)
    return priors


def _tables(model: CauseModel, shared: _SharedDraws) -> Array:
    """Draws x branches x causes."""
    weights = np.asarray(model.table_weights)
    uniforms = shared.of(("table", *branch[:3], cause) for branch in model.branches for cause in model.causes)
    gammas = np.maximum(gammaincinv(weights, uniforms.reshape(-1, *weights.shape)), 1e-12)
    tables: Array = np.empty_like(gammas)
    for test in model.tests:
        rows = slice(test.start, test.stop)
        tables[:, rows] = np.maximum(gammas[:, rows] / gammas[:, rows].sum(axis=1, keepdims=True), FLOOR)
        tables[:, rows] /= tables[:, rows].sum(axis=1, keepdims=True)
    return tables


def _minutes(model: CauseModel, shared: _SharedDraws) -> Array:
    """Draws x tests: the mean minutes of each, uncertain by their scatter over the root of the jobs."""
    uniforms = shared.of(("minutes", test.procedure, test.step) for test in model.tests)
    error = np.array([(test.variance / test.timed) ** 0.5 for test in model.tests])
    drawn: Array = np.maximum(model.minutes + ndtri(np.clip(uniforms, 1e-9, 1 - 1e-9)) * error, LEAST_MINUTES)
    return drawn


def _union(one: CauseModel, other: CauseModel) -> dict[str, float]:
    """Weights of the causes of both models, the same whichever comes first."""
    first, second = _weights(one), _weights(other)
    found: dict[str, float] = {}
    for cause in sorted((first.keys() | second.keys()) - {OTHER}):
        known = [weights[cause] for weights in (first, second) if cause in weights]
        found[cause] = sum(known) / len(known)
    return {**found, OTHER: min(first[OTHER], second[OTHER])}


def _weights(model: CauseModel) -> dict[str, float]:
    return dict(zip(model.causes, np.asarray(model.prior_weights).tolist(), strict=True))


def untested(flow: Flow, model: CauseModel) -> float:
    """The share of the expected minutes that is spent in steps no verified job has taken."""
    found = appraise(flow, model, with_sensitivities=False)
    spent: dict[str, float] = {}
    for (step, _), passing in found.branches.items():
        test = model.tests[model.test_of[flow.procedure, step]]
        spent[step] = spent.get(step, 0.0) + passing.traffic * test.minutes
    tried = {
        test.step
        for test in model.tests
        if model.evidence is not None and model.evidence[test.start : test.stop].sum() > 0
    }
    total = sum(spent.values())
    return sum(minutes for step, minutes in spent.items() if step not in tried) / total if total > 0 else 0.0
