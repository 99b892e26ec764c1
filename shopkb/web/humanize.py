"""Figures as people say them: minutes, shares, moments, signal words. Pure; the template filters stand on these."""

from __future__ import annotations

import datetime as dt
import math
from decimal import Decimal

from shopkb.core.readings.quantities import Quantity, format_quantity

SIGNAL_CLASSES = {"DANGER": "danger", "WARNING": "warning", "CAUTION": "caution-word", "NOTICE": "notice"}
"""Signal words of ANSI Z535.6 and the class that gives each its colour."""

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def signal_class(word: str) -> str:
    """CSS class of a signal word in any case.

    Raises:
        ValueError: it is none of the four.
    """
    try:
        return SIGNAL_CLASSES[word.strip().upper()]
    except KeyError:
        raise ValueError(f"'{word}' is no signal word: DANGER, WARNING, CAUTION or NOTICE would be right") from None


def minutes_text(minutes: float | None) -> str:
    """``4 min``, ``1 h 05``; nothing for None or what is not a number."""
    if minutes is None or not math.isfinite(minutes):
        return ""
    if 0 < minutes < 0.5:
        return "under 1 min"
    whole = math.floor(abs(minutes) + 0.5)
    sign = "−" if minutes < 0 and whole else ""
    return f"{sign}{whole} min" if whole < 60 else f"{sign}{whole // 60} h {whole % 60:02d}"


def percent_number(share: float | None) -> str:
    """A share of 1 as a whole number of hundredths; what is not all or nothing never reads 0 or 100."""
    if share is None or not math.isfinite(share):
        return ""
    whole = math.floor(share * 100 + 0.5)
    if whole == 0 and share > 0:
        return "under 1"
    return "over 99" if whole == 100 and share < 1 else str(whole)


def percent(share: float | None) -> str:
    """``71 %``: a share between 0 and 1 in hundredths, with a space as ISO 80000-1 sets it."""
    number = percent_number(share)
    return f"{number} %" if number else ""


def jobs_text(count: float) -> str:
    """``1 job``, ``34 jobs``; weighted counts are rounded, less than one is said to be."""
    if 0 < count < 0.5:
        return "under 1 job"
    whole = math.floor(count + 0.5)
    return "1 job" if whole == 1 else f"{whole} jobs"


def chance_text(share: float) -> str:
    """A probability in a word, for the figure beside it. The cuts are ours."""
    for least, word in ((0.8, "very likely"), (0.5, "likely"), (0.15, "possible"), (0.05, "unlikely")):
        if share >= least:
            return word
    return "very unlikely"


def reading_text(reading: object, *, signed: bool = False) -> str:
    """A quantity or number as a meter shows it, with a true minus; ``signed`` adds the plus: ``+0.24 V``.

    Takes a :class:`~shopkb.core.readings.quantities.Quantity`, a reading that holds one (or None for an over-limit
    display), a plain number, or text (left as it is, its minus set right).
    """
    if getattr(reading, "over_limit", False):
        return "over limit"
    value = getattr(reading, "quantity", reading) if not isinstance(reading, Quantity) else reading
    if value is None or value == "":
        return ""
    text = format_quantity(value) if isinstance(value, Quantity) else _number_text(value)
    if text.startswith("-"):
        return "−" + text[1:]
    return f"+{text}" if signed and any(digit in text.split(" ")[0] for digit in "123456789") else text


def _number_text(value: object) -> str:
    if isinstance(value, float):
        value = Decimal(f"{value:.6g}")
    return format(value, "f") if isinstance(value, Decimal) else str(value)


def when_text(moment: dt.datetime | dt.date, now: dt.datetime) -> str:
    """How long ago, and the date: ``12 min ago, 10:12``, ``yesterday, 24 Nov 2026``. Both in the zone to be shown."""
    if not isinstance(moment, dt.datetime):
        return f"{_days_words((now.date() - moment).days)}, {_date_words(moment)}"
    seconds = (now - moment).total_seconds()
    days = (now.date() - moment.date()).days
    if days:
        return f"{_days_words(days)}, {_date_words(moment)}"
    span = minutes_text(abs(seconds) / 60) if abs(seconds) < 3600 else _hours_words(abs(seconds) / 3600)
    if abs(seconds) < 30:
        return f"just now, {moment:%H:%M}"
    return f"{span} ago, {moment:%H:%M}" if seconds > 0 else f"in {span}, {moment:%H:%M}"


def _date_words(day: dt.date) -> str:
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def _hours_words(hours: float) -> str:
    whole = math.floor(hours)
    return "1 hour" if whole == 1 else f"{whole} hours"


def _days_words(days: int) -> str:
    near = {0: "today", 1: "yesterday", -1: "tomorrow"}
    if days in near:
        return near[days]
    span = abs(days)
    for length, word in ((365, "year"), (30, "month"), (7, "week"), (1, "day")):
        if span >= 2 * length or (length == 1):
            return f"{span // length} {word}s ago" if days > 0 else f"in {span // length} {word}s"
    raise AssertionError(days)
