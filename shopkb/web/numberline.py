"""The number line under a reading: which range gives which answer, and where the reading lies.

Positions are percentages and text is never scaled, so words keep their full size on a phone. The line is to scale
as far as every range still gets room for its limits; narrower ranges are widened.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe

from shopkb.core.readings.bands import Interval, short_number

LEAST_SHARE = 0.17
"""Part of the line that the narrowest range gets, while there is room for it."""

_BEFORE_BOX = 72.0
"""Percent at which the line ends where a box for the over-limit display follows."""

_WORDS_TOO_LONG = " too-long"
_LOWER = " lower"
_PERCENT_A_LETTER = 3.0
"""Width of a letter of a limit, in percent of the line, on the narrowest phone."""

_LETTERS_ACROSS = 78
"""Letters of a range's words that fit on the whole line of a wide page."""


@dataclass(frozen=True, slots=True)
class Segment:
    """One range of the line. ``key`` is the number of the answer it stands for; ``text`` says the range in words."""

    label: str
    interval: Interval
    key: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class LegendEntry:
    """One row of the words under the line."""

    key: str
    label: str
    text: str
    held: bool


@dataclass(frozen=True, slots=True)
class NumberLine:
    """What ``web/_numberline.html`` shows. ``listed``: the words do not fit under the line at any width.

    ``stepped``: on a phone the limits need two rows.
    """

    svg: SafeString
    legend: tuple[LegendEntry, ...]
    listed: bool
    stepped: bool


@dataclass(frozen=True, slots=True)
class _Drawn:
    segment: Segment
    entry: LegendEntry


@dataclass(frozen=True, slots=True)
class _Scale:
    """Piecewise linear: ``edges`` of the ranges, in reading units, against ``places`` in percent."""

    edges: tuple[float, ...]
    places: tuple[float, ...]

    def place(self, number: float) -> float:
        for (low, high), (start, end) in zip(pairwise(self.edges), pairwise(self.places), strict=True):
            if number <= high or high == self.edges[-1]:
                share = (number - low) / (high - low)
                return start + min(1.0, max(0.0, share)) * (end - start)
        raise AssertionError(number)


def number_line(
    segments: Sequence[Segment],
    unit_sign: str,
    reading: float | None = None,
    *,
    spread: float = 0.0,
    over_limit: bool = False,
) -> NumberLine:
    """Draw the ranges of a step and, if there is one, the reading.

    Args:
        segments: ranges in the order of the answers, limits in one unit. An over-limit range is a box of its own.
        unit_sign: the unit as people see it.
        reading: in the same unit.
        spread: what the meter may be off by, in the same unit; drawn as a bar under the pointer.
        over_limit: the meter shows its over-limit sign in place of a reading.

    Raises:
        ValueError: no segment, a limit that is not a number, or a reading or spread that is not finite.
    """
    _refuse_nonsense(segments, reading, spread)
    drawn = [
        _Drawn(segment, _entry(segment, segment.key or str(number), unit_sign, reading, over_limit))
        for number, segment in enumerate(segments, 1)
    ]
    ranges = [one for one in drawn if not one.segment.interval.over_limit]
    beyond = [one for one in drawn if one.segment.interval.over_limit]
    parts: list[str] = []
    if ranges:
        reading_shown = None if over_limit else reading
        scale = _scale_of([one.segment for one in ranges], reading_shown, _BEFORE_BOX if beyond else 100.0)
        parts += _line(ranges, scale, unit_sign)
        parts += [] if reading_shown is None else _pointer(reading_shown, spread, scale)
    start = _BEFORE_BOX + 4 if ranges else 0.0
    parts += [_box(one, "over limit", start, 100.0) for one in beyond]
    entries = tuple(one.entry for one in drawn)
    label = escape(_spoken(entries, unit_sign, reading, over_limit))
    svg = f'<svg role="img" aria-label="{label}" focusable="false">{"".join(parts)}</svg>'
    listed, stepped = (any(mark in part for part in parts) for mark in (f'{_WORDS_TOO_LONG}"', f'{_LOWER}"'))
    return NumberLine(mark_safe(svg), entries, listed, stepped)  # noqa: S308  (every text escaped above)


def _refuse_nonsense(segments: Sequence[Segment], reading: float | None, spread: float) -> None:
    if not segments:
        raise ValueError("A number line needs at least one range")
    if any(math.isnan(end) for segment in segments for end in (segment.interval.low, segment.interval.high)):
        raise ValueError("A limit of a number line must be a number")
    if (reading is not None and not math.isfinite(reading)) or not math.isfinite(spread) or spread < 0:
        raise ValueError("A reading and its spread must be finite numbers, the spread not negative")


def _entry(segment: Segment, key: str, unit_sign: str, reading: float | None, over_limit: bool) -> LegendEntry:
    interval = segment.interval
    held = interval.over_limit if over_limit else reading is not None and interval.holds(reading)
    words = segment.text or re.sub(r"-(?=\d)", "−", interval.words(unit_sign))
    return LegendEntry(key, segment.label, words, held)


def _scale_of(ranges: Sequence[Segment], reading: float | None, end: float) -> _Scale:
    """Edges at every finite limit, with room for open ends and the reading beyond the outer ones."""
    ends = {value for segment in ranges for value in (segment.interval.low, segment.interval.high)}
    finite = _limits(ranges)
    if not finite:
        finite = [reading if reading is not None else 0.0]
    span = finite[-1] - finite[0] or abs(finite[0]) or 1.0
    edges = list(finite)
    if -math.inf in ends or (reading is not None and reading < finite[0]):
        lowest = finite[0] - 0.35 * span
        if finite[0] > 0 and (reading is None or reading >= 0):
            lowest = max(0.0, lowest)
        edges.insert(0, lowest if reading is None or reading > lowest else reading - 0.1 * span)
    if math.inf in ends or (reading is not None and reading > finite[-1]):
        highest = finite[-1] + 0.35 * span
        edges.append(highest if reading is None or reading < highest else reading + 0.1 * span)
    if len(edges) == 1:
        edges = [edges[0] - 1.0, edges[0] + 1.0]
    return _Scale(tuple(edges), _places(edges, end))


def _limits(ranges: Sequence[Segment]) -> list[float]:
    """Finite ends of the ranges, each once, rising."""
    ends = {value for segment in ranges for value in (segment.interval.low, segment.interval.high)}
    return sorted(value for value in ends if math.isfinite(value))


def _places(edges: Sequence[float], end: float) -> tuple[float, ...]:
    """Percent of the line at each edge: every piece gets its floor, what is left is shared out to scale."""
    lengths = [high - low for low, high in pairwise(edges)]
    floor = min(LEAST_SHARE, 0.8 / len(lengths))
    left = 1 - floor * len(lengths)
    whole = sum(lengths)
    places = [0.0]
    for length in lengths:
        places.append(places[-1] + end * (floor + left * length / whole))
    return tuple(places)


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _line(ranges: Sequence[_Drawn], scale: _Scale, unit_sign: str) -> list[str]:
    """Axis, a box for each range, and a tick with its number at each limit."""
    parts = [f'<line class="axis" x1="0" x2="{_number(scale.places[-1])}%" y1="37" y2="37"/>']
    for one in ranges:
        interval = one.segment.interval
        start = scale.places[0] if math.isinf(interval.low) else scale.place(interval.low)
        stop = scale.places[-1] if math.isinf(interval.high) else scale.place(interval.high)
        parts.append(_box(one, "", start, stop))
    limits = _limits([one.segment for one in ranges])
    numbers = {
        end: one.number(end) for one in (each.segment.interval for each in ranges) for end in (one.low, one.high)
    }
    texts = [f"{numbers[value]} {unit_sign}".replace("-", "−").strip() for value in limits]
    places = [scale.place(value) for value in limits]
    for place, text, lower in zip(places, texts, _lowered(places, texts), strict=True):
        end = " first" if place < 2 else " last" if place > 98 else ""
        where = _number(place)
        parts.append(f'<line class="limit" x1="{where}%" x2="{where}%" y1="22" y2="53"/>')
        parts.append(f'<text class="at{end}{_LOWER if lower else ""}" x="{where}%" y="67">{escape(text)}</text>')
    return parts


def _lowered(places: Sequence[float], texts: Sequence[str]) -> list[bool]:
    """Which limits step down a row on a phone, where they would run into the one before."""
    lowered: list[bool] = []
    for index, place in enumerate(places):
        before = index - 1
        if before < 0 or lowered[before]:
            lowered.append(False)
            continue
        needed = (len(texts[before]) + len(texts[index])) / 2 + 1
        lowered.append(place - places[before] < needed * _PERCENT_A_LETTER)
    return lowered


def _box(one: _Drawn, caption: str, start: float, stop: float) -> str:
    """One range: its box, its key inside, its words below. ``caption`` stands where the limits of the line stand.

    The over-limit display is a box apart from the line, since it is no number; the pointer stands over it.
    """
    entry, middle = one.entry, _number((start + stop) / 2)
    held = " held" if entry.held else ""
    fits = len(entry.label) <= (stop - start) / 100 * _LETTERS_ACROSS
    parts = [
        f'<rect class="band{held}" x="{_number(start)}%" y="26" width="{_number(stop - start)}%" height="22"/>',
        f'<text class="band-key{held}" x="{middle}%" y="42.5">{escape(entry.key)}</text>',
        f'<text class="words{held}{"" if fits else _WORDS_TOO_LONG}" x="{middle}%" y="87">{escape(entry.label)}</text>',
    ]
    if caption:
        parts.append(f'<text x="{middle}%" y="67">{caption}</text>')
        parts += [_marker(middle)] if entry.held else []
    return "".join(parts)


def _marker(where: str) -> str:
    return f'<svg x="{where}%" y="0" overflow="visible"><path class="pointer" d="M-9 0H9L0 15z"/></svg>'


def _pointer(reading: float, spread: float, scale: _Scale) -> list[str]:
    where = _number(scale.place(reading))
    parts = [_marker(where)]
    if spread > 0:
        low, high = _number(scale.place(reading - spread)), _number(scale.place(reading + spread))
        parts.append(f'<line class="spread" x1="{low}%" x2="{high}%" y1="20" y2="20"/>')
    return parts


def _spoken(entries: Sequence[LegendEntry], unit_sign: str, reading: float | None, over_limit: bool) -> str:
    """The same in words, for a screen reader."""
    ranges = "; ".join(f"{entry.key}: {entry.label}, {entry.text}" for entry in entries)
    if reading is None and not over_limit:
        return f"Ranges. {ranges}."
    reading_shown = (
        "over limit" if over_limit else f"{short_number(reading or 0.0)} {unit_sign}".replace("-", "−").strip()
    )
    held = [f"{entry.key}, {entry.label}" for entry in entries if entry.held]
    return f"Ranges. {ranges}. The reading, {reading_shown}, is in {' and '.join(held) if held else 'none of them'}."
