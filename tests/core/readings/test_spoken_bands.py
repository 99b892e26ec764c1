"""Ranges as people say them: what each spelling means, and what is refused in words that help."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.readings.bands import Band, parse_band
from shopkb.core.readings.quantities import ReadingError
from shopkb.core.readings.spoken_bands import band_of_ends, ends_as_typed, in_words, spoken_band
from tests.examples import examples

SPELLINGS = {
    "2 to 11 V": "2 V .. 11 V",
    "2 V to 11 V": "2 V .. 11 V",
    "2-11 V": "2 V .. 11 V",
    "2 – 11": "2 V .. 11 V",
    "2 V - 11 V": "2 V .. 11 V",
    "between 2 and 11 V": "2 V .. 11 V",
    "Between 2 and 11": "2 V .. 11 V",
    "from 2 to 11 V": "2 V .. 11 V",
    "2 .. 11 V": "2 V .. 11 V",
    "2..11 V": "2 V .. 11 V",
    "2…11V": "2 V .. 11 V",
    ">= 2 V and < 11 V": "2 V .. 11 V",
    "at least 2 but less than 11 V": "2 V .. 11 V",
    "2 or more, under 11": "2 V .. 11 V",
    "more than 11 V": "> 11 V",
    "over 11": "> 11 V",
    "> 11": "> 11 V",
    ">11V": "> 11 V",
    "11 V or more": ">= 11 V",
    "11 or above": ">= 11 V",
    "11+": ">= 11 V",
    "at least 11 volts": ">= 11 V",
    "≥ 11 V": ">= 11 V",
    "from 11": ">= 11 V",
    "below 2": "< 2 V",
    "under 0.5": "< 0.5 V",
    "less than 0,5 V": "< 0.5 V",
    "0.5 V or less": "<= 0.5 V",
    "at most 0.5": "<= 0.5 V",
    "up to 0.5 V": "<= 0.5 V",
    "=< 500 mV": "<= 500 mV",
    "-0.2 to 0.2": "-0.2 V .. 0.2 V",
    "-5 - 5": "-5 V .. 5 V",
    "100 to 500 mV": "100 mV .. 500 mV",
    ">= battery - 0.5": ">= battery - 0.5 V",
    "1 to battery - drop * 1.3": "1 V .. battery - drop * 1.3",
    "OL": "over-limit",
    "over limit": "over-limit",
    "infinity": "over-limit",
}


@pytest.mark.parametrize("typed", SPELLINGS)
def test_a_range_is_understood_as_people_say_it(typed: str) -> None:
    assert spoken_band(typed, "V").text() == SPELLINGS[typed]


@pytest.mark.parametrize("unit", ["ohm", "kohm", "degC", "1/min", "bar", "%", "A"])
def test_the_unit_of_the_step_is_meant_where_none_is_said(unit: str) -> None:
    assert spoken_band("2 to 11", unit).text() == f"2 {unit} .. 11 {unit}"
    assert spoken_band("11 or more", unit).text() == f">= 11 {unit}"


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("about five", "is not a range"),
        ("5 V", "is not a range"),
        ("", "is not a range"),
        ("2 to 11 A", "current"),
        ("> 2 and <= 11", "between two ends the lower one is in and the upper one is out"),
        ("under 2 and under 11", "no lower and upper end"),
        ("2 to", "is not a range"),
        ("x" * 300, "too long"),
        ("1,234 to 5", "can be read as"),
    ],
)
def test_a_refusal_says_why_and_what_would_be_right(typed: str, said: str) -> None:
    with pytest.raises(ReadingError) as refused:
        spoken_band(typed, "V")
    assert said in str(refused.value)
    assert refused.value.hint


@pytest.mark.parametrize(
    ("low", "high", "band"),
    [
        ("2", "11", "2 V .. 11 V"),
        ("2", "", ">= 2 V"),
        ("", "11", "< 11 V"),
        ("> 0.2", "", "> 0.2 V"),
        ("", "0.2 or less", "<= 0.2 V"),
        ("2 to 11 V", "", "2 V .. 11 V"),
        ("", "under 0.5", "< 0.5 V"),
        ("under 0.5", "", "< 0.5 V"),
        ("OL", "", "over-limit"),
        ("at least 2", "< 11", "2 V .. 11 V"),
        ("450 mV", "1", "450 mV .. 1 V"),
        ("battery - 0.5", "", ">= battery - 0.5 V"),
    ],
)
def test_two_boxes_make_a_band(low: str, high: str, band: str) -> None:
    made = band_of_ends(low, high, "V")
    assert made is not None
    assert made.text() == band


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        ("> 2", "11", "the lower one is in"),
        ("2", "<= 11", "the upper one is out"),
        ("2 to 3", "11", "no lower and upper end"),
        ("two volts", "", "is not a range"),
        ("2 A", "", "current"),
    ],
)
def test_boxes_that_make_no_band(low: str, high: str, said: str) -> None:
    with pytest.raises(ReadingError) as refused:
        band_of_ends(low, high, "V")
    assert said in str(refused.value)


BANDS = [
    "< 1 V",
    "<= 1 V",
    "> 1 V",
    ">= 1 V",
    "1 V .. 2 V",
    "450 mV .. 2 V",
    "over-limit",
    ">= battery - 0.5 V",
    "< -1 V",
]


@pytest.mark.parametrize("text", BANDS)
def test_boxes_show_a_band_so_that_it_is_the_same_again(text: str) -> None:
    assert band_of_ends(*ends_as_typed(parse_band(text), "V"), "V") == parse_band(text)


def test_no_band_is_two_empty_boxes_and_what_was_understood_is_said() -> None:
    assert ends_as_typed(None, "V") == ("", "")
    assert band_of_ends(" ", "", "V") is None
    assert ends_as_typed(parse_band("2 V .. 11 V"), "V") == ("2", "11")
    assert in_words(parse_band("2 V .. 11 V")) == "2 V or more, under 11 V"
    assert in_words(parse_band("<= 2 V")) == "2 V or less"
    assert in_words(Band(over_limit=True)) == "the meter shows over limit"


@settings(max_examples=examples(60))
@given(typed=st.text(alphabet="0123456789.,- ><=VmAtoandr±…kΩ", max_size=20), unit=st.sampled_from(["", "V", "ohm"]))
def test_whatever_is_typed_is_a_band_or_a_refusal(typed: str, unit: str) -> None:
    try:
        band = spoken_band(typed, unit)
    except ReadingError:
        return
    assert parse_band(band.text()) == band
    assert band_of_ends(*ends_as_typed(band, unit), unit) == band
