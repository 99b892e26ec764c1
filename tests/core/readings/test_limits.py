"""Limits as people are told them: few figures, and never another answer than the verdict."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.core.readings.accuracy import Accuracy, Meter
from shopkb.core.readings.bands import Band, Interval, parse_band
from shopkb.core.readings.judgement import Verdict, judge
from shopkb.core.readings.limits import display_interval
from shopkb.core.readings.parsing import parse_quantity
from shopkb.core.readings.quantities import Quantity, Reading


def accuracy(top: str, resolution: str) -> Accuracy:
    quantity = parse_quantity(top)
    return Accuracy(quantity.quantity, quantity, Decimal("0.5"), Decimal(2), parse_quantity(resolution))


METER = Meter("kit", "Kit", (accuracy("2 V", "1 mV"), accuracy("20 V", "10 mV"), accuracy("100 ohm", "0.1 ohm")))
DROP = {"drop": Quantity(Decimal("0.390364"), "V"), "battery": Quantity(Decimal("12.64"), "V")}


def words(text: str, meter: Meter | None = METER, reading: float | None = None) -> str:
    return display_interval(parse_band(text), DROP, "V", meter, reading).words("V")


@pytest.mark.parametrize(
    ("text", "meter", "reading", "said"),
    [
        ("< drop", METER, None, "under 0.391 V"),
        (">= drop", METER, None, "0.391 V or more"),
        ("<= drop", METER, None, "0.39 V or less"),
        ("> drop", METER, None, "more than 0.39 V"),
        ("< drop", None, None, "under 0.3904 V"),
        ("drop .. battery - drop", METER, None, "0.391 V or more, under 12.25 V"),
        ("drop .. battery - drop", None, None, "0.3904 V or more, under 12.25 V"),
        ("< drop", None, 0.3905, "under 0.3904 V"),  # not under the limit, so the limit may not be told as 0.391
        ("< drop", None, 0.39, "under 0.3904 V"),
        ("> drop", METER, 0.3903, "more than 0.3903 V"),
        ("< 12.655 V", None, None, "under 12.655 V"),  # as it was written
        ("< 0.2 V", METER, None, "under 0.2 V"),
        ("over-limit", METER, None, "the meter shows over limit"),
    ],
)
def test_a_limit_has_the_digits_of_the_meter(text: str, meter: Meter | None, reading: float | None, said: str) -> None:
    assert words(text, meter, reading) == said


def test_the_words_beside_a_verdict_can_be_checked_by_a_sum() -> None:
    bands = [("good", parse_band("< drop")), ("bad", parse_band(">= drop"))]
    found = judge(bands, Reading(parse_quantity("0.31 V"), decimals=2), DROP, "voltage", "V", METER)
    assert (found.outcome, found.verdict) == ("good", Verdict.CLEAR)
    assert found.words.startswith("0.081 V under 0.391 V;")


SIZES = st.decimals(min_value="0.0001", max_value=9000, places=6).map(lambda size: size.normalize())


@given(
    size=SIZES,
    text=st.sampled_from(["< limit", "<= limit", "> limit", ">= limit", "limit .. limit + limit", "- limit .. limit"]),
    steps=st.integers(-40, 40),
    place=st.integers(-7, 2),
    meter=st.sampled_from([METER, None]),
)
def test_the_limit_that_is_told_never_says_otherwise_than_the_verdict(
    size: Decimal, text: str, steps: int, place: int, meter: Meter | None
) -> None:
    """Readings of any number of digits close to the limit, on it, and on what it may be rounded to."""
    band = parse_band(text)
    limit = {"limit": Quantity(size, "V")}
    step = Decimal(1).scaleb(place)
    for near in (size, -size, size + size):
        reading = float((near / step).to_integral_value() * step + steps * step)
        exact, told = band.resolve(limit, "V"), display_interval(band, limit, "V", meter, reading)
        assert told.holds(reading) == exact.holds(reading)
        assert told.for_display


@given(size=SIZES, text=st.sampled_from(["< limit", "<= limit", "> limit", ">= limit"]), counts=st.integers(0, 20_000))
def test_for_readings_of_the_meter_the_limit_is_told_the_same_whatever_is_read(
    size: Decimal, text: str, counts: int
) -> None:
    """Between a fifth and the whole of a range, where four figures are all that its resolution has."""
    limit = {"limit": Quantity(min(size, Decimal(18)) if size > 2 else size, "V")}
    if size < Decimal("0.2"):
        return
    step = METER.accuracy_for(limit["limit"])
    assert step is not None
    reading = float(counts * step.resolution.to("V").magnitude)
    band = parse_band(text)
    assert display_interval(band, limit, "V", METER, reading) == display_interval(band, limit, "V", METER)


@given(size=SIZES, meter=st.sampled_from([METER, None]))
def test_before_a_reading_at_most_four_figures_are_told(size: Decimal, meter: Meter | None) -> None:
    told = display_interval(parse_band(">= limit"), {"limit": Quantity(size, "V")}, "V", meter)
    assert len(Decimal(repr(told.low)).normalize().as_tuple().digits) <= 4
    assert told.low == pytest.approx(float(size), rel=0.02, abs=0.01)


def test_open_ends_and_zero_stay() -> None:
    zero = {"limit": Quantity(Decimal(0), "V")}
    assert display_interval(parse_band(">= limit"), zero, "V", METER) == Interval(0.0, math.inf, for_display=True)
    assert display_interval(Band(), {}, "V", METER) == Interval(for_display=True)
