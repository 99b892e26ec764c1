"""What a reading can be, and what is asked about. Bounds: absolute zero (SI brochure); vacuum against the highest air
pressure on record at sea level, 1.085 bar (from memory). The rest is common practice, without source."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.core.readings.bands import parse_band
from shopkb.core.readings.judgement import Judgement, Verdict, judge
from shopkb.core.readings.parsing import parse_reading
from shopkb.core.readings.plausible import expected
from shopkb.core.readings.quantities import Quantity, Reading, ReadingError
from shopkb.core.readings.units import QUANTITIES


def judged(typed: str, quantity: str, unit: str, *bands: str) -> Judgement:
    outcomes = [(text, parse_band(f"{text} {unit}")) for text in bands]
    return judge(outcomes, parse_reading(typed, quantity, unit), {}, quantity, unit, None)


@pytest.mark.parametrize(
    ("typed", "quantity", "unit"),
    [("-1.2 bar", "pressure", "bar"), ("-130 kPa", "pressure", "bar"), ("-274", "temperature", "degC"),
     ("-1 %", "ratio", "%"), ("-1e9", "pressure", "bar"), ("-1", "count", "times")],
)  # fmt: skip
def test_what_cannot_be(typed: str, quantity: str, unit: str) -> None:
    with pytest.raises(ReadingError, match=r"cannot be: nothing lies below"):
        judged(typed, quantity, unit, ">= 1", "< 1")


@pytest.mark.parametrize("typed", ["2.5", "0.4 times", "1e-1"])
def test_a_count_is_whole(typed: str) -> None:
    with pytest.raises(ReadingError, match="cannot be: times are whole"):
        judged(typed, "count", "times", "< 1", ">= 1")


def test_a_count_needs_no_meter() -> None:
    found = judged("3", "count", "times", "< 3", ">= 3")
    assert (found.outcome, found.verdict, found.probability, found.words) == (">= 3", Verdict.CLEAR, 1.0, "counted")


@pytest.mark.parametrize("quantity", ["pressure", "temperature", "time"])
def test_over_limit_is_shown_by_a_multimeter_alone(quantity: str) -> None:
    unit = QUANTITIES[quantity][0]
    with pytest.raises(ReadingError, match="has no over-limit display"):
        judged("OL", quantity, unit, ">= 1", "< 1")
    assert judged("OL", "resistance", "ohm", ">= 10", "< 10").outcome == ">= 10"


@pytest.mark.parametrize(
    ("typed", "quantity", "unit", "bands", "is_far"),
    [
        ("12.7", "pressure", "bar", (">= 0.95", "< 0.95"), True),  # psi read as bar
        ("1.1", "pressure", "bar", (">= 0.95", "< 0.95"), False),
        ("-0.6", "pressure", "bar", (">= 0.95", "< 0.95"), False),  # a vacuum after cooling down
        ("12.4", "voltage", "V", ("> 0.2", "<= 0.2"), False),  # the battery's, at a drop
        ("490", "voltage", "V", ("> 0.2", "<= 0.2"), True),  # mV read as V
        ("1e9", "voltage", "V", ("> 0.2", "<= 0.2"), True),
        ("118", "temperature", "degC", (">= 80", "< 80"), False),
        ("4000000", "resistance", "ohm", (">= 10", "< 10"), False),
        ("45", "time", "min", (">= 2", "< 2"), False),
        ("3", "ratio", "%", (">= 20", "< 20"), False),
    ],
)
def test_a_slip_of_the_unit_is_asked_about(
    typed: str, quantity: str, unit: str, bands: tuple[str, ...], is_far: bool
) -> None:
    found = judged(typed, quantity, unit, *bands)
    assert (found.verdict is Verdict.FAR) == is_far
    assert bool(found.outcome) != is_far
    if is_far:
        assert "look at the display and the unit again, and measure once more" in found.words


@given(
    st.sampled_from([(name, unit) for name, units in QUANTITIES.items() for unit in units]),
    st.floats(0.001, 1e6),
    st.floats(0.0, 1.0),
)
def test_every_limit_of_a_step_is_expected_with_room(of: tuple[str, str], limit: float, part: float) -> None:
    """A reading at a limit, between limits, or at twice one, is never asked about."""
    quantity, unit = of
    bands = [parse_band(f"{sign} {limit:.6f} {unit}").resolve({}, unit) for sign in (">=", "<")]
    usual = expected(bands, quantity, unit)
    if usual is not None:
        assert usual.holds(round(limit, 6) * 2 * part)
        assert usual.low < usual.high
        assert math.isfinite(usual.high)


def test_what_can_be_expected_is_told_in_four_figures() -> None:
    band = parse_band("< 14.55 psi").resolve({}, "bar")
    usual = expected([band], "pressure", "bar")
    assert usual is not None
    assert usual.words == "-1.1 to 10.03 bar"


def test_without_a_limit_nothing_is_asked() -> None:
    assert expected([parse_band("over limit").resolve({}, "V")], "voltage", "V") is None
    assert judge([], Reading(Quantity(Decimal(5), "V")), {}, "voltage", "V", None).verdict is not Verdict.FAR


WIDE = [("low", parse_band("< 1 bar")), ("right", parse_band(">= 1 bar"))]


@pytest.mark.parametrize(
    ("written", "typed", "far"),
    [("", "9", False), ("", "11", True), ("0 bar .. 3 bar", "9", True), ("0 bar .. 3 bar", "3", False),
     ("<= 300 kPa", "-0.5", False), ("<= 300 kPa", "3.01", True)],
)  # fmt: skip
def test_a_written_range_stands_in_the_place_of_the_one_made_from_the_bands(
    written: str, typed: str, far: bool
) -> None:
    plausible = parse_band(written) if written else None
    found = judge(WIDE, parse_reading(typed, "pressure", "bar"), {}, "pressure", "bar", None, plausible)
    assert (found.verdict is Verdict.FAR) == far
    if far and written:
        assert ("0 to 3 bar" if ".." in written else "3 bar or less") in found.words
