"""Causes that come and go, and steps that are tried several times: how likely a cause that is there does not show.

Tries are taken not to depend on each other. What is told of n tries is the binomial distribution.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import comb

from shopkb.core.flow.model import Cause, Step
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.readings.units import COUNT

MOST_TRIALS: Final = 200


def tries(step: Step) -> int:
    """How often a step is tried: once where nothing else is said, or what is said is no number of times."""
    held = step.trials
    if held is None or held.quantity != COUNT or held.magnitude != held.magnitude.to_integral_value():
        return 1
    return int(held.magnitude) if 1 <= held.magnitude <= MOST_TRIALS else 1


def share_shown(cause: Cause) -> float:
    """How often a cause shows in one try: 1 for one that is always there."""
    held: Quantity | None = cause.shows
    if held is None or held.quantity != "ratio" or not 0 < held.si() < 1:
        return 1.0
    return held.si()


def shown_at_all(step: Step, cause: Cause) -> float:
    """The chance that the cause shows in one of the step's tries at least."""
    return 1 - (1 - share_shown(cause)) ** tries(step)


def tries_wanted(cause: Cause, missed: float) -> int | None:
    """After how many tries the cause is missed in this share of vehicles at most; ``None`` where that is more than
    :data:`MOST_TRIALS`."""
    wanted = math.log(missed) / math.log1p(-share_shown(cause))
    return math.ceil(wanted) if wanted <= MOST_TRIALS else None


def counted(step: Step, cause: Cause) -> NDArray[np.float64]:
    """P(outcome | cause) by the outcomes of a step whose reading counts the tries that failed; empty where it does not,
    or a band is no plain number of times."""
    bands = [outcome.band for outcome in step.outcomes if outcome.band is not None]
    if step.reading is None or step.reading.quantity != COUNT or len(bands) < len(step.outcomes) or not bands:
        return np.empty(0)
    try:
        ends = [band.resolve({}, "times") for band in bands]
    except ReadingError:
        return np.empty(0)
    failed = range(tries(step) + 1)
    inside = np.array([[end.holds(number) for number in failed] for end in ends])
    if not (inside.sum(axis=0) == 1).all():
        return np.empty(0)
    return np.asarray(inside @ _binomial(tries(step), share_shown(cause)))


def _binomial(tried: int, share: float) -> NDArray[np.float64]:
    """P(k of ``tried``) for k from 0 on; :mod:`scipy.stats` would add a second to every start."""
    k = np.arange(tried + 1)
    return np.asarray(comb(tried, k) * share**k * (1 - share) ** (tried - k))
