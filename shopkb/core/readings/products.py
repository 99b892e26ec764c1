"""Limits as sums and products, for a device that works them out without the server.

A computed value is a number times a factor for each value it rests on, where its computation says so
(:class:`~shopkb.core.readings.computations.Factor`); an end of a band is a sum of values times numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from shopkb.core.readings.computations import Computation, Factor, Input
from shopkb.core.readings.expected import COMPUTATIONS, compute
from shopkb.core.readings.expressions import Expression
from shopkb.core.readings.quantities import Quantity, ReadingError


@dataclass(frozen=True)
class Product:
    """A computed value in ``unit``: ``size`` times the factor of each value named in ``of``.

    ``of`` holds (name, scale, factor): the number of the value times ``scale`` is what the factor takes.
    """

    unit: str
    size: float
    of: tuple[tuple[str, float, Factor], ...]


@dataclass(frozen=True)
class Sum:
    """One end of a band in the unit of its step: ``constant`` and each value named in ``of`` times its number."""

    constant: float
    of: tuple[tuple[str, float], ...]


def as_product(name: str, inputs: Sequence[tuple[str, str]], units: Mapping[str, str]) -> Product | None:
    """A computation as a product of the values that its inputs name; ``None`` where it is none.

    Args:
        name: a key of :data:`~shopkb.core.readings.expected.COMPUTATIONS`.
        inputs: (input, text) as written; a text that is a key of ``units`` names a value.
        units: the unit of each value.
    """
    computation = COMPUTATIONS.get(name)
    if computation is None:
        return None
    named = {each: text.strip() for each, text in inputs if text.strip() in units}
    if not named.keys() <= computation.factors.keys():
        return None
    at = {each.name: _inside(each) for each in computation.inputs if each.name in named}
    values = {named[each]: Quantity(Decimal(repr(number)), _unit(computation, each)) for each, number in at.items()}
    try:
        found = compute(name, dict(inputs), values).value
    except ReadingError:
        return None
    size = float(found.magnitude)
    factors = []
    for each, text in named.items():
        factor = computation.factors[each]
        size /= factor.at(at[each])
        factors.append((text, _scale(units[text], _unit(computation, each)), factor))
    return Product(found.unit, size, tuple(factors))


def as_sum(end: Expression, units: Mapping[str, str], unit: str) -> Sum:
    """An end of a band in ``unit``. ``units`` holds the unit of every value it names.

    Raises:
        ReadingError: a term measures something else than ``unit`` does.
    """
    constant, of = 0.0, []
    for place, term in enumerate(end.terms):
        own = term.quantity.unit if term.quantity is not None else units[term.name]
        scale = _scale(own, unit) * float(term.factor) * term.sign
        if place == 0:  # a point on the scale; every further term is a difference
            constant += float(Quantity(Decimal(0), own).exact(unit)) * float(term.factor)
        if term.quantity is not None:
            constant += float(term.quantity.magnitude) * scale
        else:
            of.append((term.name, scale))
    return Sum(constant, tuple(of))


def _scale(own: str, other: str) -> float:
    """How many ``other`` a difference of one ``own`` is."""
    return float(Quantity(Decimal(1), own).exact(other) - Quantity(Decimal(0), own).exact(other))


def _unit(computation: Computation, name: str) -> str:
    return next(each.unit for each in computation.inputs if each.name == name)


def _inside(each: Input) -> float:
    """A number that the input takes: 1 where it may be."""
    return min(max(1.0, each.low if each.low is not None else 1.0), each.high if each.high is not None else 1.0)
