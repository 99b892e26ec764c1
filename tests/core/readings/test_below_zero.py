"""Gauge pressure under that of the air: only where a band says so, and then all the way down."""

from __future__ import annotations

import pytest

from shopkb.core.readings.bands import parse_band
from shopkb.core.readings.coverage import band_faults
from shopkb.core.readings.judgement import judge
from shopkb.core.readings.parsing import parse_reading
from shopkb.core.readings.quantities import ReadingError
from shopkb.core.readings.units import UNITS

VACUUM = {"strong": "< -0.5 bar", "weak": "-0.5 bar .. -0.2 bar", "none": ">= -0.2 bar"}


def bands(texts: dict[str, str]) -> list:  # type: ignore[type-arg]
    return [(key, parse_band(text)) for key, text in texts.items()]


def outcome(texts: dict[str, str], typed: str, quantity: str = "pressure", unit: str = "bar") -> str:
    return judge(bands(texts), parse_reading(typed, quantity, unit), {}, quantity, unit, None).outcome


def test_bands_of_a_vacuum_gauge_are_whole() -> None:
    assert band_faults(bands(VACUUM), "pressure", "bar", {}) == ()


@pytest.mark.parametrize(("typed", "found"), [("-0.7", "strong"), ("-0.5", "weak"), ("-0.3", "weak"), ("0", "none")])
def test_a_vacuum_is_judged(typed: str, found: str) -> None:
    assert outcome(VACUUM, typed) == found


def test_a_gap_below_is_found_where_bands_go_below_zero() -> None:
    found = band_faults(bands({"weak": "-0.5 bar .. 0 bar", "none": ">= 0 bar"}), "pressure", "bar", {})
    assert [fault.kind for fault in found] == ["gap"]
    assert "below -0.5 bar" in found[0].message


def test_nothing_lies_under_vacuum() -> None:
    with pytest.raises(ReadingError, match="nothing lies below"):
        outcome(VACUUM, "-1.2")


@pytest.mark.parametrize("quantity, unit", [("pressure", "bar"), ("resistance", "ohm")])
def test_without_such_a_band_readings_begin_at_zero_and_a_drifting_gauge_shows_zero(quantity: str, unit: str) -> None:
    texts = {"low": f"0 {unit} .. 1 {unit}", "high": f">= 1 {unit}"}
    assert band_faults(bands(texts), quantity, unit, {}) == ()
    assert outcome(texts, "-0.02", quantity, unit) == "low"


def test_a_resistance_is_never_below_zero() -> None:
    found = band_faults(bands({"low": "< -1 ohm", "high": ">= -1 ohm"}), "resistance", "ohm", {})
    assert [fault.kind for fault in found] == ["empty"]


def test_ignition_timing_goes_both_ways() -> None:
    texts = {"late": "< -5 deg", "right": "-5 deg .. 5 deg", "early": ">= 5 deg"}
    assert band_faults(bands(texts), "angle", "deg", {}) == ()
    assert outcome(texts, "-8°", "angle", "deg") == "late"


@pytest.mark.parametrize("symbol", sorted(UNITS))
def test_every_unit_can_stand_in_a_band(symbol: str) -> None:
    band = parse_band(f"2 {symbol} .. 5 {symbol}")
    assert parse_band(band.text()) == band
    assert band.resolve({}, symbol).holds(3)
    assert parse_band(f">= 2 {UNITS[symbol].sign}").resolve({}, symbol).low == pytest.approx(2)
