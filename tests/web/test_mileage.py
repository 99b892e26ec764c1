"""Mileage is stored in kilometres and shown in the shop's unit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest_django import Settings

from shopkb.web.mileage import in_shop_unit, kilometres, mileage_text, mileage_unit


@given(st.integers(0, 5_000_000))
def test_what_is_typed_in_miles_is_shown_as_the_same_number(miles: int) -> None:
    assert in_shop_unit(kilometres(miles)) == miles


@pytest.mark.parametrize(("unit", "text"), [("miles", "114,519 miles"), ("km", "184,300 km")])
def test_the_shop_chooses_its_unit(settings: Settings, unit: str, text: str) -> None:
    settings.DISTANCE_UNIT = unit
    assert mileage_text(184_300) == text
    assert str(mileage_unit) == f"In {unit}."


def test_a_mile_is_1609_metres_and_a_third() -> None:
    """International Yard and Pound Agreement of 1959: 1,609.344 m."""
    assert kilometres(1_000_000) == 1_609_344
