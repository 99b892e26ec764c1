"""A range of readings in the words of whoever types it: ``2 to 11 V``, ``under 0.5``, ``11 V or more``.

What comes out is a :class:`~shopkb.core.readings.bands.Band`, so its text is that of the procedure file. Ends without
a unit are in the unit of the step, or in that of the other end.
"""

from __future__ import annotations

import re
from dataclasses import replace

from shopkb.core.readings.bands import LONGEST, Band, parse_band
from shopkb.core.readings.expressions import tidy
from shopkb.core.readings.parsing import find_unit, parse_quantity
from shopkb.core.readings.quantities import ReadingError, plain
from shopkb.core.typed_text import quoted

_SIGNS = (
    (">=", "at least|not less than|no less than|not under|not below|minimum|min|from"),
    ("<=", "at most|not more than|no more than|not over|not above|maximum|max|up to"),
    (">", "more than|greater than|higher than|larger than|bigger than|exceeding|exceeds|over|above"),
    ("<", "less than|lower than|smaller than|under|below|beneath"),
)
_BEFORE = [(sign, re.compile(rf"(?:is |reads )?(?:{words})\b", re.IGNORECASE)) for sign, words in _SIGNS]
_AFTER = (
    (">=", re.compile(r"(?:,? ?(?:or|and) (?:more|above|over|higher|up|upwards?|greater)|\+)$", re.IGNORECASE)),
    ("<=", re.compile(r",? ?(?:or|and) (?:less|below|under|lower|down|downwards?|smaller)$", re.IGNORECASE)),
)
_END = r"[+-]? ?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?: ?(?:[^\W\d]+|%|1/min|deg ?[cCfF])(?:/min)?)?"
_HYPHEN = re.compile(rf"({_END}) ?- ?({_END})")
_TWO_ENDS = re.compile(r"(?:between |from )?(.+?)(?: (?:to|and|until|till|up to) | ?\.{2,3} ?)(.+)", re.IGNORECASE)
_BOTH = re.compile(r",? (?:and|but) |, ?|(?<=[^<>=\s]) ?(?=[<>])")
_OVER = re.compile(r"over[- ]?(?:limit|range|load)|open[- ]loop|[o0]\.?l\.?|infinit[ey]|\u221e", re.IGNORECASE)
_BARE = re.compile(r"(?<![\w.,*])(?<!\* )(?:\d+(?:[.,]\d*)?|[.,]\d+)(?![\w.,%]| ?[^\W\d]| ?%| ?\*)")


def spoken_band(text: str, unit: str = "") -> Band:
    """The band somebody means. ``unit`` is that of the step's reading; empty when none was chosen yet.

    Raises:
        ReadingError: it is no range; message and hint say why and what would be right.
    """
    if len(text) > LONGEST:
        raise ReadingError(f"{quoted(text)} is too long for a range", f"A range has at most {LONGEST} characters")
    clean = tidy(text)
    if _OVER.fullmatch(clean):
        return Band(over_limit=True)
    if band := _one_end(clean, unit):
        return band
    if band := _two_ends(clean, unit):
        return band
    raise ReadingError(f"{quoted(text)} is not a range of readings", _right(unit))


def band_of_ends(low: str, high: str, unit: str = "") -> Band | None:
    """The band between two boxes; ``None`` when both are empty.

    A bare end is in below and out above, so that the bands of a step fit one on the other. Either box may say it
    otherwise (``> 0.2``, ``0.2 or less``), and one alone may hold the whole range.

    Raises:
        ReadingError: as for :func:`spoken_band`.
    """
    low, high = low.strip(), high.strip()
    if not low or not high:
        return _of_one_box(low, ">=", unit) if low else _of_one_box(high, "<", unit) if high else None
    return _joined(_of_one_box(low, ">=", unit), _of_one_box(high, "<", unit), f"{low} .. {high}")


def ends_as_typed(band: Band | None, unit: str) -> tuple[str, str]:
    """What the two boxes say of a band: :func:`band_of_ends` of it is the same band again."""
    if band is None:
        return "", ""
    if band.over_limit:
        return "OL", ""
    low = _without_unit(band.low.text(), unit) if band.low else ""
    high = _without_unit(band.high.text(), unit) if band.high else ""
    return f"> {low}" if low and band.low_open else low, f"<= {high}" if high and not band.high_open else high


def in_words(band: Band) -> str:
    """What was understood: ``2 V or more, under 11 V``."""
    if band.over_limit:
        return "the meter shows over limit"
    low = band.low and (f"more than {band.low.text()}" if band.low_open else f"{band.low.text()} or more")
    high = band.high and (f"under {band.high.text()}" if band.high_open else f"{band.high.text()} or less")
    return ", ".join(part for part in (low, high) if part)


def _of_one_box(text: str, bare: str, unit: str) -> Band:
    """A box alone: a whole range in words, or a bare end that ``bare`` says the side of."""
    try:
        end = _end(tidy(text), unit)
    except ReadingError as refusal:
        try:
            return spoken_band(text, unit)
        except ReadingError as no_range:
            raise (
                refusal if re.match(r"[\d.,+-]", text) and not re.search(" (?:to|and) ", text) else no_range
            ) from None
    return parse_band(f"{bare} {end}")


def _one_end(text: str, unit: str) -> Band | None:
    sign, rest = _sign(text)
    if not sign or _sign(rest)[0] or not rest or re.search("[<>=]", rest):
        return None
    if re.search(r" (?:and|but|to) |,\s|\.\.", rest):
        return None
    return parse_band(f"{sign} {_end(rest, unit)}")


def _sign(text: str) -> tuple[str, str]:
    """The comparison that a text begins or ends with, and what is left of it."""
    if compared := re.match("<=|>=|=<|=>|<|>", text):
        sign = {"=<": "<=", "=>": ">="}.get(compared[0], compared[0])
        return sign, text[compared.end() :].strip()
    for sign, words in _AFTER:
        if found := words.search(text):
            return sign, text[: found.start()].strip()
    for sign, words in _BEFORE:
        if found := words.match(text):
            return sign, text[found.end() :].strip()
    return "", text


def _two_ends(text: str, unit: str) -> Band | None:
    for part in _BOTH.finditer(text):
        one, other = text[: part.start()].strip(), text[part.end() :].strip()
        if _sign(one)[0] and _sign(other)[0]:
            return _joined(spoken_band(one, unit), spoken_band(other, unit), text)
    ends = _HYPHEN.fullmatch(re.sub("^(?:between|from) ", "", text, flags=re.IGNORECASE)) or _TWO_ENDS.fullmatch(text)
    if ends is None:
        return None
    low, high = ends[1].strip(), ends[2].strip()
    return parse_band(f"{_end(low, _unit_of(high, unit))} .. {_end(high, _unit_of(low, unit))}")


def _joined(one: Band, other: Band, text: str) -> Band:
    below, above = (other, one) if one.low is None and other.high is None else (one, other)
    if below.low is None or above.high is None or below.high is not None or above.low is not None:
        raise ReadingError(f"{quoted(text)} has no lower and upper end", "Give the lower end first, then the upper one")
    if below.low_open or not above.high_open:
        low, high = below.low.text(), above.high.text()
        raise ReadingError(
            f"{quoted(text)} cannot be kept as it is: between two ends the lower one is in and the upper one is out",
            f"Write {low} to {high}, and let the outcome above it begin at {high}",
        )
    return replace(below, high=above.high, high_open=True)


def _end(text: str, unit: str) -> str:
    """One end as the file has it: a number with its unit, or an expression whose bare numbers got the unit."""
    if not text:
        raise ReadingError("An end of the range is empty", _right(unit))
    if not re.search("[a-z_]+ ?[*+-]|[+-] ?[a-z]|^[a-z][a-z0-9_]*$", text):
        return str(parse_quantity(text, unit=unit or None, quantity=find_unit(unit).quantity if unit else None))
    whole = _BARE.sub(lambda number: f"{number[0]} {unit}", text) if unit else text
    band = parse_band(f">= {whole}")
    return band.low.text() if band.low else ""


def _unit_of(text: str, otherwise: str) -> str:
    """The unit an end names, which the other end then means too."""
    try:
        return parse_quantity(tidy(text)).unit
    except ReadingError:
        return otherwise


def _without_unit(end: str, unit: str) -> str:
    try:
        quantity = parse_quantity(end)
    except ReadingError:
        return end
    return plain(quantity.magnitude) if quantity.unit == unit else end


def _right(unit: str) -> str:
    sign = f" {unit}" if unit else " V"
    return f"Write 2 to 11{sign}, under 0.5{sign}, 11{sign} or more, or OL for the meter's over-limit display"
