"""Text made fit to be drawn."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.charts.lettering import balanced, clean, columns, line_width, shortened, wrap


def test_white_space_is_collapsed() -> None:
    assert clean("  fan\t stays\r\nstill ") == "fan stays still"


@pytest.mark.parametrize(
    "character", ["\x00", "\x07", "\x1b", "\x7f", "\x9f", "\ud800", "\udfff", "\ufffe", "\U0001ffff"]
)
def test_what_xml_cannot_hold_is_shown_as_the_replacement_character(character: str) -> None:
    assert clean(f"fan{character}runs") == "fan\ufffdruns"


def test_a_long_text_is_cut_with_an_ellipsis() -> None:
    assert shortened("Feed at the connector", 14) == "Feed at the…"
    assert shortened("Feedattheconnector", 10) == "Feedatthe…"
    assert shortened("Feed it, at the connector", 12) == "Feed it, at…"
    assert shortened("Feed", 10) == "Feed"


def test_wide_characters_take_two_columns_and_marks_none() -> None:
    assert columns("风扇") == 4
    assert columns("e\N{COMBINING ACUTE ACCENT}") == 1


@pytest.mark.parametrize(
    ("text", "width", "lines"),
    [
        ("Motor current, running", 18, ("Motor current,", "running")),
        ("cooling/fan/series-resistor", 18, ("cooling/fan/", "series-resistor")),
        ("abcdefghijklmnopqrstuvwxyz", 10, ("abcdefghij", "klmnopqrst", "uvwxyz")),
        ("风扇不转的时候", 6, ("风扇不", "转的时", "候")),
        ("", 10, ()),
    ],
)
def test_wrap(text: str, width: int, lines: tuple[str, ...]) -> None:
    assert wrap(text, width) == lines


def test_balanced_lines_are_even() -> None:
    assert wrap("Feed at the connector it", 22) == ("Feed at the connector", "it")
    assert balanced("Feed at the connector it", 22) == ("Feed at the", "connector it")


@given(st.text(max_size=200), st.integers(4, 40))
def test_wrapping_loses_nothing_and_keeps_to_the_width(text: str, width: int) -> None:
    for lines in (wrap(text, width), balanced(text, width)):
        assert "".join(lines).replace(" ", "") == clean(text).replace(" ", "")
        assert all(line == line.strip() and line for line in lines)
        assert all(columns(line) <= width for line in lines)


@given(
    st.text(alphabet="ab\N{COMBINING ACUTE ACCENT}\N{COMBINING DIAERESIS}", min_size=1, max_size=60), st.integers(4, 12)
)
def test_no_line_but_the_first_begins_with_a_combining_mark(text: str, width: int) -> None:
    assert not any(unicodedata.combining(line[0]) for line in wrap(text, width)[1:])


@given(st.text(alphabet=st.characters(categories=["L", "N", "P", "S"]), max_size=40))
def test_a_longer_line_is_estimated_no_narrower(text: str) -> None:
    assert line_width(text + "x", 12) > line_width(text, 12) >= 0
