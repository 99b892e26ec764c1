"""Drift: the last months of a branch, a step or a reading against all months before.

A change is reported by a Bayes factor: how much better two different rates explain the jobs than a single one (R. Kass
and A. Raftery, Bayes factors, JASA 90, 1995; reported above e^2, their "positive" evidence). Where nothing changed that
happens to about 1 branch in 100 (``python -m tests.simulation drift``), so that one flag among many may be chance.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from scipy.special import gammaln

from shopkb.core.diagnosis.counting.ageing import month_number
from shopkb.core.diagnosis.counting.flow_counts import FlowCounts, count
from shopkb.core.diagnosis.counting.tallies import Tallies, TallyKey, TallySums
from shopkb.core.diagnosis.rates.intervals import Array, Rate, jeffreys
from shopkb.core.flow.model import Flow
from shopkb.core.readings.quantities import ReadingError

RECENT_MONTHS: Final = 6
"""Months that count as recent, the present one included."""

TOLD: Final = 2.0
"""Natural logarithm of the Bayes factor above which a change is reported."""

FEWEST: Final = 5
"""Readings that either side needs for a drift to be reported: a shop has many steps, and a slip is soon made."""

SKIPPED: Final = 0.2
"""A step that more jobs than this share skip is often skipped."""


@dataclass(frozen=True, slots=True)
class BranchDrift:
    """A branch whose success rate is not what it was. Whole jobs that can be judged, and those of them right."""

    step: str
    outcome: str
    recent: tuple[int, int]
    before: tuple[int, int]
    strength: float

    @property
    def fallen(self) -> bool:
        """Whether it is right less often than before."""
        return self.recent[0] * self.before[1] < self.before[0] * self.recent[1]

    @property
    def words(self) -> str:
        """What changed, in one sentence."""
        way = "less" if self.fallen else "more"
        return (
            f"Right {way} often than before: {self.recent[0]} of {self.recent[1]} in the last {RECENT_MONTHS} months, "
            f"{self.before[0]} of {self.before[1]} earlier."
        )


@dataclass(frozen=True, slots=True)
class StepDrift:
    """A step whose results fall otherwise than they did: jobs by outcome, in the flow's order."""

    step: str
    outcomes: tuple[str, ...]
    recent: tuple[int, ...]
    before: tuple[int, ...]
    strength: float

    @property
    def most_changed(self) -> str:
        """The outcome whose share changed most."""
        now, then = (np.array(jobs) / max(sum(jobs), 1) for jobs in (self.recent, self.before))
        return self.outcomes[int(np.abs(now - then).argmax())]

    def words(self, label: str) -> str:
        """What changed, in one sentence; ``label`` is what people read of the outcome that changed most."""
        here = self.outcomes.index(self.most_changed)
        return (
            f"Its results have shifted: {self.recent[here]} of {sum(self.recent)} jobs gave "
            f"“{label}” in the last {RECENT_MONTHS} months, {self.before[here]} of {sum(self.before)} earlier."
        )


@dataclass(frozen=True, slots=True)
class Skipped:
    """A step that is often skipped: jobs that came to it, those that skipped it, and the reason given most."""

    step: str
    skipped: int
    came: int
    reason: str


@dataclass(frozen=True, slots=True)
class ReadingDrift:
    """Readings of one outcome that are higher or lower than they were: how many, and their medians in ``unit``.

    ``limit`` is the limit of the outcome's band that they have come nearer to, if any of its limits is a plain figure.
    """

    step: str
    outcome: str
    unit: str
    recent: tuple[int, float]
    before: tuple[int, float]
    limit: float | None
    strength: float


@dataclass(frozen=True, slots=True)
class Drift:
    """All changes that are told of one flow, strongest first."""

    branches: tuple[BranchDrift, ...] = ()
    steps: tuple[StepDrift, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.branches or self.steps)


def change(recent: Sequence[float], before: Sequence[float]) -> float:
    """Log Bayes factor that jobs of several kinds came in other shares lately than before; 0 without jobs on one side.

    Both sides have the same kinds in the same order. Every set of shares has the prior Dirichlet(1/2, ..., 1/2).

    Raises:
        ValueError: the kinds differ in number, or a count is negative or not finite.
    """
    here, there = np.asarray(recent, dtype=float), np.asarray(before, dtype=float)
    if here.shape != there.shape or here.size == 0:
        raise ValueError("Both periods must have the same kinds of jobs, and at least one.")
    if not np.all(np.isfinite(here)) or not np.all(np.isfinite(there)) or min(here.min(), there.min()) < 0:
        raise ValueError("Counts of jobs are finite and not negative.")
    if not here.sum() or not there.sum():
        return 0.0
    return _log_evidence(here) + _log_evidence(there) - _log_evidence(here + there)


def reading_change(recent: Sequence[float], before: Sequence[float]) -> float:
    """Log Bayes factor that readings of one step are higher or lower lately than before; 0 below 3 on either side.

    By ranks, so one slip of the pen does not matter, and by Schwarz's approximation: with H of W. Kruskal and W. Wallis
    (JASA 47, 1952), -n/2 ln(1 - H/(n-1)) - ln(n)/2. Compare readings of the same outcome and unit: whether another
    outcome is found more often is what :func:`change` tells.

    Raises:
        ValueError: a reading is not finite.
    """
    here, there = np.asarray(recent, dtype=float), np.asarray(before, dtype=float)
    if not np.all(np.isfinite(here)) or not np.all(np.isfinite(there)):
        raise ValueError("Readings are finite numbers.")
    if min(here.size, there.size) < 3:
        return 0.0
    _, place, ties = np.unique(np.r_[here, there], return_inverse=True, return_counts=True)
    ranks = (np.cumsum(ties) - (ties - 1) / 2)[place]
    all_about = float(((ranks - ranks.mean()) ** 2).sum())
    if all_about == 0:
        return 0.0
    own = sum(float(((part - part.mean()) ** 2).sum()) for part in (ranks[: here.size], ranks[here.size :]))
    n = ranks.size
    return float(n / 2 * np.log(all_about / max(own, all_about / n**2)) - np.log(n) / 2)


def often_skipped(recent: FlowCounts) -> tuple[Skipped, ...]:
    """Steps that surely more than one job in five skipped, by the near end of the 80 % interval, most first."""
    found = []
    for step, reasons in recent.skipped.items():
        skipped = sum(reasons.values())
        done = int(recent.whole[0, recent.rows_of_step[step]].sum())
        rate = jeffreys(skipped, skipped + done, 0.8)
        if isinstance(rate, Rate) and rate.low > SKIPPED:
            most = max(sorted(reasons), key=lambda reason: reasons[reason])
            found.append(Skipped(step, skipped, skipped + done, most))
    return tuple(sorted(found, key=lambda one: -one.skipped / one.came))


Readings = Mapping[tuple[str, str, str], Sequence[float]]
"""Readings by (step, outcome, unit)."""


def drifting_readings(flow: Flow, recent: Readings, before: Readings) -> tuple[ReadingDrift, ...]:
    """Readings that have shifted (:func:`reading_change`), strongest first."""
    found = []
    for (step, outcome, unit), now in recent.items():
        then = before.get((step, outcome, unit), ())
        strength = reading_change(now, then)
        if strength > TOLD and min(len(now), len(then)) >= FEWEST:
            medians = float(np.median(now)), float(np.median(then))
            limit = _nearer(flow, step, outcome, unit, *medians)
            found.append(
                ReadingDrift(step, outcome, unit, (len(now), medians[0]), (len(then), medians[1]), limit, strength)
            )
    return tuple(sorted(found, key=lambda one: (-one.strength, one.step, one.outcome, one.unit)))


def _nearer(flow: Flow, step: str, outcome: str, unit: str, now: float, then: float) -> float | None:
    """The limit of the band towards which readings moved, if it is a plain figure."""
    one = flow.step_by_key.get(step)
    band = next((each.band for each in one.outcomes if each.key == outcome), None) if one else None
    end = None if band is None else band.high if now > then else band.low
    if end is None or end.names:
        return None
    try:
        limit = end.evaluate({}, unit)
    except ReadingError:
        return None
    return limit if math.isfinite(limit) else None


def drift(
    flow: Flow,
    tallies: Tallies,
    *,
    as_of: str,
    months: int = RECENT_MONTHS,
    beyond: Mapping[str, frozenset[str]] = MappingProxyType({}),
) -> Drift:
    """What changed in the last ``months`` before the end of ``as_of``, in whole jobs of all platforms. O(tallies)."""
    halves = split(tallies, as_of, months)
    return drift_between(*(count(flow, half, as_of=as_of, half_life=None, beyond=beyond) for half in halves))


def split(tallies: Tallies, as_of: str, months: int = RECENT_MONTHS) -> tuple[Tallies, Tallies]:
    """Those of the last months, and those of before."""
    since = month_number(as_of) - months
    recent: dict[TallyKey, TallySums] = {}
    before: dict[TallyKey, TallySums] = {}
    for key, sums in tallies.items():
        (recent if month_number(key.month) > since else before)[key] = sums
    return recent, before


def drift_between(recent: FlowCounts, before: FlowCounts) -> Drift:
    """What changed between two counts of one flow, both in whole jobs (without forgetting)."""
    flow, parts = recent.flow, (recent, before)
    branches = [_branch(branch, parts) for branch in parts[0].branches]
    steps = [_step(step.key, parts) for step in flow.steps if step.outcomes]
    return Drift(
        tuple(sorted((one for one in branches if one.strength > TOLD), key=lambda one: -one.strength)),
        tuple(sorted((each for each in steps if each.strength > TOLD), key=lambda each: -each.strength)),
    )


def _branch(branch: tuple[str, str], parts: Sequence[FlowCounts]) -> BranchDrift:
    row = parts[0].row_of[branch]
    sides = [(int(part.by_platform.wins[:, row].sum()), int(part.by_platform.jobs[:, row].sum())) for part in parts]
    strength = change(*([wins, jobs - wins] for wins, jobs in sides))
    return BranchDrift(*branch, sides[0], sides[1], strength)


def _step(step: str, parts: Sequence[FlowCounts]) -> StepDrift:
    rows = parts[0].rows_of_step[step]
    recent, before = (part.by_platform.traffic[:, rows].sum(axis=0).astype(int).tolist() for part in parts)
    outcomes = tuple(outcome for _, outcome in parts[0].branches[rows])
    return StepDrift(step, outcomes, tuple(recent), tuple(before), change(recent, before))


def _log_evidence(jobs: Array) -> float:
    """Log probability of the jobs in one order: Dirichlet-multinomial without its coefficient."""
    half = 0.5
    return float(
        gammaln(half * jobs.size)
        - gammaln(half * jobs.size + jobs.sum())
        + (gammaln(half + jobs) - gammaln(half)).sum()
    )
