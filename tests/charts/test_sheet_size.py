"""The sheet a chart is printed on, by ISO 216: A4 is 210 mm x 297 mm, and each larger sheet is two of the one below."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.charts.sheet_size import LEAST_TEXT, SHEETS, room_for


def test_sheets_are_those_of_the_standard() -> None:
    millimetres = [(round(short * 25.4), round(long * 25.4)) for short, long in SHEETS]
    assert millimetres == [(210, 297), (297, 420), (420, 594), (594, 841), (841, 1189)]


@pytest.mark.parametrize(
    ("chart", "sheet"),
    [
        ((200, 100), (8.27, 11.69)),
        ((700, 1300), (8.27, 11.69)),
        ((1300, 700), (11.69, 8.27)),
        ((1900, 1000), (16.54, 11.69)),
        ((900, 1900), (11.69, 16.54)),
        ((20000, 9000), (46.81, 33.11)),
        ((9000, 20000), (33.11, 46.81)),
    ],
)
def test_least_sheet(chart: tuple[float, float], sheet: tuple[float, float]) -> None:
    assert room_for(*chart) == pytest.approx((sheet[0] - 0.8, sheet[1] - 0.8))


@given(st.floats(50, 2300), st.floats(50, 2300))
def test_letters_stay_legible(width: float, height: float) -> None:
    across, down = room_for(width, height)
    assert 12 * min(across * 72 / width, down * 72 / height) >= LEAST_TEXT
