"""What people may type for a reading, a quantity or a number: ``12,7``, ``450 mohm``, ``1.5 mm2``, ``OL``.

Whatever the text, the only error raised is :class:`ReadingError`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal

from shopkb.core.readings.quantities import (
    Quantity,
    Reading,
    ReadingError,
    plain,
    unit_signs,
    unknown_unit,
    wrong_quantity,
)
from shopkb.core.readings.units import UNITS, Unit
from shopkb.core.typed_text import quoted

LONGEST = 60
"""Characters a typed value may have."""

_MOST_DIGITS = 15
_LARGEST_EXPONENT = 15

_SAME = {ord(space): " " for space in "\t\n\r\u00a0\u2002\u2003\u2007\u2008\u2009\u200a\u202f\u3000"}
_SAME |= {ord(minus): "-" for minus in "\u2212\u2010\u2011\u2012\u2013\ufe63\uff0d"}
_SAME |= {ord(sign): "ohm" for sign in "\u2126\u03a9\u03c9"}
_SAME |= {ord(sign): "deg" for sign in "\u00b0\u00ba\u02da"}
_SAME |= {0x2103: "degC", 0x2109: "degF", 0x212A: "K", 0x00B2: "^2", 0x200B: "", 0x200E: "", 0x200F: "", 0xFEFF: ""}

_NUMBER = re.compile(r"(?P<sign>[+-]?) *(?P<digits>[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?P<power>[eE][+-]?[0-9]{1,3})?")
_OVER_LIMIT = re.compile(
    r"([+-]?) *"
    r"(over[ -]*(?:limit|range|load)|open[ -]*loop|\.?[o0][. ]*l(?![a-z])\.?|ol(?=[km]?ohm|m?[va])|\u221e)"
    r"(.*)",
    re.IGNORECASE | re.DOTALL,
)


def _spellings() -> tuple[Mapping[str, Unit], Mapping[str, Unit]]:
    """Units by exact spelling, and by spelling in lower case where that leaves only one meaning."""
    exact: dict[str, Unit] = {}
    folded: dict[str, list[Unit]] = {}
    for unit in UNITS.values():
        for spelling in {unit.symbol, unit.spoken.replace(" ", ""), *unit.aliases}:
            exact[spelling] = unit
            if unit not in folded.setdefault(spelling.casefold(), []):
                folded[spelling.casefold()].append(unit)
    return exact, {spelling: units[0] for spelling, units in folded.items() if len(units) == 1}


_EXACT, _FOLDED = _spellings()
_BARE_PREFIX = {("k", "resistance"): "kohm", ("K", "resistance"): "kohm", ("M", "resistance"): "Mohm"}


def find_unit(text: str, quantity: str | None = None) -> Unit:
    """The unit somebody means: ``ohm``, ``Ohm``, ``kΩ``, ``deg C``, ``volts``, ``rpm``.

    Case is tolerated where it does not change the meaning: ``mohm`` and ``Mohm`` differ by a thousand million, ``MV``
    is refused. With ``quantity`` given, bare ``k`` and ``M`` after a resistance are understood too (``4.7k``).

    Raises:
        ReadingError: no unit is spelled like that.
    """
    spelled = text.translate(_SAME).replace(" ", "").rstrip(".")
    if (spelled, quantity) in _BARE_PREFIX:
        return UNITS[_BARE_PREFIX[spelled, quantity or ""]]
    if spelled in _EXACT:
        return _EXACT[spelled]
    if spelled[:1] == "M" and spelled[1:].casefold() in {"ohm", "ohms"}:
        return UNITS["Mohm"]
    if spelled[:1] == "m" and spelled[1:].casefold() in {"ohm", "ohms"}:
        return UNITS["mohm"]
    found = _FOLDED.get(spelled.casefold())
    if found is None or spelled in {"k", "M"}:
        raise unknown_unit(text, quantity)
    if spelled[0] == "M" and found.symbol in {"mV", "mA"}:
        milli = found.symbol
        raise ReadingError(f"{quoted(text)} would be a million {milli[1:]}", f"Write {milli} for a thousandth of one")
    return found


def _digits(match: re.Match[str], text: str) -> tuple[Decimal, int]:
    """Number and digits after the point of a matched number.

    Raises:
        ReadingError: too many digits, a comma that may be a thousands mark, or a power beyond any meter.
    """
    typed = match["digits"]
    if re.fullmatch(r"[1-9][0-9]{0,2},[0-9]{3}", typed):
        decimal, thousands = typed.replace(",", "."), typed.replace(",", "")
        raise ReadingError(
            f"{quoted(typed)} can be read as {decimal} or as {thousands}", f"Write {decimal} or {thousands}"
        )
    if sum(letter.isdigit() for letter in typed) > _MOST_DIGITS:
        raise ReadingError(f"{quoted(text)} has more digits than any meter shows", "Give at most 15 digits")
    power = match["power"] or "e0"
    number = Decimal(match["sign"] + typed.replace(",", ".") + power)
    if abs(int(power[1:])) > _LARGEST_EXPONENT or (number and abs(number.adjusted()) > _LARGEST_EXPONENT):
        raise ReadingError(f"{quoted(text)} is beyond anything a meter shows", "Give the number as the meter shows it")
    return number, len(re.split("[.,]", typed)[1]) if re.search("[.,]", typed) else 0


def _split(text: str) -> tuple[Decimal, int, str]:
    """Number, digits after the point, and what follows (the unit), of typed text.

    Raises:
        ReadingError: the text does not start with one plain number.
    """
    if len(text) > LONGEST:
        raise ReadingError(f"{quoted(text)} is too long for one value", "Give one number and its unit, such as 12.7 V")
    clean = text.translate(_SAME).strip()
    if not clean:
        raise ReadingError("Nothing was typed", "Give a number, such as 12.7")
    match = _NUMBER.match(clean)
    if match is None:
        raise ReadingError(f"{quoted(text)} does not start with a number", "Give a number and its unit, such as 12.7 V")
    rest = clean[match.end() :]
    if re.match(r" *[.,]? *[0-9]", rest) and not rest.replace(" ", "").startswith("1/min"):
        raise ReadingError(
            f"{quoted(text)} is not one plain number",
            "Write it with one decimal mark and nothing between thousands, such as 1234.5",
        )
    number, decimals = _digits(match, text)
    return number, decimals, rest.strip()


def parse_number(text: str) -> Decimal:
    """A plain number without a unit, such as ``3977`` or ``8.7755e-08``.

    Raises:
        ReadingError: it is not one, or something follows it.
    """
    number, _, rest = _split(text)
    if rest:
        raise ReadingError(f"{quoted(text)} has something after the number", f"Write {plain(number)} alone")
    return number


def parse_quantity(text: str, quantity: str | None = None, unit: str | None = None) -> Quantity:
    """A number with its unit: ``1.5 mm2``, ``12,7``, ``12.7V``.

    Args:
        text: what was typed.
        quantity: what is asked for; any if None.
        unit: the symbol assumed when none is typed; if None, one must be typed.

    Raises:
        ReadingError: not a number, no or an unknown unit, or a unit of another quantity.
    """
    return _parse(text, quantity, unit)[0]


def _parse(text: str, quantity: str | None, unit: str | None) -> tuple[Quantity, int]:
    number, decimals, rest = _split(text)
    return Quantity(number, _typed_unit(rest, number, quantity, unit)), decimals


def _typed_unit(rest: str, number: Decimal | None, quantity: str | None, unit: str | None) -> str:
    """Symbol of the unit typed after a number (None: after an over-limit display), or the one assumed."""
    wanted = quantity or (find_unit(unit).quantity if unit else None)
    if not rest or (rest.casefold() in {"deg", "degree", "degrees"} and wanted == "temperature" and unit):
        if unit:
            return find_unit(unit, wanted).symbol
        raise ReadingError(f"{quoted(plain(number or Decimal(0)))} has no unit", f"Add one: {unit_signs(wanted)}")
    found = find_unit(rest, wanted)
    if wanted and found.quantity != wanted:
        raise wrong_quantity(Quantity(number if number is not None else Decimal(1), found.symbol), wanted)
    return found.symbol


def parse_reading(text: str, quantity: str, unit: str) -> Reading:
    """What somebody typed from the meter: ``12,7``, ``-0.02``, ``450 mohm``, ``OL``.

    ``OL``, ``0L`` and ``over limit`` mean the over-limit display, except that ``0L`` is no litres where a volume is
    asked for.

    Args:
        text: as typed; a number without a unit is in ``unit``.
        quantity: what is asked for.
        unit: symbol of the display unit.

    Raises:
        ReadingError: in words for the person at the meter.
    """
    clean = text.translate(_SAME).strip()
    display = _OVER_LIMIT.match(clean)
    if display and len(text) <= LONGEST and not (quantity == "volume" and clean.startswith("0")):
        if display[1] == "-":
            raise ReadingError(
                "The display is over its limit on the negative side",
                "Swap the leads or choose a larger range, and measure again",
            )
        _typed_unit(display[3].strip(), None, quantity, unit)
        return Reading(None, over_limit=True)
    value, decimals = _parse(text, quantity, unit)
    return Reading(value, decimals=decimals)
