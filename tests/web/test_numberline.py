"""The number line: words, places, and laws that hold for any ranges."""

from __future__ import annotations

import math
import re
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.core.readings.bands import Interval
from shopkb.web.numberline import LEAST_SHARE, LegendEntry, NumberLine, Segment, number_line

SUPPLY = [
    Segment("Supply present but low", Interval(1, 12.1)),
    Segment("Full supply", Interval(12.1, math.inf)),
    Segment("No supply", Interval(-math.inf, 1)),
]


def places(line: NumberLine, kind: str) -> list[float]:
    return [float(place) for place in re.findall(rf'class="{kind}[^"]*" x1?="([\d.]+)%', line.svg)]


def test_the_legend_says_each_range_and_which_holds_the_reading() -> None:
    line = number_line(SUPPLY, "V", 11.86, spread=0.08)
    assert line.legend == (
        LegendEntry("1", "Supply present but low", "1 V or more, under 12.1 V", True),
        LegendEntry("2", "Full supply", "12.1 V or more", False),
        LegendEntry("3", "No supply", "under 1 V", False),
    )
    assert not line.listed
    assert not line.stepped


def test_a_screen_reader_hears_it_all() -> None:
    said = ElementTree.fromstring(number_line(SUPPLY, "V", 11.86).svg).get("aria-label")
    assert said == (
        "Ranges. 1: Supply present but low, 1 V or more, under 12.1 V; 2: Full supply, 12.1 V or more; "
        "3: No supply, under 1 V. The reading, 11.86 V, is in 1, Supply present but low."
    )


def test_without_a_reading_nothing_points() -> None:
    line = number_line(SUPPLY, "V")
    assert "pointer" not in line.svg
    assert not any(entry.held for entry in line.legend)


def test_a_reading_in_a_gap_is_in_none_of_them() -> None:
    line = number_line([Segment("Short", Interval(0, 1)), Segment("Sound", Interval(2, 3))], "Ω", 1.5)
    said = ElementTree.fromstring(line.svg).get("aria-label") or ""
    assert said.endswith("The reading, 1.5 Ω, is in none of them.")


def test_the_over_limit_display_has_a_box_of_its_own() -> None:
    segments = [Segment("Sound", Interval(0.9, 1.4)), Segment("Open circuit", Interval(over_limit=True))]
    line = number_line(segments, "Ω", over_limit=True)
    assert [entry.held for entry in line.legend] == [False, True]
    assert line.svg.count("pointer") == 1
    assert max(places(line, "limit")) < 76
    alone = number_line(segments[1:], "Ω", over_limit=True)
    assert "axis" not in alone.svg


def test_limits_below_zero_carry_a_true_minus() -> None:
    line = number_line([Segment("Cold", Interval(-40, 0))], "°C", -12.5)
    assert line.legend[0].text == "−40 °C or more, under 0 °C"
    assert ">−40 °C<" in line.svg


def test_long_words_are_listed_below() -> None:
    assert number_line([Segment("Drop far too high for this cable", Interval(0, 1)), *SUPPLY], "V").listed


def test_close_limits_step_down_on_a_phone() -> None:
    segments = [Segment(f"Band {low}", Interval(low, low + 0.001)) for low in (0.101, 0.102, 0.103, 0.104)]
    assert number_line(segments, "kΩ").stepped


def test_text_is_escaped() -> None:
    line = number_line([Segment('<b>"R<Rmax"&', Interval(0, 1), key="<1>")], "<u>")
    assert "<b>" not in line.svg
    texts = [node.text for node in ElementTree.fromstring(line.svg).iter("text")]
    assert '<b>"R<Rmax"&' in texts
    assert "<1>" in texts


@pytest.mark.parametrize(
    ("segments", "reading", "spread", "message"),
    [
        ([], None, 0.0, "A number line needs at least one range"),
        ([Segment("x", Interval(math.nan, 1))], None, 0.0, "A limit of a number line must be a number"),
        (SUPPLY, math.inf, 0.0, "A reading and its spread must be finite numbers, the spread not negative"),
        (SUPPLY, 1.0, -0.1, "A reading and its spread must be finite numbers, the spread not negative"),
    ],
)
def test_nonsense_is_refused(segments: list[Segment], reading: float | None, spread: float, message: str) -> None:
    with pytest.raises(ValueError) as refused:
        number_line(segments, "V", reading, spread=spread)
    assert str(refused.value) == message


numbers = st.floats(-1e9, 1e9, allow_nan=False)


@st.composite
def partitions(draw: st.DrawFn) -> list[float]:
    """Rising limits; neighbours differ by more than rounding."""
    return sorted(
        draw(st.lists(st.integers(-(10**6), 10**6).map(lambda n: n / 100), min_size=1, max_size=6, unique=True))
    )


@given(partitions(), numbers)
def test_laws_of_the_line(limits: list[float], reading: float) -> None:
    """Limits rise from left to right with room between, and the pointer is on the side its reading is on."""
    ends = [-math.inf, *limits, math.inf]
    segments = [Segment("band", Interval(low, high)) for low, high in pairwise(ends)]
    line = number_line(segments, "V", reading)
    ElementTree.fromstring(line.svg)
    assert "style" not in line.svg
    at = places(line, "limit")
    assert len(at) == len(limits)
    least = 100 * min(LEAST_SHARE, 0.8 / (len(limits) + 1))
    assert all(later - earlier >= least - 0.02 for earlier, later in zip([0, *at], [*at, 100], strict=True))
    pointed = float(re.findall(r'<svg x="([\d.]+)%', line.svg)[0])
    assert 0 <= pointed <= 100
    for limit, place in zip(limits, at, strict=True):
        assert pointed <= place + 0.01 if reading < limit else pointed >= place - 0.01
    assert sum(entry.held for entry in line.legend) == 1
