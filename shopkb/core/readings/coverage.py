"""Whether bands cover every reading exactly once, decided exactly and for every value their names can take.

The ends are straight-line functions of the named values, so the extremes of a distance between two ends lie in the
corners of the ranges and every answer here is exact (in fractions, no rounding). Bands that fit together for all
values in the ranges must form one chain, each end equal to the next one's start as an expression.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import inf
from typing import Literal

from shopkb.core.readings.bands import Band
from shopkb.core.readings.expressions import Expression, Term
from shopkb.core.readings.quantities import Quantity, format_quantity
from shopkb.core.readings.units import UNITS, starts_at_zero
from shopkb.core.typed_text import spoken_list

Bands = Sequence[tuple[str, Band]]
Ranges = Mapping[str, tuple[Quantity, Quantity]]
FaultKind = Literal["gap", "overlap", "empty", "unit"]


@dataclass(frozen=True, slots=True)
class BandFault:
    """One fault of the bands of a step; ``keys`` are the outcomes it touches."""

    kind: FaultKind
    keys: tuple[str, ...]
    message: str
    hint: str


@dataclass(frozen=True, slots=True)
class _Line:
    """constant + sum of slope * name, in the display unit, names counted in the unit of their range."""

    constant: Fraction
    slopes: Mapping[str, Fraction]

    def __sub__(self, other: _Line) -> _Line:
        names = dict.fromkeys((*self.slopes, *other.slopes))
        slopes = {name: self.slopes.get(name, Fraction(0)) - other.slopes.get(name, Fraction(0)) for name in names}
        return _Line(self.constant - other.constant, {name: slope for name, slope in slopes.items() if slope})


@dataclass(frozen=True, slots=True)
class _Span:
    """A band as lines; an end that is None is unbounded."""

    key: str
    band: Band
    low: _Line | None
    high: _Line | None


class _Bounds:
    """Extremes of lines over the ranges of the names."""

    def __init__(self, unit: str, ranges: Ranges) -> None:
        self.unit = unit
        self.ranges: dict[str, tuple[Fraction, Fraction]] = {}
        self.units: dict[str, str] = {}
        for name, ends in ranges.items():
            low, high = sorted(end.exact(ends[0].unit) for end in ends)
            self.ranges[name], self.units[name] = (low, high), ends[0].unit

    def line(self, expression: Expression | None) -> _Line | None:
        if expression is None:
            return None
        constant, slopes = Fraction(0), dict[str, Fraction]()
        for place, term in enumerate(expression.terms):
            size, start = self._term(term, first=place == 0)
            low, high = self.ranges.get(term.name, (-inf, inf))
            if term.quantity is not None:
                constant += start + size * Fraction(term.quantity.magnitude)
            elif isinstance(low, Fraction) and low == high:
                constant += start + size * low
            else:
                constant += start
                slopes[term.name] = slopes.get(term.name, Fraction(0)) + size
        return _Line(constant, {name: slope for name, slope in slopes.items() if slope})

    def _term(self, term: Term, *, first: bool) -> tuple[Fraction, Fraction]:
        """Slope and start of a term: its number, or its name, counted in its own unit."""
        own = UNITS[self.units.get(term.name, self.unit) if term.quantity is None else term.quantity.unit]
        shown = UNITS[self.unit]
        scale, factor = own.exact / shown.exact, Fraction(term.factor)
        start = Fraction(own.offset) * scale - Fraction(shown.offset) if first else Fraction(0)
        return term.sign * scale * factor, start * factor

    def extremes(self, line: _Line) -> tuple[Fraction | float, Fraction | float]:
        low: Fraction | float = line.constant
        high: Fraction | float = line.constant
        for name, slope in line.slopes.items():
            least, most = self.ranges.get(name, (-inf, inf))
            ends = (slope * least, slope * most)
            low, high = low + min(ends), high + max(ends)
        return low, high

    def middle(self, line: _Line | None, without: float) -> Fraction | float:
        """The line with every name in the middle of its range; ``without`` for an unbounded end."""
        if line is None:
            return without
        middles = {name: (least + most) / 2 for name, (least, most) in self.ranges.items()}
        return line.constant + sum(slope * middles.get(name, Fraction(0)) for name, slope in line.slopes.items())

    def where(self, line: _Line, *, most: bool) -> str:
        """``, for example with battery at 9 V``: the corner at which a line is least, or most."""
        places = []
        for name, slope in sorted(line.slopes.items()):
            if name in self.ranges:
                end = self.ranges[name][1 if (slope > 0) == most else 0]
                places.append(f"{name} at {_number(end)} {UNITS[self.units[name]].sign}")
        return f", for example with {' and '.join(places)}" if places else ""


def _number(value: Fraction) -> str:
    text = f"{float(value):.6g}"
    return text if "e" not in text else f"{float(value):f}".rstrip("0").rstrip(".")


def band_faults(bands: Bands, quantity: str, unit: str, ranges: Ranges) -> tuple[BandFault, ...]:
    """Faults of the bands of one step taken together; empty if every reading falls in exactly one of them.

    Args:
        bands: outcome key and band of every outcome of the step.
        quantity: what the step measures. Voltages, currents, temperatures and angles may be negative,
            pressures where a band has an end under 0; others start at 0.
        unit: symbol of the display unit.
        ranges: lowest and highest of each named value, equal for a constant. A name that is missing may be anything.
    """
    faults = _unit_faults(bands, quantity, unit, ranges)
    if faults or not bands:
        return tuple(faults)
    bounds = _Bounds(unit, ranges)
    faults += _over_limit_faults(bands)
    every = [
        _Span(key, band, bounds.line(band.low), bounds.line(band.high)) for key, band in bands if not band.over_limit
    ]
    at_zero = starts_at_zero(quantity, below_zero=_below_zero(every, bounds))
    spans = []
    for span in every:
        empty = _empty_fault(span, bounds, quantity, at_zero=at_zero)
        faults += empty
        if not any(fault.message.startswith("No reading") for fault in empty):
            spans.append(span)
    if not spans:
        return tuple(faults) or (_nothing_covered(bands),)
    spans.sort(key=lambda span: (bounds.middle(span.low, -inf), bounds.middle(span.high, inf)))
    return (*faults, *_chain_faults(spans, bounds, at_zero=at_zero))


def _nothing_covered(bands: Bands) -> BandFault:
    keys = tuple(key for key, _ in bands)
    return BandFault("gap", keys, "No band covers a reading in numbers", "Add outcomes with bands such as '< 1 V'")


def _unit_faults(bands: Bands, quantity: str, unit: str, ranges: Ranges) -> list[BandFault]:
    if unit not in UNITS or UNITS[unit].quantity != quantity:
        message = f"'{unit}' is not a unit of {quantity}"
        return [BandFault("unit", (), message, f"Right would be {_units_of(quantity)}")]
    return [
        fault
        for key, band in bands
        for end in (band.low, band.high)
        if end is not None
        for place, term in enumerate(end.terms)
        for fault in _term_faults(key, term, quantity, ranges, first=place == 0)
    ]


def _term_faults(key: str, term: Term, quantity: str, ranges: Ranges, *, first: bool) -> list[BandFault]:
    shown = term.quantity or ranges.get(term.name, (None,))[0]
    if shown is not None and shown.quantity != quantity:
        what = format_quantity(shown) if term.quantity else term.name
        message = f"'{key}' compares the {quantity} with {what}, {_article(shown.quantity)}"
        return [BandFault("unit", (key,), message, f"Give the band in {_units_of(quantity)}")]
    if quantity == "temperature" and first and term.factor != 1:
        message = f"'{key}' multiplies a temperature, which means something else in every unit"
        return [BandFault("unit", (key,), message, f"Add or take away degrees, as in '{term.name} + 10 K'")]
    return []


def _article(quantity: str) -> str:
    return f"{'an' if quantity[0] in 'aeiou' else 'a'} {quantity}"


def _units_of(quantity: str) -> str:
    return (
        spoken_list(unit.sign for unit in UNITS.values() if unit.quantity == quantity) if quantity else "a known unit"
    )


def _over_limit_faults(bands: Bands) -> list[BandFault]:
    keys = tuple(key for key, band in bands if band.over_limit)
    if len(keys) < 2:
        return []
    message = f"An over-limit display fits {_and(keys)}"
    return [BandFault("overlap", keys, message, "Keep over-limit for one outcome")]


def _and(keys: Sequence[str]) -> str:
    return spoken_list((f"'{key}'" for key in keys), "and")


def _below_zero(spans: Sequence[_Span], bounds: _Bounds) -> bool:
    """Whether some band ends under 0, whatever the values are."""
    return any(bounds.extremes(end)[1] < 0 for span in spans for end in (span.low, span.high) if end is not None)


def _empty_fault(span: _Span, bounds: _Bounds, quantity: str, *, at_zero: bool) -> list[BandFault]:
    """The fault of a band that no reading can fit, or that has no room for some values."""
    high, low = span.high, span.low
    if at_zero and high is not None:
        most = bounds.extremes(high)[1]
        if most < 0 or (most == 0 and span.band.high_open):
            message = f"No reading can fit '{span.key}', as {_article(quantity)} here is never below 0"
            return [BandFault("empty", (span.key,), message, "Move the upper end above 0")]
    if high is None or low is None:
        return []
    room = high - low
    least, most = bounds.extremes(room)
    point = not (span.band.low_open or span.band.high_open)
    if most < 0 or (most == 0 and not point):
        message = f"No reading can fit '{span.key}', as {_low(span)} is not below {_high(span)}"
        return [BandFault("empty", (span.key,), message, "Put the smaller end first and the larger end last")]
    if least < 0:
        corner = bounds.where(room, most=False)
        message = f"'{span.key}' has no room when {_low(span)} is above {_high(span)}{corner}"
        names = spoken_list(sorted(room.slopes))
        return [BandFault("empty", (span.key,), message, f"Move an end, or narrow what {names} can be")]
    return []


def _low(span: _Span) -> str:
    return span.band.low.text() if span.band.low else "anything"


def _high(span: _Span) -> str:
    return span.band.high.text() if span.band.high else "anything"


def _chain_faults(spans: Sequence[_Span], bounds: _Bounds, *, at_zero: bool) -> list[BandFault]:
    """Faults between bands in rising order, and at both ends of what the quantity can be."""
    faults = _bottom_faults(spans[0], bounds, at_zero=at_zero)
    top = spans[0]
    for span in spans[1:]:
        faults += _join_faults(top, span, bounds)
        if bounds.middle(span.high, inf) >= bounds.middle(top.high, inf):
            top = span
    if top.high is not None:
        start = "above" if not top.band.high_open else "from"
        message = f"Nothing covers readings {start} {_high(top)}{' up' if start == 'from' else ''}, beyond '{top.key}'"
        sign = ">" if start == "above" else ">="
        faults.append(BandFault("gap", (top.key,), message, f"Add an outcome with the band '{sign} {_high(top)}'"))
    return faults


def _bottom_faults(first: _Span, bounds: _Bounds, *, at_zero: bool) -> list[BandFault]:
    if first.low is None:
        return []
    sign = "<=" if first.band.low_open else "<"
    if at_zero:
        most = bounds.extremes(first.low)[1]
        if most < 0 or (most == 0 and not first.band.low_open):
            return []
        between = f"from 0 to {_low(first)}{bounds.where(first.low, most=True)}"
    else:
        between = f"below {_low(first)}"
    message = f"Nothing covers readings {between}, short of '{first.key}'"
    return [BandFault("gap", (first.key,), message, f"Add an outcome with the band '{sign} {_low(first)}'")]


def _join_faults(below: _Span, above: _Span, bounds: _Bounds) -> list[BandFault]:
    """Faults where one band ends and the next starts."""
    keys = (below.key, above.key)
    if below.high is None or above.low is None:
        return [BandFault("overlap", keys, f"{_shared(below, above)} fit both {_and(keys)}", _DIVIDE)]
    step = above.low - below.high
    least, most = bounds.extremes(step)
    if least == most == 0:
        return _meeting_faults(below, above)
    faults = []
    if most > 0:
        message = f"Nothing covers readings from {_high(below)} to {_low(above)}, between {_and(keys)}"
        hint = f"Let '{above.key}' start at {_high(below)}, where '{below.key}' ends"
        faults.append(BandFault("gap", keys, message + bounds.where(step, most=True), hint))
    if least < 0:
        message = f"Readings from {_low(above)} to {_high(below)} fit both {_and(keys)}"
        faults.append(BandFault("overlap", keys, message + bounds.where(step, most=False), _DIVIDE))
    return faults


_DIVIDE = "Let one end where the other starts"


def _shared(below: _Span, above: _Span) -> str:
    if above.low is not None:
        return f"Readings from {_low(above)} up"
    if below.high is None and above.high is None:
        return "All readings"
    return f"Readings up to {_high(below) if below.high is not None else _high(above)}"


def _meeting_faults(below: _Span, above: _Span) -> list[BandFault]:
    """Two ends at the same place: exactly one of them must hold the place itself."""
    keys = (below.key, above.key)
    if below.band.high_open and above.band.low_open:
        message = f"A reading of exactly {_low(above)} fits neither '{below.key}' nor '{above.key}'"
        return [BandFault("gap", keys, message, f"Write '<= {_high(below)}' or '>= {_low(above)}' for one of them")]
    if not below.band.high_open and not above.band.low_open:
        message = f"A reading of exactly {_low(above)} fits both {_and(keys)}"
        return [BandFault("overlap", keys, message, f"Write '< {_high(below)}' or '> {_low(above)}' for one of them")]
    return []
