"""Bands: the range of readings that gives an outcome.

A band is ``OP VALUE``, ``VALUE .. VALUE`` (half open: lower end in, upper end out) or ``over-limit`` for the display of
a meter that cannot show so much. VALUEs are :class:`~shopkb.core.readings.expressions.Expression`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from shopkb.core.readings.expressions import RIGHT, Expression, parse_expression, tidy
from shopkb.core.readings.quantities import Quantity, ReadingError
from shopkb.core.typed_text import quoted

OVER_LIMIT = "over-limit"
LONGEST = 200
"""Characters the text of a band may have."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A band in numbers of one unit. ``over_limit`` stands for the meter's over-limit display alone.

    ``for_display``: its ends are rounded as :mod:`~shopkb.core.readings.limits` displays them.
    """

    low: float = -math.inf
    high: float = math.inf
    low_open: bool = False
    high_open: bool = True
    over_limit: bool = False
    for_display: bool = False

    def number(self, end: float) -> str:
        """One of its ends as text."""
        return full_number(end) if self.for_display else limit_number(end)

    def holds(self, number: float) -> bool:
        if self.over_limit or math.isnan(number):
            return False
        above = number > self.low or (number == self.low and not self.low_open)
        below = number < self.high or (number == self.high and not self.high_open)
        return above and below

    def words(self, unit_sign: str) -> str:
        """``1 V or more, under 12.1 V``."""
        if self.over_limit:
            return "the meter shows over limit"
        low, high = (f"{self.number(end)} {unit_sign}" for end in (self.low, self.high))
        low_words = f"more than {low}" if self.low_open else f"{low} or more"
        high_words = f"under {high}" if self.high_open else f"{high} or less"
        if math.isinf(self.low):
            return "any reading" if math.isinf(self.high) else high_words
        return low_words if math.isinf(self.high) else f"{low_words}, {high_words}"


def short_number(number: float) -> str:
    """A number as text: up to six figures, no exponent for anything a meter shows, no minus before zero."""
    if number == 0:
        return "0"
    text = format(Decimal(f"{number:.6g}"), "f") if math.isfinite(number) else str(number)
    return text.rstrip("0").rstrip(".") if "." in text else text


def full_number(number: float) -> str:
    """Every figure of a number, without an exponent and without trailing zeros."""
    if not math.isfinite(number):
        return str(number)
    text = format(Decimal(repr(number)), "f") if number else "0"
    return text.rstrip("0").rstrip(".") if "." in text else text


def limit_number(number: float) -> str:
    """A limit as text: four significant figures, more only before the decimal point."""
    return short_number(float(f"{number:.4g}")) if abs(number) < 1000 else short_number(number)


@dataclass(frozen=True, slots=True)
class Band:
    """The range of readings that gives an outcome; an end that is None is unbounded."""

    low: Expression | None = None
    high: Expression | None = None
    low_open: bool = False
    high_open: bool = True
    over_limit: bool = False

    def text(self) -> str:
        """Canonical text: parsing it gives an equal band.

        Raises:
            ValueError: the band has two ends and is not half open, for which the file has no form.
        """
        if self.over_limit:
            return OVER_LIMIT
        if self.low is not None and self.high is not None:
            if self.low_open or not self.high_open:
                raise ValueError("a band with two ends has its lower end in and its upper end out")
            return f"{self.low.text()} .. {self.high.text()}"
        if self.low is not None:
            return f"{'>' if self.low_open else '>='} {self.low.text()}"
        if self.high is None:
            raise ValueError("a band has at least one end")
        return f"{'<' if self.high_open else '<='} {self.high.text()}"

    @property
    def names(self) -> frozenset[str]:
        """Names of the values its ends use."""
        return frozenset().union(*(end.names for end in (self.low, self.high) if end is not None))

    def resolve(self, values: Mapping[str, Quantity], unit: str) -> Interval:
        """The band in numbers of ``unit``.

        Raises:
            ReadingError: a name has no value, or an end measures something else than ``unit`` does.
        """
        low = -math.inf if self.low is None else self.low.evaluate(values, unit)
        high = math.inf if self.high is None else self.high.evaluate(values, unit)
        return Interval(low, high, self.low_open, self.high_open, self.over_limit)


def parse_band(text: str) -> Band:
    """Parse the text of a band.

    Raises:
        ReadingError: the text is not a band; message and hint say where and what would be right.
    """
    if len(text) > LONGEST:
        raise ReadingError(f"{quoted(text)} is too long for a band", f"A band has at most {LONGEST} characters")
    clean = tidy(text)
    if not clean:
        raise ReadingError("The band is empty", RIGHT)
    if re.fullmatch("over[- ]?limit", clean, re.IGNORECASE) or clean in {"OL", "0L"}:
        return Band(over_limit=True)
    compared = re.match("(<=|>=|<|>)(?![<>=])", clean)
    if compared:
        end = parse_expression(clean[compared.end() :], text)
        sign = compared[1]
        if sign[0] == "<":
            return Band(high=end, high_open=sign == "<")
        return Band(low=end, low_open=sign == ">")
    ends = re.split(r"\.{2,3}", clean)
    if len(ends) != 2:
        raise ReadingError(f"{quoted(text)} is not a band", RIGHT)
    return Band(low=parse_expression(ends[0], text), high=parse_expression(ends[1], text))
