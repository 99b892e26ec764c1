"""The ends of bands: sums and differences of numbers with units and of named values.

A term is a number with a unit, a NAME, or ``NAME * number``. Nothing is evaluated as code.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache

from shopkb.core.readings.parsing import find_unit, parse_number, parse_quantity
from shopkb.core.readings.quantities import Quantity, ReadingError, plain
from shopkb.core.readings.units import UNITS
from shopkb.core.typed_text import quoted

RIGHT = "Right would be '< 1 V', '>= 12.4 V', '1 V .. 2 V', '>= battery - drop * 1.3' or 'over-limit'"
_NAME = r"[a-z][a-z0-9_]*"
_NUMBER = r"[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+"
_UNIT = r"1/min|%|N m\b|[^\W\d_]+(?: [cCfF]\b)?(?:\^?2|/(?:min|h|s)\b)?|deg ?[cCfF]?"
_TERM = re.compile(
    rf"(?:(?P<name>{_NAME})(?: *\* *(?P<factor>{_NUMBER}))?|(?P<number>{_NUMBER}) *(?P<unit>{_UNIT})?) *(?=[+-]|$)"
)
_SAME = {0x2212: "-", 0x2013: "-", 0xA0: " ", 0x202F: " ", 0x2264: "<=", 0x2265: ">=", 0x2026: "..", 0x2025: ".."}
_SAME |= {0xD7: "*", 0xB7: "*", 0x2126: "ohm", 0x3A9: "ohm", 0xB0: "deg", 0x2103: "degC", 0x2109: "degF", 0xB2: "2"}


def tidy(text: str) -> str:
    """The text with ASCII signs and single spaces."""
    return " ".join(text.translate(_SAME).split())


@dataclass(frozen=True, slots=True)
class Term:
    """A number with a unit (``quantity``), or the value ``name`` times ``factor``; added or taken away by ``sign``.

    A negative quantity is kept as its size with the sign turned.
    """

    sign: int
    quantity: Quantity | None
    name: str = ""
    factor: Decimal = Decimal(1)

    def __post_init__(self) -> None:
        if self.quantity is not None and self.quantity.magnitude < 0:
            object.__setattr__(self, "sign", -self.sign)
            object.__setattr__(self, "quantity", Quantity(-self.quantity.magnitude, self.quantity.unit))

    def text(self) -> str:
        """The term without its sign: ``1.5 V``, ``battery`` or ``drop * 1.3``."""
        if self.quantity is not None:
            return str(self.quantity)
        return self.name if self.factor == 1 else f"{self.name} * {plain(self.factor)}"


@dataclass(frozen=True, slots=True)
class Expression:
    """A sum or difference of terms: one end of a band.

    Of temperatures, the first term is a point on the scale and every further one a difference: ``ambient + 10 degC``
    and ``ambient + 10 K`` are the same.
    """

    terms: tuple[Term, ...]

    def text(self) -> str:
        """Canonical text: unit symbols in ASCII, single spaces."""
        first, *others = self.terms
        start = f"-{first.text()}" if first.sign < 0 else first.text()
        return start + "".join(f" {'-' if term.sign < 0 else '+'} {term.text()}" for term in others)

    @property
    def names(self) -> frozenset[str]:
        return frozenset(term.name for term in self.terms if term.quantity is None)

    @property
    def is_constant(self) -> bool:
        return not self.names

    def exact(self, values: Mapping[str, Quantity], unit: str) -> Fraction:
        """The value in ``unit``, without rounding, so that equal expressions give equal numbers.

        Raises:
            ReadingError: a name has no value, or a term measures something else than ``unit`` does.
        """
        total = Fraction(0)
        for place, term in enumerate(self.terms):
            if term.quantity is None and term.name not in values:
                raise ReadingError(f"{term.name} has no value yet", f"Give {term.name} in {UNITS[unit].sign} first")
            value = values[term.name] if term.quantity is None else term.quantity
            if place == 0:
                signed = Quantity(value.magnitude * term.sign, value.unit)
                total += signed.exact(unit) * Fraction(term.factor)
            else:
                total += difference(value, unit) * Fraction(term.factor) * term.sign
        return total

    def evaluate(self, values: Mapping[str, Quantity], unit: str) -> float:
        """:meth:`exact` as a float."""
        return _constant(self, unit) if self.is_constant else float(self.exact(values, unit))


@lru_cache(maxsize=4096)
def _constant(expression: Expression, unit: str) -> float:
    """Cached: most ends of bands are written numbers, and each is converted with every reading."""
    return float(expression.exact({}, unit))


@lru_cache(maxsize=4096)
def difference(value: Quantity, unit: str) -> Fraction:
    """The size of a difference in ``unit``: 18 degF of difference are 10 degC of difference.

    Raises:
        ReadingError: the value measures something else than ``unit`` does.
    """
    return value.exact(unit) - Quantity(Decimal(0), value.unit).exact(unit)


def parse_expression(text: str, band: str) -> Expression:
    """Parse the text of an end; ``band`` is the whole band it stands in, for the messages.

    Raises:
        ReadingError: the text is not an expression.
    """
    rest = text.strip()
    terms: list[Term] = []
    if not rest:
        raise ReadingError(f"{quoted(band)} has nothing where a value is expected", RIGHT)
    if re.search("[<>=]", rest):
        raise ReadingError(f"{quoted(band)} compares twice", "For two ends write '1 V .. 2 V'")
    while rest:
        sign, rest = _sign(rest, bool(terms), band)
        match = _TERM.match(rest)
        if match is None:
            raise _not_a_term(rest, band)
        terms.append(_term(sign, match, band))
        rest = rest[match.end() :]
    return Expression(tuple(terms))


def _sign(rest: str, needed: bool, band: str) -> tuple[int, str]:
    if rest[0] in "+-":
        after = rest[1:].lstrip()
        if not after or after[0] in "+-":
            raise ReadingError(f"{quoted(band)} has a sign without a value", "Write battery - 0.5 V, for example")
        return (-1 if rest[0] == "-" else 1), after
    if needed:
        raise _not_a_term(rest, band)
    return 1, rest


def _term(sign: int, match: re.Match[str], band: str) -> Term:
    if match["name"]:
        if match["name"] in UNITS and match["factor"] is None:
            raise ReadingError(f"{quoted(band)} has a unit without a number", f"Write 1 {match['name']}, for example")
        factor = parse_number(match["factor"] or "1")
        return Term(sign, None, match["name"], factor)
    number = match["number"]
    if not match["unit"]:
        raise ReadingError(f"{number} has no unit in {quoted(band)}", f"Write {number} V, for example")
    return Term(sign, parse_quantity(f"{number} {find_unit(match['unit']).symbol}"))


def _not_a_term(rest: str, band: str) -> ReadingError:
    backwards = re.match(rf"({_NUMBER}) *\* *({_NAME})", rest)
    if backwards:
        return ReadingError(f"{quoted(band)} has the number before the name", f"Write {backwards[2]} * {backwards[1]}")
    capital = re.match(r"[A-Za-z][\w-]*", rest)
    if capital:
        return ReadingError(
            f"{quoted(rest)} in {quoted(band)} is not the name of a value",
            "A name has small letters, figures and underscores, as in 'battery - drop * 1.3'",
        )
    return ReadingError(
        f"{quoted(rest)} in {quoted(band)} is not a value",
        "A value is a number with a unit, a name, or a name * number, joined by + or -",
    )
