"""Charts of figures as inline SVG: pure functions of plain numbers, classes only, no style attribute.

Every chart has its table beside it, so it is named by ``label`` and its parts are hidden from speech. Nothing is told
by colour alone: lines differ by dashes, points by shape, and what counts is written.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape
from types import MappingProxyType

from django.utils.formats import date_format

WIDTH = 720.0
LEFT, RIGHT, TOP, BOTTOM = 52.0, 16.0, 30.0, 44.0
BAR_ROW, BAR_LEFT, UP_LEFT = 34.0, 250.0, 560.0
MOST_MONTH_NAMES = 12
NAME_EVERY = 84.0
"""Room for a date below a point."""
SMALL_WIDTH, SMALL_TOP, SMALL_ROOM = 360.0, 30.0, 90.0
NO_MARKS: Mapping[int, str] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar of a Pareto chart: a count, and the share of all up to here (0 to 1)."""

    label: str
    count: int
    up_to_here: float


@dataclass(frozen=True, slots=True)
class PlotPoint:
    """A value with its ends, ``None`` where nothing is known; ``label`` stands below it."""

    label: str
    value: float | None
    low: float | None = None
    high: float | None = None
    n: int = 0


@dataclass(frozen=True, slots=True)
class DatedReading:
    """A reading and when it was taken."""

    at: datetime
    value: float


def pareto(bars: Sequence[Bar], label: str) -> str:
    """Bars from the most frequent down, each with its count; beside them, on a scale of its own, the share of all up to
    each."""
    if not bars:
        return ""
    height = TOP + len(bars) * BAR_ROW + 30
    room, most = UP_LEFT - BAR_LEFT - 70, max(bar.count for bar in bars)
    across = WIDTH - UP_LEFT - 30
    parts = [_axis(left, TOP, left, height - 26) for left in (BAR_LEFT, UP_LEFT)]
    parts.append(f'<line class="grid" x1="{_n(UP_LEFT + across)}" y1="{_n(TOP)}" x2="{_n(UP_LEFT + across)}" '
                 f'y2="{_n(height - 26)}"/>')  # fmt: skip
    points = []
    for row, bar in enumerate(bars):
        y = TOP + row * BAR_ROW
        wide = room * bar.count / most
        parts.append(f'<rect class="length" x="{_n(BAR_LEFT)}" y="{_n(y + 6)}" width="{_n(wide)}" height="20"/>')
        parts.append(_text(BAR_LEFT - 10, y + 21, _shortened(bar.label, 34), "end"))
        parts.append(_text(BAR_LEFT + wide + 8, y + 21, str(bar.count), "count"))
        points.append((UP_LEFT + across * bar.up_to_here, y + 16))
    parts.append(f'<polyline class="line ours" points="{" ".join(f"{_n(x)},{_n(y)}" for x, y in points)}"/>')
    parts += [_mark(x, y, "ours") for x, y in points]
    parts += [_text(UP_LEFT + across * share, height - 6, f"{share * 100:.0f}", "tick") for share in (0.0, 0.5, 1.0)]
    parts.append(_text(BAR_LEFT, 16, "jobs", "count"))
    parts.append(_text(UP_LEFT, 16, "up to here, %", "count"))
    return _svg(height, label, parts)


def trend(
    points: Sequence[PlotPoint],
    label: str,
    unit: str,
    other: Sequence[PlotPoint] = (),
    marks: Mapping[int, str] = NO_MARKS,
) -> str:
    """Values month by month from 0 up, with whiskers for their intervals; ``other`` is a second line, dashed, hollow.

    ``marks`` are words above a point, by its place, with a line down to it: something that happened then. Whiskers are
    cut at the top of the chart, which is set by the values.
    """
    values = [point.value for point in (*points, *other) if point.value is not None]
    if not values:
        return ""
    height = 260.0
    top = _round_up(max(values) * 1.35)
    scale = _Scale(len(points), height, top)
    parts = [*_grid(scale, unit), *_month_names(points, scale), *_marks(marks, scale)]
    parts += _line(other, scale, "other") + _line(points, scale, "ours")
    return _svg(height, label, parts)


def over_time(readings: Sequence[DatedReading], label: str, unit: str) -> str:
    """A small drawing of readings of one thing by the day they were taken, on a scale that holds all of them, with the
    first, the last, and those between that have room named.

    Two or more, the oldest first.
    """
    height = SMALL_TOP + SMALL_ROOM + 34
    values = [reading.value for reading in readings]
    low, high = min(values), max(values)
    room = (high - low) or abs(high) or 1.0
    first, last = readings[0].at, readings[-1].at
    whole_time = (last - first).total_seconds() or 1.0
    left, across = 48.0, SMALL_WIDTH - 96

    def place(reading: DatedReading) -> tuple[float, float]:
        along = (reading.at - first).total_seconds() / whole_time
        return left + across * along, SMALL_TOP + SMALL_ROOM * (high - reading.value) / room

    places = [place(reading) for reading in readings]
    foot = SMALL_TOP + SMALL_ROOM + 10
    parts = [_axis(8, foot, SMALL_WIDTH - 8, foot)]
    parts.append(f'<polyline class="line ours" points="{" ".join(f"{_n(x)},{_n(y)}" for x, y in places)}"/>')
    named_to = -math.inf
    for number, ((x, y), reading) in enumerate(zip(places, readings, strict=True)):
        parts.append(_mark(x, y, "ours"))
        is_last = number == len(places) - 1
        if is_last or (x - named_to >= NAME_EVERY and places[-1][0] - x >= NAME_EVERY):
            value = f"{reading.value:.4g} {unit}" if is_last else f"{reading.value:.4g}"
            parts.append(_text(x, y - 12, value, "tick"))
            parts.append(_text(x, foot + 20, date_format(reading.at, "M Y"), "tick"))
            named_to = x
    return _svg(height, label, parts, SMALL_WIDTH)


def reliability(points: Sequence[tuple[float, float, float, float, int]], label: str) -> str:
    """What was said (mean probability) against what was true (share, with its interval), each between 0 and 1, and how
    many rest on it. On the dashed diagonal both agree."""
    if not points:
        return ""
    side, left, top = 320.0, 70.0, 16.0
    parts = [f'<rect class="frame" x="{_n(left)}" y="{_n(top)}" width="{_n(side)}" height="{_n(side)}"/>']
    parts.append(f'<line class="even" x1="{_n(left)}" y1="{_n(top + side)}" x2="{_n(left + side)}" y2="{_n(top)}"/>')
    for tick in (0.0, 0.25, 0.5, 0.75, 1.0):
        parts.append(_text(left + side * tick, top + side + 20, f"{tick * 100:.0f}", "tick"))
        parts.append(_text(left - 8, top + side * (1 - tick) + 5, f"{tick * 100:.0f}", "end"))
    parts.append(_text(left + side / 2, top + side + 42, "said, %", "tick"))
    parts.append(
        f'<text class="tick" transform="translate({_n(left - 46)} {_n(top + side / 2)}) rotate(-90)">true, %</text>'
    )
    for said, true, low, high, n in points:
        x, y = left + side * said, top + side * (1 - true)
        parts.append(_whisker(x, top + side * (1 - low), top + side * (1 - high)))
        parts.append(f'<circle class="ours" cx="{_n(x)}" cy="{_n(y)}" r="6"/>')
        parts.append(_beside(x, y, said, f"{n:,}"))
    return _svg(top + side + 54, label, parts, width=left + side + 40)


def _beside(x: float, y: float, said: float, words: str) -> str:
    """How many rest on a point: right of it; left where the frame ends; below the last, above the first, where a number
    beside it would stand on its neighbour or on the frame."""
    if said > 0.9:
        return _text(x, y + 24, words, "tick")
    if said < 0.05:
        return _text(x + 9, y - 12, words, "")
    return _text(x - 12, y + 5, words, "end") if said > 0.8 else _text(x + 12, y + 5, words, "")


@dataclass(frozen=True, slots=True)
class _Scale:
    count: int
    height: float
    top: float

    def x(self, place: int) -> float:
        room = WIDTH - LEFT - RIGHT
        return LEFT + room * (place + 0.5) / max(self.count, 1)

    def y(self, value: float) -> float:
        room = self.height - TOP - BOTTOM
        return TOP + room * (1 - min(max(value, 0.0), self.top) / self.top)


def _grid(scale: _Scale, unit: str) -> list[str]:
    parts = []
    for part in range(5):
        value = scale.top * part / 4
        y = scale.y(value)
        parts.append(f'<line class="grid" x1="{_n(LEFT)}" y1="{_n(y)}" x2="{_n(WIDTH - RIGHT)}" y2="{_n(y)}"/>')
        parts.append(_text(LEFT - 8, y + 5, f"{value:.10g}", "end"))
    parts.append(_text(LEFT, 14, unit, "count"))
    return parts


def _marks(marks: Mapping[int, str], scale: _Scale) -> list[str]:
    return [
        part
        for place, words in marks.items()
        for part in (
            f'<line class="since" x1="{_n(scale.x(place))}" y1="{_n(TOP)}" x2="{_n(scale.x(place))}" '
            f'y2="{_n(scale.height - BOTTOM)}"/>',
            _text(scale.x(place), TOP - 8, words, "tick"),
        )
    ]


def _month_names(points: Sequence[PlotPoint], scale: _Scale) -> list[str]:
    every = math.ceil(len(points) / MOST_MONTH_NAMES)
    return [
        _text(scale.x(place), scale.height - 20, point.label, "tick")
        for place, point in enumerate(points)
        if place % every == 0
    ]


def _line(points: Sequence[PlotPoint], scale: _Scale, kind: str) -> list[str]:
    known = [(scale.x(place), point) for place, point in enumerate(points) if point.value is not None]
    whiskers = [
        _whisker(x, scale.y(point.low), scale.y(point.high))
        for x, point in known
        if point.low is not None and point.high is not None
    ]
    places = [(x, scale.y(point.value or 0.0)) for x, point in known]
    line = f'<polyline class="line {kind}" points="{" ".join(f"{_n(x)},{_n(y)}" for x, y in places)}"/>'
    return [*whiskers, line, *(_mark(x, y, kind) for x, y in places)]


def _mark(x: float, y: float, kind: str) -> str:
    if kind == "ours":
        return f'<circle class="ours" cx="{_n(x)}" cy="{_n(y)}" r="5"/>'
    return f'<rect class="other" x="{_n(x - 4.5)}" y="{_n(y - 4.5)}" width="9" height="9"/>'


def _whisker(x: float, low: float, high: float) -> str:
    ends = "".join(f"M{_n(x - 5)} {_n(y)}h10" for y in (low, high))
    return f'<path class="whisker" d="M{_n(x)} {_n(low)}V{_n(high)}{ends}"/>'


def _axis(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line class="axis" x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}"/>'


def _text(x: float, y: float, words: str, kind: str) -> str:
    return f'<text class="{kind}" x="{_n(x)}" y="{_n(y)}">{escape(words)}</text>'


def _shortened(words: str, most: int) -> str:
    return words if len(words) <= most else f"{words[: most - 1].rstrip()}…"


def _round_up(value: float) -> float:
    """A round number not below ``value``, whose quarters are short to write."""
    if value <= 0:
        return 1.0
    unit = 10.0 ** math.floor(math.log10(value))
    return next(unit * step for step in (1, 2, 4, 6, 8, 10) if unit * step >= value)


def _n(number: float) -> str:
    """A coordinate with one decimal at most."""
    return f"{number:.1f}".rstrip("0").rstrip(".")


def _svg(height: float, label: str, parts: Sequence[str], width: float = WIDTH) -> str:
    return (
        f'<svg class="drawing" viewBox="0 0 {_n(width)} {_n(height)}" role="img" aria-label="{escape(label)}" '
        f'focusable="false"><g aria-hidden="true">{"".join(parts)}</g></svg>'
    )
