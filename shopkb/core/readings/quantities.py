"""Quantities: a number with its unit, as it was typed, converted and shown.

Typed numbers are :class:`~decimal.Decimal`, digits kept as typed; physics turns them into floats of SI units with
:meth:`Quantity.si`. The only error raised is :class:`ReadingError`.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Context, Decimal
from fractions import Fraction
from functools import cache

from shopkb.core.readings.units import QUANTITIES, UNITS
from shopkb.core.typed_text import TypedTextError, quoted, spoken_list

_ROUNDED = Context(prec=20)


class ReadingError(TypedTextError):
    """A typed value that cannot be used."""


def plain(number: Decimal) -> str:
    """The number in full, without an exponent and without a minus before zero."""
    return format(number if number else abs(number), "f")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A magnitude with a unit; ``unit`` is a key of :data:`UNITS`.

    Raises:
        ReadingError: the unit is not known, or the magnitude is not a finite number.
    """

    magnitude: Decimal
    unit: str

    def __post_init__(self) -> None:
        if self.unit not in UNITS:
            raise unknown_unit(self.unit, None)
        if not self.magnitude.is_finite():
            raise ReadingError(f"{self.magnitude} is not a number", "Give a plain number such as 12.7")

    @property
    def quantity(self) -> str:
        """What is measured: voltage, resistance ..."""
        return UNITS[self.unit].quantity

    def to(self, unit: str) -> Quantity:
        """The same quantity in another unit, digits kept where the two differ by a power of ten.

        Raises:
            ReadingError: the unit is not known or measures something else.
        """
        if unit == self.unit:
            return self
        there = self.exact(unit)
        own, other = UNITS[self.unit], UNITS[unit]
        power = (own.scale / other.scale).normalize()
        if own.offset == other.offset and power.as_tuple().digits == (1,):
            return Quantity(self.magnitude.scaleb(power.adjusted()), unit)
        return Quantity(_ROUNDED.divide(Decimal(there.numerator), Decimal(there.denominator)), unit)

    def exact(self, unit: str) -> Fraction:
        """The magnitude in another unit of the same quantity, without any rounding.

        Raises:
            ReadingError: the unit is not known or measures something else.
        """
        own, other = UNITS[self.unit], UNITS.get(unit)
        if other is None:
            raise unknown_unit(unit, self.quantity)
        if other is own:
            return Fraction(self.magnitude)
        if other.quantity != own.quantity:
            raise wrong_quantity(self, other.quantity)
        scale, shift = _line(self.unit, unit)
        return Fraction(self.magnitude) * scale + shift

    def si(self) -> float:
        """The magnitude in the SI unit of the quantity (kelvin for temperatures, pascal, cubic metre, 1 for %)."""
        unit = UNITS[self.unit]
        return float((Fraction(self.magnitude) + Fraction(unit.offset)) * unit.exact)

    def __str__(self) -> str:
        return f"{plain(self.magnitude)} {self.unit}"


@dataclass(frozen=True, slots=True)
class Reading:
    """What the meter showed. ``quantity`` is None for an over-limit display.

    ``decimals`` counts the digits after the point, as typed.
    """

    quantity: Quantity | None
    over_limit: bool = False
    decimals: int = 0


@cache
def _line(own: str, other: str) -> tuple[Fraction, Fraction]:
    """The straight line from one unit to another of the same quantity: scale and shift."""
    scale = UNITS[own].exact / UNITS[other].exact
    return scale, Fraction(UNITS[own].offset) * scale - Fraction(UNITS[other].offset)


def format_quantity(quantity: Quantity, *, comma: bool = False) -> str:
    """The quantity as people see it, ``12.10 V`` or ``4,7 kΩ``."""
    number = plain(quantity.magnitude)
    return f"{number.replace('.', ',') if comma else number} {UNITS[quantity.unit].sign}"


def unit_signs(quantity: str | None) -> str:
    if quantity is not None and quantity in QUANTITIES:
        return spoken_list(UNITS[symbol].sign for symbol in QUANTITIES[quantity])
    return "V, A, Ω, °C, bar, Hz, %, s, L or mm, with k, m or M before it where usual"


def unknown_unit(text: str, quantity: str | None) -> ReadingError:
    return ReadingError(f"{quoted(text)} is not a unit known here", f"Right would be {unit_signs(quantity)}")


def wrong_quantity(value: Quantity, wanted: str) -> ReadingError:
    article = "an" if value.quantity[0] in "aeiou" else "a"
    return ReadingError(
        f"{format_quantity(value)} is {article} {value.quantity}, but {wanted} is asked for",
        f"Give it in {unit_signs(wanted)}",
    )
