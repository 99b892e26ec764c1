"""Figures in words, and the letters of a chart that must not stand on one another."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.reports.figures.shares import Mean, Share
from shopkb.reports.presenting import plots
from shopkb.reports.presenting.cells import cell_html, cell_text, rounded
from shopkb.reports.presenting.tables import Cell, Column, ColumnKind


@pytest.mark.parametrize(
    ("kind", "value", "said"),
    [
        (ColumnKind.NUMBER, 0.0967, "0.10"),
        (ColumnKind.NUMBER, 0.0339, "0.034"),
        (ColumnKind.NUMBER, 2.999, "3.00"),
        (ColumnKind.NUMBER, -0.004, "−0.004"),
        (ColumnKind.DAYS, 30.9, "31"),
    ],
)
def test_a_figure_is_rounded_not_cut_off(kind: ColumnKind, value: float, said: str) -> None:
    assert cell_text(Column("x", "X", kind), value) == said


@given(st.floats(-1e6, 1e6, allow_nan=False), st.integers(0, 3))
def test_rounding_is_that_of_decimals(value: float, digits: int) -> None:
    """The nearest by the decimal module; a tie may go either way."""
    told = Decimal(rounded(value, digits).replace("−", "-").replace(",", ""))
    unit = Decimal(1).scaleb(-digits)
    assert abs(told - Decimal(value)) <= unit / 2
    assert told.quantize(unit, ROUND_HALF_UP) == told


def test_ends_that_read_the_same_are_not_told_thrice() -> None:
    """154 of 49,111 is 0.3 %, and so are both ends."""
    share = Column("x", "X", ColumnKind.SHARE)
    assert cell_html(share, Cell(Share(154, 49111))).startswith('under 1 %<span class="under">154 of 49,111</span>')
    assert cell_html(share, Cell(Share(21, 41))).startswith("51 %, 41 to 61<")
    assert cell_html(share, Cell(Share(11, 1153))).startswith("1 %, 1 to 1<")


def test_a_mean_says_what_it_is_a_mean_of() -> None:
    mean = Mean.of_sums(40, 400.0, 4400.0)
    assert ", 40 runs<" in cell_html(Column("x", "X", ColumnKind.MEAN, of="runs"), Cell(mean))
    assert ", 40 jobs<" in cell_html(Column("x", "X", ColumnKind.MEAN), Cell(mean))


def test_no_number_of_a_reliability_chart_stands_on_a_point_or_on_another() -> None:
    """Six points as a good year has them, two of them close together at the top; a letter is 9 wide and 11 high."""
    points = [
        (0.01, 0.003, 0.003, 0.004, 49111), (0.16, 0.10, 0.09, 0.12, 755), (0.39, 0.46, 0.41, 0.50, 201),
        (0.60, 0.73, 0.69, 0.77, 226), (0.83, 0.94, 0.93, 0.95, 775), (0.95, 0.98, 0.97, 0.98, 1896),
    ]  # fmt: skip
    drawn = ElementTree.fromstring(plots.reliability(points, "Said and true"))
    letters = [(one.text or "", one) for one in drawn.iter("text") if "transform" not in one.attrib]
    boxes = [(text, _box(text, one)) for text, one in letters]
    discs = [(f"disc {n}", _around(one)) for n, one in enumerate(drawn.iter("circle"))]
    assert {"49,111", "1,896"} <= {text for text, _ in boxes} and len(discs) == 6
    numbers = [(text, box) for text, box in boxes if text in {f"{n:,}" for *_, n in points}]
    others = [*boxes, *discs]
    struck = [(text, name) for text, box in numbers for name, there in others if box != there and _meet(box, there)]
    assert struck == []


Box = tuple[float, float, float, float]


def _box(text: str, one: ElementTree.Element) -> Box:
    x, y, wide = float(one.attrib["x"]), float(one.attrib["y"]), 9.0 * len(text)
    left = x - {"end": wide, "tick": wide / 2}.get(one.attrib["class"], 0.0)
    return left, y - 11, left + wide, y


def _around(one: ElementTree.Element) -> Box:
    x, y, r = (float(one.attrib[name]) for name in ("cx", "cy", "r"))
    return x - r, y - r, x + r, y + r


def _meet(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
