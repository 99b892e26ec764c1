"""The units a workshop meter shows and a procedure file writes.

Symbols are ASCII so that they can be typed in a file on any keyboard; signs are what people see. Sources: SI brochure
(9th edition) for names and factors, ISO 80000-1 for spelling; the pound-force per square inch is 4.4482216152605 N on
645.16 mm2 exactly, the mile 1609.344 m. Angles of crank and steering are degrees (pi/180, to 20 figures).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit of one quantity: value in SI units = (magnitude + ``offset``) * ``scale``.

    ``exact`` is the scale without rounding (5/9 and 1/60 have no decimal form). ``symbol`` is the ASCII form used in
    files and as a key, ``sign`` what people see, ``spoken`` the singular words for a screen reader. ``aliases`` are
    further accepted spellings, spaces removed; case is tolerated where it does not change the meaning.
    """

    symbol: str
    sign: str
    quantity: str
    scale: Decimal
    offset: Decimal
    exact: Fraction
    spoken: str
    aliases: tuple[str, ...] = ()


def _unit(symbol: str, quantity: str, scale: str, spoken: str, aliases: str = "", **more: str) -> Unit:
    exact = Fraction(scale)
    rounded = Decimal(exact.numerator) / Decimal(exact.denominator)
    sign, offset = more.get("sign", symbol), Decimal(more.get("offset", "0"))
    return Unit(symbol, sign, quantity, rounded, offset, exact, spoken, tuple(aliases.split()))


_ALL = (
    _unit("V", "voltage", "1", "volt", "volts VDC VAC V= V~"),
    _unit("mV", "voltage", "0.001", "millivolt", "millivolts mVDC mVAC"),
    _unit("kV", "voltage", "1000", "kilovolt", "kilovolts kVDC kVAC"),
    _unit("A", "current", "1", "ampere", "amperes amp amps ADC AAC"),
    _unit("mA", "current", "0.001", "milliampere", "milliamperes milliamp milliamps mADC mAAC"),
    _unit("ohm", "resistance", "1", "ohm", "ohms R", sign="Ω"),
    _unit("mohm", "resistance", "0.001", "milliohm", "mohms milliohms", sign="mΩ"),
    _unit("kohm", "resistance", "1000", "kilohm", "kohms kilohms kiloohm kiloohms", sign="kΩ"),
    _unit("Mohm", "resistance", "1000000", "megohm", "Mohms megohms megaohm megaohms meg", sign="MΩ"),
    _unit(
        "degC",
        "temperature",
        "1",
        "degree Celsius",
        "C oC celsius degreeC degreesC degcelsius degreescelsius centigrade",
        sign="°C",
        offset="273.15",
    ),
    _unit(
        "degF",
        "temperature",
        "5/9",
        "degree Fahrenheit",
        "F oF fahrenheit degreeF degreesF degfahrenheit degreesfahrenheit",
        sign="°F",
        offset="459.67",
    ),
    _unit("K", "temperature", "1", "kelvin", "kelvins"),
    _unit("bar", "pressure", "100000", "bar", "bars barg"),
    _unit("kPa", "pressure", "1000", "kilopascal", "kilopascals"),
    _unit("MPa", "pressure", "1000000", "megapascal", "megapascals"),
    _unit("mbar", "pressure", "100", "millibar", "millibars hPa"),
    _unit("psi", "pressure", "44482216152605/6451600000", "pound per square inch", "psig lbf/in2 lb/in2"),
    _unit("Hz", "frequency", "1", "hertz", "cps"),
    _unit("kHz", "frequency", "1000", "kilohertz"),
    _unit("1/min", "frequency", "1/60", "revolution per minute", "rpm r/min rev/min revs/min min-1 /min"),
    _unit("%", "ratio", "0.01", "per cent", "percent pct"),
    _unit("s", "time", "1", "second", "sec secs seconds"),
    _unit("ms", "time", "0.001", "millisecond", "msec milliseconds"),
    _unit("min", "time", "60", "minute", "mins minutes"),
    _unit("L", "volume", "0.001", "litre", "litres liter liters"),
    _unit("mL", "volume", "0.000001", "millilitre", "millilitres milliliter milliliters cc"),
    _unit("mm", "length", "0.001", "millimetre", "millimetres millimeter millimeters"),
    _unit("cm", "length", "0.01", "centimetre", "centimetres centimeter centimeters"),
    _unit("m", "length", "1", "metre", "metres meter meters"),
    _unit("mm2", "area", "0.000001", "square millimetre", "mm^2 sqmm qmm squaremillimetres", sign="mm²"),
    _unit("W", "power", "1", "watt", "watts"),
    _unit("Nm", "torque", "1", "newton metre", "newtonmetres newtonmeter newtonmeters N.m N·m N*m", sign="N m"),
    _unit("km/h", "speed", "5/18", "kilometre per hour", "kilometresperhour kmh kph"),
    _unit("mph", "speed", "0.44704", "mile per hour", "milesperhour mi/h"),
    _unit("m/s", "speed", "1", "metre per second", "metrespersecond"),
    _unit("mm/s", "speed", "0.001", "millimetre per second", "millimetrespersecond"),
    _unit("g/s", "mass-flow", "0.001", "gram per second", "gramspersecond gps"),
    _unit("kg/h", "mass-flow", "1/3600", "kilogram per hour", "kilogramsperhour"),
    _unit("L/min", "volume-flow", "1/60000", "litre per minute", "litresperminute literperminute litersperminute"),
    _unit("mL/min", "volume-flow", "1/60000000", "millilitre per minute", "millilitresperminute cc/min"),
    _unit("deg", "angle", "0.017453292519943295769", "degree", "degrees degCA degCrank", sign="°"),
    _unit("times", "count", "1", "time", "tries trials"),
    _unit("lx", "illuminance", "1", "lux"),
    _unit("lambda", "air-ratio", "1", "lambda", "λ", sign="λ"),
)

UNITS: Mapping[str, Unit] = MappingProxyType({unit.symbol: unit for unit in _ALL})
"""Every unit by its ASCII symbol."""

QUANTITIES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        quantity: tuple(unit.symbol for unit in _ALL if unit.quantity == quantity)
        for quantity in dict.fromkeys(unit.quantity for unit in _ALL)
    }
)
"""Symbols of the units of each quantity, the most usual first."""

COUNT = "count"
"""How often something was: whole and exact, whatever it was counted with."""
STARTS_AT_ZERO: frozenset[str] = frozenset(QUANTITIES) - {"voltage", "current", "temperature", "angle"}
"""Quantities that are not negative on a workshop gauge; of those in :data:`BELOW_ZERO_WHERE_SAID` with an exception."""

BELOW_ZERO_WHERE_SAID: frozenset[str] = frozenset({"pressure"})
"""Negative where a band of the step says so: gauge pressure under that of the air, such as in an intake manifold."""


def starts_at_zero(quantity: str, *, below_zero: bool) -> bool:
    """Whether a step's readings begin at 0. ``below_zero``: whether one of its bands has an end under it."""
    return quantity in STARTS_AT_ZERO and not (below_zero and quantity in BELOW_ZERO_WHERE_SAID)
