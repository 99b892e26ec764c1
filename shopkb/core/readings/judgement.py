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

from shopkb.core.readings.accuracy import Meter, limit_of_error
from shopkb.core.readings.bands import Band, Interval, full_number, short_number
from shopkb.core.readings.expressions import difference
from shopkb.core.readings.limits import display_interval
from shopkb.core.readings.plausible import Expected, check_possible, expected
from shopkb.core.readings.quantities import Quantity, Reading, format_quantity
from shopkb.core.readings.units import STARTS_AT_ZERO, UNITS

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

    Raises:
        ReadingError: a named value is missing, something measures another quantity, or the reading cannot be.
    """
    intervals = [(key, _open(band.resolve(values, unit), quantity)) for key, band in bands]
    check_possible(reading, quantity, over_limit_band=any(each.over_limit for _key, each in intervals))
    if reading.quantity is None:
        return _judge_over_limit(intervals, meter)
    number = float(reading.quantity.exact(unit))
    usual = expected((each for _key, each in intervals), quantity, unit)
    if usual is not None and not usual.holds(number):
        return _far(reading.quantity, usual)
    outcome = next((key for key, interval in intervals if interval.holds(number)), "")
    limits = _limits(intervals, outcome)
    nearest = min(limits, key=lambda limit: abs(number - limit), default=None)
    accuracy = meter.accuracy_for(reading.quantity) if meter else None
    steps = [_last_digit(reading.quantity), *([accuracy.resolution] if accuracy else [])]
    away = None if nearest is None else _rounded(abs(number - nearest), steps, unit)
    shown_limit = None if nearest is None else _displayed_limits(bands, values, unit, meter, number)[nearest]
    where = _where(number, shown_limit, steps, unit)
    if accuracy is None:
        why = "no meter was named" if meter is None else f"the accuracy of {meter.name} is not known here"
        words = f"{where}; {why}, so the reading is taken as it stands"
        return Judgement(outcome, Verdict.UNJUDGED, None, away, None, "", words)
    error = float(difference(_size(limit_of_error(reading.quantity, accuracy), reading.quantity.unit), unit))
    spread = error / math.sqrt(3)
    chances = {key: conformance_probability(each, number, spread) for key, each in intervals}
    margin = _size(2 * spread, unit)
    if nearest is not None and abs(number - nearest) < 2 * spread:
        others = {key: chance for key, chance in chances.items() if key != outcome and chance > 0}
        neighbour = max(others, key=lambda key: others[key], default="")
        return Judgement(
            outcome, Verdict.TOO_CLOSE, chances.get(outcome, 0.0), away, margin, neighbour, TOO_CLOSE_MESSAGE
        )
    good = shown(_rounded(error, [accuracy.resolution], unit))
    words = f"{where}; this meter is good to ±{good} here"
    return Judgement(outcome, Verdict.CLEAR, chances.get(outcome, 0.0), away, margin, "", words)


def _far(shown_as: Quantity, usual: Expected) -> Judgement:
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


def _open(interval: Interval, quantity: str) -> Interval:
    """The interval with no lower end at 0 for what is never negative.

    That end decides nothing, and a meter that shows -0.02 ohm with its leads together means 0.
    """
    holds_zero = interval.low < 0 or (interval.low == 0 and not interval.low_open)
    if quantity in STARTS_AT_ZERO and holds_zero and interval.high > 0:
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
