"""A success rate and how sure it is: of ``n`` jobs, so many successes.

Intervals are equal-tailed beta quantiles with the edge rule: the lower end is 0 when ``a < 1`` and the upper end is 1
when ``b < 1``. For whole counts this is the Jeffreys interval with its boundary rule (L. Brown, T. Cai and
A. DasGupta, Interval estimation for a binomial proportion, Statistical Science 16(2), 2001).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, ndtri

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rate:
    """A rate between 0 and 1. ``mean`` is the posterior mean, never exactly 0 or 1; ``share`` is the plain one.

    ``n`` and ``successes`` are jobs; they are fractional when old jobs weigh less.
    """

    mean: float
    low: float
    high: float
    n: float
    successes: float

    @property
    def share(self) -> float:
        """Successes divided by jobs, as counted."""
        return self.successes / self.n


class NoEvidence:
    """The answer where no job says anything. It is false in a condition, so ``if rate:`` reads as it should."""

    __slots__ = ()

    def __bool__(self) -> bool:
        return False

    def __repr__(self) -> str:
        return "NO_EVIDENCE"


NO_EVIDENCE: Final = NoEvidence()


def jeffreys(successes: float, n: float, level: float = 0.95) -> Rate | NoEvidence:
    """Rate of ``successes`` in ``n`` jobs with its Jeffreys interval at ``level``; ``NO_EVIDENCE`` when ``n`` is 0.

    Raises:
        ValueError: a count is negative or not finite, there are more successes than jobs, or ``level`` is not between
            0 and 1.
    """
    check_counts(successes, n)
    if n == 0:
        return NO_EVIDENCE
    a, b = successes + 0.5, n - successes + 0.5
    low, high = beta_interval(a, b, level)
    return Rate(a / (a + b), low, high, n, successes)


def beta_interval(a: float, b: float, level: float = 0.95) -> tuple[float, float]:
    """Equal-tailed interval of Beta(a, b) with the edge rule."""
    low, high = beta_intervals(np.array([a], dtype=float), np.array([b], dtype=float), level)
    return float(low[0]), float(high[0])


def beta_intervals(a: Array, b: Array, level: float = 0.95) -> tuple[Array, Array]:
    """The same for arrays of equal shape.

    Raises:
        ValueError: ``level`` is not between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"The level of an interval lies between 0 and 1, for example 0.95; got {level}.")
    tail = (1 - level) / 2
    mean = a / (a + b)
    low = np.where(a < 1, 0.0, betaincinv(a, b, tail))
    high = np.where(b < 1, 1.0, betaincinv(a, b, 1 - tail))
    # Where nearly all of the chance lies at one edge, both tails can lie on one side of the mean.
    return np.minimum(low, mean), np.maximum(high, mean)


def wilson(successes: float, n: float, level: float = 0.95) -> tuple[float, float]:
    """Wilson score interval of a share (Brown, Cai and DasGupta 2001); (0, 1) when there are no jobs."""
    check_counts(successes, n)
    if n == 0:
        return 0.0, 1.0
    z = float(ndtri(0.5 + level / 2))
    p = successes / n
    centre = p + z * z / (2 * n)
    half = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    scale = 1 + z * z / n
    return max(0.0, (centre - half) / scale), min(1.0, (centre + half) / scale)


def check_counts(successes: float, n: float) -> None:
    """Refuse counts that cannot be.

    Raises:
        ValueError: a count is negative or not finite, or there are more successes than jobs.
    """
    if not (math.isfinite(successes) and math.isfinite(n)):
        raise ValueError(f"Counts of jobs are finite numbers; got {successes} successes in {n} jobs.")
    if successes < 0 or n < 0:
        raise ValueError(f"Counts of jobs are not negative; got {successes} successes in {n} jobs.")
    if successes > n:
        raise ValueError(f"There cannot be more successes than jobs; got {successes} successes in {n} jobs.")
