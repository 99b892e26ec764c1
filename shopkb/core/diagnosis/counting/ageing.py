"""Weights of jobs by age: exponential forgetting with a half-life, applied when evidence is read and never stored.

A power prior (J. Ibrahim and M.-H. Chen, Statistical Science 15, 2000): a job aged ``m`` months counts ``2^(-m/h)``.
"""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import Final

HALF_LIFE: Final = 36.0
"""Months after which a job counts half."""

_MONTH = re.compile(r"(\d{4})-(0[1-9]|1[0-2])")


@lru_cache(maxsize=1024)
def month_number(month: str) -> int:
    """Months since year 0 of ``YYYY-MM``.

    Raises:
        ValueError: ``month`` is not of that form.
    """
    match = _MONTH.fullmatch(month)
    if match is None:
        raise ValueError(f"A month is written as in 2026-03; got {month!r}.")
    return int(match[1]) * 12 + int(match[2]) - 1


def months_after(month: str, count: int) -> str:
    """The month ``count`` months later; earlier with a negative count.

    Raises:
        ValueError: ``month`` is not ``YYYY-MM``.
    """
    number = month_number(month) + count
    return f"{number // 12:04d}-{number % 12 + 1:02d}"


def age_weight(month: str, as_of: str, half_life: float | None = HALF_LIFE) -> float:
    """What a job closed in ``month`` counts in ``as_of``; later months count in full, no half-life means no forgetting.

    Raises:
        ValueError: a month is not ``YYYY-MM``, or the half-life is not above 0.
    """
    if half_life is None:
        return 1.0
    if not half_life > 0:
        raise ValueError(f"A half-life is a number of months above 0; got {half_life:g}.")
    age = month_number(as_of) - month_number(month)
    return math.exp2(-max(age, 0) / half_life)
