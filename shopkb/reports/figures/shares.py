"""The values that figures are made of: a share of jobs with its interval, and the spread of some minutes.

Rows are ranked by the lower end of an interval, not by the raw rate: of many steps some have a high rate by chance.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from shopkb.core.diagnosis.counting.branch_success import IN_EXPORTS, ON_SCREEN
from shopkb.core.diagnosis.rates.hierarchical import PooledRate
from shopkb.core.diagnosis.rates.intervals import Rate, jeffreys

FEWEST = 5
"""A share of fewer jobs is marked as resting on too few, and is ranked last."""


@dataclass(frozen=True, slots=True)
class Share:
    """``part`` of ``whole`` jobs (or repairs, or answers). The interval is Jeffreys' (Brown, Cai and DasGupta 2001)."""

    part: int
    whole: int

    def __post_init__(self) -> None:
        if not 0 <= self.part <= self.whole:
            raise ValueError(f"A part lies between 0 and its whole; got {self.part} of {self.whole}.")

    @property
    def plain(self) -> float | None:
        """As counted; ``None`` of nothing."""
        return self.part / self.whole if self.whole else None

    @property
    def too_few(self) -> bool:
        return self.whole < FEWEST

    def interval(self, level: float = ON_SCREEN) -> tuple[float, float] | None:
        """``None`` of nothing."""
        return _jeffreys(self.part, self.whole, level)

    @property
    def lower(self) -> float | None:
        """Lower end of the interval shown on pages; ``None`` under :data:`FEWEST` jobs."""
        ends = self.interval()
        return None if self.too_few or ends is None else ends[0]

    @property
    def upper(self) -> float | None:
        """Upper end of the same interval."""
        ends = self.interval()
        return None if self.too_few or ends is None else ends[1]


@lru_cache(maxsize=65536)
def _jeffreys(part: int, whole: int, level: float) -> tuple[float, float] | None:
    rate = jeffreys(part, whole, level)
    return (rate.low, rate.high) if isinstance(rate, Rate) else None


@dataclass(frozen=True, slots=True)
class PooledShare:
    """A success rate pooled over the platform tree, with its intervals at both levels."""

    on_screen: PooledRate
    in_exports: PooledRate

    @property
    def part(self) -> int:
        return round(self.on_screen.successes)

    @property
    def whole(self) -> int:
        return round(self.on_screen.n)

    @property
    def plain(self) -> float:
        """The pooled mean."""
        return self.on_screen.mean

    @property
    def too_few(self) -> bool:
        return self.whole < FEWEST

    def interval(self, level: float = ON_SCREEN) -> tuple[float, float]:
        rate = self.on_screen if level == ON_SCREEN else self.in_exports
        return rate.low, rate.high

    @property
    def lower(self) -> float | None:
        return None if self.too_few else self.on_screen.low


@dataclass(frozen=True, slots=True)
class Quartiles:
    """Median and quartiles of ``n`` known times, in minutes."""

    median: float
    low: float
    high: float
    n: int

    @property
    def too_few(self) -> bool:
        return self.n < FEWEST

    @property
    def lower(self) -> float | None:
        """Ranked by the median once there are enough."""
        return None if self.too_few else self.median


def quartiles(seconds: Mapping[int, int]) -> Quartiles | None:
    """Of a histogram of seconds (how often each was met); ``None`` of nothing.

    Quantiles by linear interpolation, type 7 of R. Hyndman and Y. Fan, The American Statistician 50, 1996.
    """
    n = sum(seconds.values())
    if not n:
        return None
    ordered = sorted(seconds.items())
    low, median, high = (_quantile(ordered, (n - 1) * share) for share in (0.25, 0.5, 0.75))
    return Quartiles(median / 60, low / 60, high / 60, n)


def _quantile(ordered: Sequence[tuple[int, int]], place: float) -> float:
    whole, rest = int(place), place - int(place)
    here = _at(ordered, whole)
    return here + rest * (_at(ordered, whole + 1) - here) if rest else here


def _at(ordered: Iterable[tuple[int, int]], place: int) -> int:
    met = 0
    for value, count in ordered:
        met += count
        if place < met:
            return value
    raise IndexError(place)


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean of ``n`` values with the interval of the mean at both levels, in the unit of the values.

    By Student's t over the values; ``None`` ends under two values.
    """

    value: float
    deviation: float
    n: int

    @classmethod
    def of_sums(cls, n: int, total: float, squares: float) -> Mean | None:
        """From the number of values, their sum and the sum of their squares; ``None`` of nothing."""
        if n <= 0:
            return None
        mean = total / n
        variance = max(0.0, (squares - n * mean * mean) / (n - 1)) if n > 1 else 0.0
        return cls(mean, math.sqrt(variance), n)

    @property
    def too_few(self) -> bool:
        return self.n < FEWEST

    @property
    def lower(self) -> float | None:
        return None if self.too_few else self.value

    def interval(self, level: float = ON_SCREEN) -> tuple[float, float] | None:
        if self.n < 2:
            return None
        half = _t(self.n - 1, level) * self.deviation / math.sqrt(self.n)
        return self.value - half, self.value + half


@lru_cache(maxsize=4096)
def _t(freedom: int, level: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.5 + level / 2))


LEVELS = (ON_SCREEN, IN_EXPORTS)
