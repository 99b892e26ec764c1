"""Limits that closed jobs speak against: the limit between two bands held against readings whose cause was proven.

A reading belongs to the side of the limit behind which the cause lies that its job proved. The limit at which the two
sides are as likely is found by logistic regression on the reading (D. Cox, JRSS B 20, 1958), made robust against causes
that were proven wrongly (J. Copas, Binary regression models for contaminated data, JRSS B 50, 1988), with weak priors
around the limit in force, so that a few jobs move it little. Whether it is better is judged on jobs that it was not
fitted to (M. Stone, Cross-validatory choice, JRSS B 36, 1974), by those alone that the two limits tell apart (Q.
McNemar, Psychometrika 12, 1947).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import permutations
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincc, expit

from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.flow.model import Flow, Step
from shopkb.core.flow.paths import causes_reachable
from shopkb.core.readings.bands import Interval
from shopkb.core.readings.quantities import ReadingError

FEWEST: Final = 10
"""Readings with a proven cause that either side needs."""

FEWEST_SAVED: Final = 3
"""Fewer answers put right, those made wrong taken off, are no reason to change a limit."""

SURE: Final = 0.95
"""Chance that the other limit gives the right answer more often, from which it is proposed."""

FOLDS: Final = 5
CONTAMINATED: Final = 0.03
"""Share of jobs whose cause may have been proven wrongly, whatever they read."""

Flags = NDArray[np.bool_]


class MeasuredCase(NamedTuple):
    """A reading in the unit of its step, and the identity of the cause that its job proved."""

    step: str
    reading: float
    cause: str


@dataclass(frozen=True, slots=True)
class Limit:
    """A plain figure at which the band of one outcome ends and that of another begins, in the unit of the step.

    ``low_in``: a reading of exactly this belongs to the outcome above.
    """

    step: str
    below: str
    above: str
    at: float
    low_in: bool = True


@dataclass(frozen=True, slots=True)
class LimitProposal:
    """Another limit that gives the right answer more often.

    Of ``below`` and ``above`` readings with a proven cause on that side, ``wrong_now`` fall on the other side of the
    limit in force and ``wrong_then`` on that of the ``proposed`` one; ``put_right`` and ``made_wrong`` are those that
    the two tell apart. ``chance`` is the probability that the other limit is right more often.
    """

    limit: Limit
    proposed: float
    below: int
    above: int
    wrong_now: int
    wrong_then: int
    put_right: int
    made_wrong: int
    chance: float


def limit_proposals(flow: Flow, cases: Sequence[MeasuredCase]) -> tuple[LimitProposal, ...]:
    """What closed jobs say against the limits of a flow, those that would save most answers first.

    O(limits x readings).
    """
    by_step: dict[str, list[MeasuredCase]] = {}
    for case in cases:
        by_step.setdefault(case.step, []).append(case)
    found = (limit_proposal(limit, *sides(flow, limit, by_step.get(limit.step, ()))) for limit in plain_limits(flow))
    return tuple(sorted((one for one in found if one is not None), key=lambda one: one.wrong_then - one.wrong_now))


def plain_limits(flow: Flow) -> tuple[Limit, ...]:
    """The limits of a flow that are plain figures, in the order of its steps."""
    return tuple(limit for step in flow.steps for limit in _limits(step))


def sides(flow: Flow, limit: Limit, cases: Iterable[MeasuredCase]) -> tuple[Array, Flags]:
    """Readings whose proven cause lies behind one side of the limit only, and whether that is the upper side."""
    identity = {cause.key: cause.identity for cause in flow.causes}
    below, above = (
        {identity[key] for key in causes_reachable(flow, limit.step, outcome)} for outcome in (limit.below, limit.above)
    )
    told = [case for case in cases if (case.cause in below) != (case.cause in above)]
    return np.array([case.reading for case in told]), np.array([case.cause in above for case in told], dtype=bool)


def better_limit(readings: Array, upper: Flags, at: float) -> float | None:
    """The limit at which both sides are as likely, in the unit of the readings; ``None`` where higher readings do not
    speak for the upper side."""
    scale = abs(at) / 10 or float(np.median(np.abs(readings))) or 1.0
    centre = math.asinh(at / scale)
    places = np.arcsinh(readings / scale) - centre
    spread = _spread(places, upper)
    if spread == 0 or np.median(readings[upper]) <= np.median(readings[~upper]):
        return None
    places, signs = places / spread, np.where(upper, 1.0, -1.0)

    def against(parameters: Array) -> float:
        middle, steepness = float(parameters[0]), math.exp(min(float(parameters[1]), 50.0))
        right = expit(signs * steepness * (places - middle))
        likely = float(np.log(CONTAMINATED + (1 - 2 * CONTAMINATED) * right).sum())
        return middle**2 / 8 + (float(parameters[1]) - math.log(2)) ** 2 / 2 - likely

    # Here, not at the head: it takes half a second of every start.
    from scipy.optimize import minimize

    starts = [np.array([middle, math.log(2)]) for middle in (0.0, float(np.median(places)))]
    best = min((minimize(against, start, method="Nelder-Mead") for start in starts), key=lambda one: float(one.fun))
    return scale * math.sinh(float(best.x[0]) * spread + centre)


def rounded_limit(exact: float, at: float) -> float:
    """The shortest figure that lies nearer to the exact one than a tenth of the way from the limit in force."""
    room = abs(exact - at) / 10
    for digits in range(1, 8):
        short = float(f"{exact:.{digits}g}")
        if abs(short - exact) <= room:
            return short
    return exact


def _limits(step: Step) -> list[Limit]:
    bands = [(outcome.key, band) for outcome in step.outcomes if (band := _resolved(step, outcome.key)) is not None]
    return [
        Limit(step.key, below, above, one.high, not two.low_open)
        for (below, one), (above, two) in permutations(bands, 2)
        if math.isfinite(one.high) and one.high == two.low and _is_plain(step, below, above)
    ]


def _resolved(step: Step, outcome: str) -> Interval | None:
    band = step.outcome(outcome).band
    if step.reading is None or band is None or band.over_limit:
        return None
    try:
        return band.resolve({}, step.reading.unit)
    except ReadingError:
        return None


def _is_plain(step: Step, below: str, above: str) -> bool:
    ends = step.outcome(below).band, step.outcome(above).band
    return not any(band is None or band.names for band in ends)


def _spread(places: Array, upper: Flags) -> float:
    """Of the readings of one side about their median, both sides together: 1.4826 times the median distance."""
    apart = [places[side] - np.median(places[side]) for side in (upper, ~upper) if side.any()]
    return 1.4826 * float(np.median(np.abs(np.concatenate(apart)))) if apart else 0.0


def limit_proposal(limit: Limit, readings: Array, upper: Flags) -> LimitProposal | None:
    """What these readings say against the limit, if anything; ``upper``: whose cause lies on the upper side."""
    above = int(upper.sum())
    below = upper.size - above
    if min(below, above) < FEWEST or not _wrong(readings, upper, limit, limit.at).any():
        return None
    exact = better_limit(readings, upper, limit.at)
    if exact is None:
        return None
    proposed = rounded_limit(exact, limit.at)
    now, then = (_wrong(readings, upper, limit, at) for at in (limit.at, proposed))
    put_right, made_wrong = int((now & ~then).sum()), int((then & ~now).sum())
    if put_right - made_wrong < FEWEST_SAVED:
        return None
    chance = _chance(readings, upper, limit)
    if chance < SURE:
        return None
    return LimitProposal(limit, proposed, below, above, int(now.sum()), int(then.sum()), put_right, made_wrong, chance)


def _wrong(readings: Array, upper: Flags, limit: Limit, at: float) -> Flags:
    """Which readings would fall on the other side than the one their cause lies on."""
    falls_above = readings >= at if limit.low_in else readings > at
    return np.asarray(falls_above != upper, dtype=bool)


def _chance(readings: Array, upper: Flags, limit: Limit) -> float:
    """Chance that limits fitted to other jobs are right more often, by the jobs that they and the present one tell
    apart; their share has the prior Beta(1/2, 1/2)."""
    fold = np.arange(readings.size) % FOLDS
    put_right = made_wrong = 0
    for held_out in range(FOLDS):
        rest, tried = fold != held_out, fold == held_out
        at = better_limit(readings[rest], upper[rest], limit.at) if len(set(upper[rest])) == 2 else None
        if at is not None:
            now, then = (_wrong(readings[tried], upper[tried], limit, each) for each in (limit.at, at))
            put_right += int((now & ~then).sum())
            made_wrong += int((then & ~now).sum())
    return float(betaincc(put_right + 0.5, made_wrong + 0.5, 0.5))
