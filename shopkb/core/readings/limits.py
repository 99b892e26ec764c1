"""Limits as they are displayed: with the digits that the meter shows, and never in contradiction to the verdict.

A limit that was written down is displayed as written. A computed one is rounded to the resolution of the meter, at most
to four figures, as a meter of 6,000 counts shows them, and always to the side that leaves every reading of that
resolution where it is: "0.39036 V or more" and "0.391 V or more" mean the same to a meter that shows thousandths. Where
a reading has more digits than that and would fall on the other side, the limit gets more digits too.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal

from shopkb.core.readings.accuracy import Meter
from shopkb.core.readings.bands import Band, Interval
from shopkb.core.readings.expressions import Expression, difference
from shopkb.core.readings.quantities import Quantity

FIGURES = 4
"""Most figures of a computed limit. With three a limit of 12.41 V read "12.5 V or more" until a meter was named, and
whoever compared 12.45 V with it by eye took the wrong side."""

_WRITTEN_FIGURES = 6
_FINER = 12
"""How often the last place is made ten times finer before the limit is displayed in full."""

_EXACT = Context(prec=40)


def display_interval(
    band: Band, values: Mapping[str, Quantity], unit: str, meter: Meter | None, reading: float | None = None
) -> Interval:
    """The band in numbers of ``unit`` as they are to be shown; ``reading`` is in the same unit.

    Raises:
        ReadingError: a name has no value, or an end measures something else than ``unit`` does.
    """
    interval = band.resolve(values, unit)
    low = _end(interval.low, band.low, unit, meter, reading, up=not interval.low_open)
    high = _end(interval.high, band.high, unit, meter, reading, up=interval.high_open)
    return replace(interval, low=low, high=high, for_display=True)


def _end(
    limit: float, written: Expression | None, unit: str, meter: Meter | None, reading: float | None, *, up: bool
) -> float:
    """``up``: readings on the limit lie above it, as they do above every number it may be rounded up to."""
    if written is None or not math.isfinite(limit) or limit == 0:
        return limit
    exact = Decimal(repr(limit))
    if written.is_constant and len(exact.normalize().as_tuple().digits) <= _WRITTEN_FIGURES:
        return limit
    place = _place(exact, unit, meter)
    for _finer in range(_FINER):
        rounded = float(_rounded(exact, place, up=up))
        if reading is None or _above(reading, limit, up=up) == _above(reading, rounded, up=up):
            return rounded
        place = place.scaleb(-1)
    return limit


def _place(limit: Decimal, unit: str, meter: Meter | None) -> Decimal:
    """What the limit is rounded to a multiple of."""
    accuracy = meter.accuracy_for(Quantity(limit, unit)) if meter is not None else None
    if accuracy is None:
        return Decimal(1).scaleb(limit.adjusted() - FIGURES + 1)
    step = difference(accuracy.resolution, unit)
    resolution = _EXACT.divide(Decimal(step.numerator), Decimal(step.denominator))
    return max(resolution, Decimal(1).scaleb(limit.adjusted() - FIGURES + 1))


def _rounded(limit: Decimal, place: Decimal, *, up: bool) -> Decimal:
    rounding = ROUND_CEILING if up else ROUND_FLOOR
    steps = _EXACT.divide(limit, place).to_integral_value(rounding=rounding)
    return _EXACT.multiply(steps, place)


def _above(reading: float, limit: float, *, up: bool) -> bool:
    return reading >= limit if up else reading > limit
