"""The one-line forms of a procedure's circuit: what is joined, switched, how a part fails, how much a part may differ.

Each has a canonical text; parsing it gives an equal value.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from shopkb.core.circuit.parts import FaultKind
from shopkb.core.identifiers import KEY_FORM
from shopkb.core.readings.parsing import parse_number, parse_quantity
from shopkb.core.readings.quantities import Quantity, ReadingError, plain
from shopkb.core.typed_text import quoted, spoken_list

POINT_FORM: Final = rf"{KEY_FORM}[+-]?"
OPEN_END: Final = "open"


class TextValue:
    """A value that stands in the file as one text."""

    __slots__ = ()

    def text(self) -> str:
        raise NotImplementedError

    def __str__(self) -> str:
        return self.text()


@dataclass(frozen=True, slots=True)
class Join(TextValue):
    """Two points, the first for the red lead or the feed, and the resistance of what joins them."""

    first: str
    second: str
    ohms: Quantity | None = None

    def text(self) -> str:
        return f"{self.first} to {self.second}" + (f" by {self.ohms}" if self.ohms is not None else "")


@dataclass(frozen=True, slots=True)
class Setting(TextValue):
    """A contact, switch or output and whether it is closed."""

    part: str
    closed: bool

    def text(self) -> str:
        return f"{self.part} {'closed' if self.closed else 'open'}"


@dataclass(frozen=True, slots=True)
class Defect(TextValue):
    """How a part fails; ``high`` is None where the range has no end short of an open circuit."""

    kind: FaultKind
    low: Quantity | None = None
    high: Quantity | None = None

    def text(self) -> str:
        if self.low is None:
            return self.kind.value
        return f"{self.kind} {self.low} .. {self.high if self.high is not None else OPEN_END}"


@dataclass(frozen=True, slots=True)
class Spread(TextValue):
    """By how much a part may differ from another: a share in percent of its size, or the range of its size."""

    percent: Decimal | None = None
    low: Quantity | None = None
    high: Quantity | None = None

    def text(self) -> str:
        if self.percent is not None:
            return f"{plain(self.percent)} %"
        return f"{self.low} .. {self.high}"


_JOIN = re.compile(rf"({POINT_FORM}) to ({POINT_FORM})(?: by (.+))?")
_SETTING = re.compile(rf"({KEY_FORM}) (closed|open)")
_RANGE = re.compile(r"(.+?) *\.\. *(.+)")

NEEDS_RANGE: Final = frozenset({FaultKind.SERIES, FaultKind.VALUE, FaultKind.TIMES})
RANGED: Final = NEEDS_RANGE | {FaultKind.SHORT, FaultKind.TO_EARTH, FaultKind.TO_SUPPLY}


def parse_join(text: str) -> Join:
    """``battery+ to feed`` or ``feed to battery- by 6 ohm``.

    Raises:
        ReadingError: it has another form.
    """
    match = _JOIN.fullmatch(" ".join(text.split()))
    if match is None:
        hint = "Write POINT to POINT, such as battery+ to feed, and by 6 ohm behind it for a test lamp"
        raise ReadingError(f"{quoted(text)} does not join two points", hint)
    return Join(match[1], match[2], _ohms(match[3]) if match[3] else None)


def parse_setting(text: str) -> Setting:
    """``high-relay closed``.

    Raises:
        ReadingError: it has another form.
    """
    match = _SETTING.fullmatch(" ".join(text.split()))
    if match is None:
        raise ReadingError(
            f"{quoted(text)} sets no switch", "Write PART closed or PART open, such as high-relay closed"
        )
    return Setting(match[1], match[2] == "closed")


def parse_defect(text: str) -> Defect:
    """``open``, ``series 50 mohm .. open``, ``value 2 ohm .. 5 ohm``, ``to-earth``.

    Raises:
        ReadingError: it has another form.
    """
    word, _, rest = " ".join(text.split()).partition(" ")
    if word not in set(FaultKind):
        raise ReadingError(f"{quoted(text)} is no way to fail", f"Begin with {spoken_list(FaultKind)}")
    kind = FaultKind(word)
    if not rest:
        if kind in NEEDS_RANGE:
            example = "times 20 % .. 60 %" if kind is FaultKind.TIMES else f"{word} 0.1 ohm .. 5 ohm"
            raise ReadingError(f"{word} needs its range", f"Write {example}, for example")
        return Defect(kind)
    if kind not in RANGED:
        raise ReadingError(f"{word} has no resistance", f"Write {word} alone")
    low, high = _ends(rest)
    if kind is FaultKind.TIMES:
        return Defect(kind, parse_quantity(low, "ratio"), parse_quantity(high, "ratio"))
    return Defect(kind, _ohms(low), None if high == OPEN_END else _ohms(high))


def parse_spread(text: str) -> Spread:
    """``10 %`` or ``0 mohm .. 8 mohm``.

    Raises:
        ReadingError: it has another form.
    """
    tidy = " ".join(text.split())
    if tidy.endswith("%"):
        percent = parse_number(tidy[:-1].strip())
        if not 0 <= percent < 100:
            raise ReadingError(f"{quoted(text)} is no share that a part can differ by", "Write 0 % to 99 %")
        return Spread(percent)
    low, high = (_ohms(end) for end in _ends(tidy))
    return Spread(None, low, high)


def _ends(text: str) -> tuple[str, str]:
    match = _RANGE.fullmatch(text)
    if match is None:
        raise ReadingError(f"{quoted(text)} is not a range", "Write 50 mohm .. 5 ohm, for example")
    return match[1], match[2]


def _ohms(text: str) -> Quantity:
    ohms = parse_quantity(text, "resistance")
    if ohms.magnitude < 0:
        raise ReadingError(f"{quoted(text)} is less than nothing", "Give a resistance of 0 ohm or more")
    return ohms
