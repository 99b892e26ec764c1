"""What a reading can be at all, and what can be expected of it where it is taken.

The first is physics: nothing lies under vacuum or under absolute zero. The second is common practice, without source:
a reading many times as large as every limit of its step is a slip of the unit or of the gauge more often than a fault.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from types import MappingProxyType

from shopkb.core.readings.bands import Band, Interval, limit_number
from shopkb.core.readings.quantities import Quantity, Reading, ReadingError, format_quantity
from shopkb.core.readings.units import COUNT, STARTS_AT_ZERO, UNITS

TIMES_THE_LIMIT = 10.0
"""A reading larger than so many times the largest limit of its step is asked about."""

LEAST: Mapping[str, Quantity] = MappingProxyType(
    {
        "pressure": Quantity(Decimal("-1.1"), "bar"),  # gauge; the air's own pressure is at most 1.085 bar at sea level
        "temperature": Quantity(Decimal(0), "K"),
        "resistance": Quantity(Decimal(-1), "ohm"),  # a meter that was zeroed with longer or warmer leads
        **{name: Quantity(Decimal(0), unit) for name, unit in (("ratio", "%"), ("power", "W"), (COUNT, "times"))},
    }
)
"""Below this nothing can be. Quantities that are named in neither place have no such bound."""

USUAL: Mapping[str, tuple[Quantity, Quantity]] = MappingProxyType(
    {
        "voltage": (Quantity(Decimal(-60), "V"), Quantity(Decimal(60), "V")),
        "current": (Quantity(Decimal(-1500), "A"), Quantity(Decimal(1500), "A")),
        "temperature": (Quantity(Decimal(-60), "degC"), Quantity(Decimal(250), "degC")),
        "ratio": (Quantity(Decimal(0), "%"), Quantity(Decimal(100), "%")),
    }
)
"""What a vehicle's low-voltage side and cooling system show, whatever the limits of the step: never asked about.
Common practice, from memory."""

WITHOUT_UPPER_END = frozenset({"resistance", "time", "length", "volume", "area", "power", "frequency"})
"""Quantities whose readings have no size that would be a slip: an open circuit has any resistance."""

SHOWS_OVER_LIMIT = frozenset({"voltage", "current", "resistance", "frequency"})
"""What a multimeter measures: a pressure gauge or a thermometer has no over-limit display."""


@dataclass(frozen=True, slots=True)
class PlausibleRange:
    """From where to where a reading of one step can be expected, in its unit."""

    low: float
    high: float
    unit: str

    def holds(self, number: float) -> bool:
        return self.low <= number <= self.high

    @property
    def words(self) -> str:
        """``-1.1 to 9.5 bar``, in four significant figures at most; ``3 bar or less`` without a lower end."""
        if math.isinf(self.low) or math.isinf(self.high):
            return Interval(self.low, self.high, high_open=False).words(UNITS[self.unit].sign)
        return f"{limit_number(self.low)} to {limit_number(self.high)} {UNITS[self.unit].sign}"


def check_possible(reading: Reading, quantity: str, *, over_limit_band: bool) -> None:
    """Refuse what cannot be.

    Args:
        reading: what the instrument is said to show.
        quantity: what is measured.
        over_limit_band: whether the step has a band for the over-limit display.

    Raises:
        ReadingError: it is under vacuum or absolute zero, negative where nothing can be, part of a count, or an
            over-limit display of an instrument that has none.
    """
    if reading.quantity is None:
        _check_display(quantity, over_limit_band=over_limit_band)
        return
    check_not_below_all(reading.quantity, quantity)
    if quantity == COUNT and reading.quantity.magnitude != reading.quantity.magnitude.to_integral_value():
        raise ReadingError(f"{format_quantity(reading.quantity)} cannot be: times are whole", "Type how often it was")


def check_not_below_all(given: Quantity, quantity: str) -> None:
    """Refuse what lies under anything that there is.

    Raises:
        ReadingError: it is under vacuum or absolute zero, or negative where nothing can be.
    """
    least = LEAST.get(quantity)
    if least is not None and given.exact(least.unit) < least.exact(least.unit):
        raise ReadingError(
            f"{format_quantity(given)} cannot be: nothing lies below {format_quantity(least)}",
            "Look at the number, its sign and its unit again",
        )


def _check_display(quantity: str, *, over_limit_band: bool) -> None:
    if quantity not in SHOWS_OVER_LIMIT and not over_limit_band:
        raise ReadingError(f"An instrument for {quantity} has no over-limit display", "Type the number that it shows")


def as_written(band: Band, unit: str) -> PlausibleRange:
    """What a procedure says can be expected, in ``unit``; its ends are in it.

    Raises:
        ReadingError: an end names a value, or measures something else than ``unit`` does.
    """
    interval = band.resolve({}, unit)
    return PlausibleRange(interval.low, interval.high, unit)


def expected(intervals: Iterable[Interval], quantity: str, unit: str) -> PlausibleRange | None:
    """What can be expected where a step has these bands (in ``unit``); ``None`` without a finite limit or an upper
    end."""
    limits = [end for each in intervals for end in (each.low, each.high) if math.isfinite(end)]
    if not limits or quantity in WITHOUT_UPPER_END:
        return None
    furthest = TIMES_THE_LIMIT * max(abs(limit) for limit in limits)
    usual = USUAL.get(quantity)
    low, high = (float(end.exact(unit)) for end in usual) if usual else (0.0, 0.0)
    if quantity in LEAST:
        low = min(low, float(LEAST[quantity].exact(unit)))
    elif quantity not in STARTS_AT_ZERO:
        low = min(low, -furthest)
    return PlausibleRange(low, max(high, furthest), unit) if furthest or usual else None
