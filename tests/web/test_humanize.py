"""Figures as people say them."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.core.readings.quantities import Quantity
from shopkb.web import humanize

NOW = dt.datetime(2026, 11, 25, 10, 24, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("minutes", "said"),
    [
        (None, ""),
        (float("nan"), ""),
        (0, "0 min"),
        (0.2, "under 1 min"),
        (0.5, "1 min"),
        (4, "4 min"),
        (59.4, "59 min"),
        (59.5, "1 h 00"),
        (65, "1 h 05"),
        (1500, "25 h 00"),
        (-12, "−12 min"),
        (-0.2, "0 min"),
    ],
)
def test_minutes(minutes: float | None, said: str) -> None:
    assert humanize.minutes_text(minutes) == said


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (None, ""),
        (0, "0 %"),
        (0.001, "under 1 %"),
        (0.714, "71 %"),
        (0.005, "1 %"),
        (0.995, "over 99 %"),
        (0.999, "over 99 %"),
        (1, "100 %"),
    ],
)
def test_percent(share: float | None, said: str) -> None:
    assert humanize.percent(share) == said


@given(st.floats(0, 1))
def test_percent_never_claims_all_or_nothing_falsely(share: float) -> None:
    said = humanize.percent(share)
    assert (said == "0 %") == (share == 0)
    assert (said == "100 %") == (share == 1)


@pytest.mark.parametrize(("count", "said"), [(0.3, "under 1 job"), (1, "1 job"), (34, "34 jobs"), (2.6, "3 jobs")])
def test_jobs(count: float, said: str) -> None:
    assert humanize.jobs_text(count) == said


@pytest.mark.parametrize(
    ("share", "word"),
    [(0.9, "very likely"), (0.71, "likely"), (0.19, "possible"), (0.08, "unlikely"), (0.01, "very unlikely")],
)
def test_chance_words(share: float, word: str) -> None:
    assert humanize.chance_text(share) == word


@pytest.mark.parametrize(
    ("reading", "signed", "said"),
    [
        (Quantity(Decimal("12.10"), "V"), False, "12.10 V"),
        (Quantity(Decimal("-12.5"), "degC"), False, "−12.5 °C"),
        (Quantity(Decimal("0.24"), "V"), True, "+0.24 V"),
        (Quantity(Decimal("-0.24"), "V"), True, "−0.24 V"),
        (Quantity(Decimal("0.00"), "V"), True, "0.00 V"),
        (SimpleNamespace(quantity=Quantity(Decimal("4.7"), "kohm"), over_limit=False), False, "4.7 kΩ"),
        (SimpleNamespace(quantity=None, over_limit=True), False, "over limit"),
        (-0.02, False, "−0.02"),
        (1234567.0, False, "1234570"),
        ("-3 A", False, "−3 A"),
        (None, False, ""),
    ],
)
def test_readings(reading: object, signed: bool, said: str) -> None:
    assert humanize.reading_text(reading, signed=signed) == said


@pytest.mark.parametrize(
    ("before", "said"),
    [
        (dt.timedelta(seconds=10), "just now, 10:23"),
        (dt.timedelta(minutes=12), "12 min ago, 10:12"),
        (dt.timedelta(minutes=-12), "in 12 min, 10:36"),
        (dt.timedelta(minutes=65), "1 hour ago, 09:19"),
        (dt.timedelta(hours=5), "5 hours ago, 05:24"),
        (dt.timedelta(hours=20), "yesterday, 24 Nov 2026"),
        (dt.timedelta(days=3), "3 days ago, 22 Nov 2026"),
        (dt.timedelta(days=20), "2 weeks ago, 5 Nov 2026"),
        (dt.timedelta(days=70), "2 months ago, 16 Sep 2026"),
        (dt.timedelta(days=800), "2 years ago, 16 Sep 2024"),
        (dt.timedelta(days=-2), "in 2 days, 27 Nov 2026"),
    ],
)
def test_moments(before: dt.timedelta, said: str) -> None:
    assert humanize.when_text(NOW - before, NOW) == said


def test_days_without_an_hour() -> None:
    assert humanize.when_text(dt.date(2026, 11, 25), NOW) == "today, 25 Nov 2026"
    assert humanize.when_text(dt.date(2026, 11, 26), NOW) == "tomorrow, 26 Nov 2026"


@pytest.mark.parametrize(
    ("word", "name"),
    [("DANGER", "danger"), ("warning", "warning"), (" Caution", "caution-word"), ("NOTICE", "notice")],
)
def test_signal_class(word: str, name: str) -> None:
    assert humanize.signal_class(word) == name


def test_an_unknown_signal_word_is_refused() -> None:
    with pytest.raises(ValueError) as refused:
        humanize.signal_class("mind")
    assert str(refused.value) == "'mind' is no signal word: DANGER, WARNING, CAUTION or NOTICE would be right"
