"""Judge a reading: the outcome whose band holds it, and how sure that is, given the accuracy of the meter.

A reading decides for an outcome only if it lies at least the expanded uncertainty U = 2u inside the limits of its band
(guard band w = U, ILAC-G8:09/2019), which leaves under 2.5 % risk at one limit; the probability that the outcome is
right follows from the normal law (JCGM 106:2012).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum

from shopkb.core.readings.accuracy import Accuracy, Meter, limit_of_error
from shopkb.core.readings.bands import Band, Interval, full_number, short_number
from shopkb.core.readings.expressions import difference
from shopkb.core.readings.limits import display_interval
from shopkb.core.readings.plausible import PlausibleRange, as_written, check_possible, expected
from shopkb.core.readings.quantities import Quantity, Reading, format_quantity
from shopkb.core.readings.units import COUNT, UNITS, starts_at_zero

TOO_CLOSE_MESSAGE = "too close to the limit for this meter: measure again, with the better meter, or under load"


class Verdict(StrEnum):
    """How surely a reading decides between outcomes."""

    CLEAR = "clear"
    TOO_CLOSE = "too close to call"
    UNJUDGED = "unjudged"
    FAR = "far from expected"


@dataclass(frozen=True, slots=True)
class Judgement:
    """The outcome of a reading, and how sure it is.

    ``outcome`` is empty if no band holds the reading, or if it is far from what can be expected. ``probability`` is
    that of the outcome, None if unjudged. ``distance`` is the distance to the nearest limit and ``margin`` the guard
    band U, both in the display unit. ``neighbour`` is the other outcome a reading too close to call may belong to.
    """

    outcome: str
    verdict: Verdict
    probability: float | None
    distance: Quantity | None
    margin: Quantity | None
    neighbour: str
    words: str


def conformance_probability(interval: Interval, number: float, uncertainty: float) -> float:
    """Probability that the true value lies in the interval, by the normal law around the reading.

    ``number`` and ``uncertainty`` (standard) are in the unit of the interval; JCGM 106:2012. An over-limit interval
    has probability 0, an uncertainty of 0 gives 0 or 1.
    """
    if interval.over_limit:
        return 0.0
    if uncertainty <= 0:
        return float(interval.holds(number))
    scale = uncertainty * math.sqrt(2)
    # Tails on the far side of the reading are small numbers and keep their digits.
    if number < interval.low:
        return max(0.0, _tail((interval.low - number) / scale) - _tail((interval.high - number) / scale))
    if number > interval.high:
        return max(0.0, _tail((number - interval.high) / scale) - _tail((number - interval.low) / scale))
    return max(0.0, 1.0 - _tail((number - interval.low) / scale) - _tail((interval.high - number) / scale))


def _tail(distance: float) -> float:
    return 0.5 * math.erfc(distance)


def judge(
    bands: Sequence[tuple[str, Band]],
    reading: Reading,
    values: Mapping[str, Quantity],
    quantity: str,
    unit: str,
    meter: Meter | None,
    plausible: Band | None = None,
) -> Judgement:
    """Find the outcome of a reading and whether the meter is accurate enough to decide for it.

    An over-limit display belongs to the over-limit band, or else to the band that has no upper end.

    Args:
        bands: outcome key and band of every outcome of the step.
        reading: what the meter showed.
        values: named values used in the bands.
        quantity: what the step measures.
        unit: its display unit.
        meter: the meter used, None if unknown.
        plausible: the readings that can be expected, where the procedure says so; by default made from its bands.

    Raises:
        ReadingError: a named value is missing, something measures another quantity, or the reading cannot be.
    """
    resolved = [(key, band.resolve(values, unit)) for key, band in bands]
    at_zero = starts_at_zero(quantity, below_zero=any(_ends_below_zero(each) for _key, each in resolved))
    intervals = [(key, _open(each) if at_zero else each) for key, each in resolved]
    check_possible(reading, quantity, over_limit_band=any(each.over_limit for _key, each in intervals))
    if reading.quantity is None:
        return _judge_over_limit(intervals, meter)
    number = float(reading.quantity.exact(unit))
    usual = as_written(plausible, unit) if plausible else expected((each for _key, each in intervals), quantity, unit)
    if usual is not None and not usual.holds(number):
        return _far(reading.quantity, usual)
    if quantity == COUNT:
        return _counted(intervals, number)
    accuracy = meter.accuracy_for(reading.quantity) if meter else None
    at = _located(bands, intervals, values, reading.quantity, unit, meter)
    return _unjudged(at, meter) if accuracy is None else _judged(at, intervals, reading.quantity, unit, accuracy)


@dataclass(frozen=True, slots=True)
class _Located:
    """Where a reading lies: its number in the display unit, the outcome whose band holds it, the nearest limit, the
    distance to it, and both in words."""

    number: float
    outcome: str
    nearest: float | None
    distance: Quantity | None
    words: str


def _located(
    bands: Sequence[tuple[str, Band]],
    intervals: Sequence[tuple[str, Interval]],
    values: Mapping[str, Quantity],
    measured: Quantity,
    unit: str,
    meter: Meter | None,
) -> _Located:
    number = float(measured.exact(unit))
    outcome = next((key for key, interval in intervals if interval.holds(number)), "")
    nearest = min(_limits(intervals, outcome), key=lambda limit: abs(number - limit), default=None)
    accuracy = meter.accuracy_for(measured) if meter else None
    steps = [_last_digit(measured), *([accuracy.resolution] if accuracy else [])]
    if nearest is None:
        return _Located(number, outcome, None, None, _where(number, None, steps, unit))
    displayed = _displayed_limits(bands, values, unit, meter, number)[nearest]
    distance = _rounded(abs(number - nearest), steps, unit)
    return _Located(number, outcome, nearest, distance, _where(number, displayed, steps, unit))


def _counted(intervals: Sequence[tuple[str, Interval]], number: float) -> Judgement:
    """A count needs no meter: it lies in a range, or it does not."""
    outcome = next((key for key, interval in intervals if interval.holds(number)), "")
    return Judgement(outcome, Verdict.CLEAR, float(bool(outcome)), None, None, "", "counted")


def _unjudged(at: _Located, meter: Meter | None) -> Judgement:
    why = "no meter was named" if meter is None else f"the accuracy of {meter.name} is not known here"
    words = f"{at.words}; {why}, so the reading is taken as it stands"
    return Judgement(at.outcome, Verdict.UNJUDGED, None, at.distance, None, "", words)


def _judged(
    at: _Located, intervals: Sequence[tuple[str, Interval]], measured: Quantity, unit: str, accuracy: Accuracy
) -> Judgement:
    """Too close to call within the guard band of twice the standard uncertainty (JCGM 106:2012, 8.3), else clear.

    The limit of error is that of a rectangular distribution: its standard uncertainty is the limit divided by the
    square root of 3 (JCGM 100:2008, 4.3.7).
    """
    error = float(difference(_size(limit_of_error(measured, accuracy), measured.unit), unit))
    spread = error / math.sqrt(3)
    chances = {key: conformance_probability(each, at.number, spread) for key, each in intervals}
    chance, margin = chances.get(at.outcome, 0.0), _size(2 * spread, unit)
    if at.nearest is not None and abs(at.number - at.nearest) < 2 * spread:
        others = {key: other for key, other in chances.items() if key != at.outcome and other > 0}
        neighbour = max(others, key=lambda key: others[key], default="")
        return Judgement(at.outcome, Verdict.TOO_CLOSE, chance, at.distance, margin, neighbour, TOO_CLOSE_MESSAGE)
    good = shown(_rounded(error, [accuracy.resolution], unit))
    words = f"{at.words}; this meter is good to ±{good} here"
    return Judgement(at.outcome, Verdict.CLEAR, chance, at.distance, margin, "", words)


def _far(shown_as: Quantity, usual: PlausibleRange) -> Judgement:
    words = (
        f"{format_quantity(shown_as)} is far from what can be expected here ({usual.words}): look at the display and "
        "the unit again, and measure once more"
    )
    return Judgement("", Verdict.FAR, None, None, None, "", words)


def _judge_over_limit(intervals: Sequence[tuple[str, Interval]], meter: Meter | None) -> Judgement:
    marked = [key for key, interval in intervals if interval.over_limit]
    topless = [key for key, interval in intervals if not interval.over_limit and math.isinf(interval.high)]
    outcome = (marked or topless or [""])[0]
    known = meter is not None
    verdict, probability = (Verdict.CLEAR, float(bool(outcome))) if known else (Verdict.UNJUDGED, None)
    return Judgement(outcome, verdict, probability, None, None, "", "the meter shows over limit")


def _ends_below_zero(interval: Interval) -> bool:
    return any(end < 0 and math.isfinite(end) for end in (interval.low, interval.high))


def _open(interval: Interval) -> Interval:
    """The interval with no lower end at 0 for what is never negative.

    That end decides nothing, and a meter that shows -0.02 ohm with its leads together means 0.
    """
    holds_zero = interval.low < 0 or (interval.low == 0 and not interval.low_open)
    if holds_zero and interval.high > 0:
        return replace(interval, low=-math.inf, low_open=False)
    return interval


def _limits(intervals: Sequence[tuple[str, Interval]], outcome: str) -> list[float]:
    """Finite ends of the outcome's band, or of all bands if none holds the reading."""
    chosen = [each for key, each in intervals if not each.over_limit and outcome in ("", key)]
    return [end for each in chosen for end in (each.low, each.high) if math.isfinite(end)]


def _displayed_limits(
    bands: Sequence[tuple[str, Band]], values: Mapping[str, Quantity], unit: str, meter: Meter | None, number: float
) -> dict[float, float]:
    """Every end of the bands, mapped to the number displayed for it beside this reading."""
    ends: dict[float, float] = {}
    for _key, band in bands:
        exact, shown_as = band.resolve(values, unit), display_interval(band, values, unit, meter, number)
        ends |= {exact.low: shown_as.low, exact.high: shown_as.high}
    return ends


def _size(number: float, unit: str) -> Quantity:
    return Quantity(Decimal(f"{number:.6g}"), unit)


def _rounded(number: float, steps: Sequence[Quantity], unit: str) -> Quantity:
    """A size rounded to the finest of the steps, which are in any unit; never rounded to 0."""
    step = min(difference(each, unit) for each in steps)
    places = Decimal(1).scaleb(-max(0, min(9, -math.floor(math.log10(step)))))
    size = Decimal(repr(number)).quantize(places, ROUND_HALF_UP)
    if size == 0 and number > 0:
        size = Decimal(f"{number:.1g}")
    return Quantity(size, unit)


def _last_digit(quantity: Quantity) -> Quantity:
    exponent = quantity.magnitude.as_tuple().exponent
    return Quantity(Decimal(1).scaleb(exponent if isinstance(exponent, int) else 0), quantity.unit)


def shown(quantity: Quantity) -> str:
    """A size as text, without trailing zeros: ``0.08 V``."""
    return f"{short_number(float(quantity.magnitude))} {UNITS[quantity.unit].sign}"


def _where(number: float, nearest: float | None, steps: Sequence[Quantity], unit: str) -> str:
    """Distance to the limit as displayed, so that people who do the sum find the same."""
    if nearest is None:
        return "no limit to be near to"
    limit = f"{full_number(nearest)} {UNITS[unit].sign}"
    if number == nearest:
        return f"on the limit of {limit}"
    away = _rounded(abs(number - nearest), steps, unit)
    return f"{shown(away)} {'under' if number < nearest else 'over'} {limit}"
