"""Every chart of the shelf as cards and as a flowchart: no arrow runs over foreign words, and few arrows cross.

Witness: where Graphviz put each line and letter (:mod:`tests.charts.geometry`), against the shared-ends flowchart that
came before (``tests/data/charts_before.json``). ``python -m tests.chart_table`` prints all of it.
"""

from __future__ import annotations

import json

import pytest

from shopkb.charts.drawings import Drawing
from tests.chart_table import BEFORE, drawn
from tests.charts.geometry import Geometry, geometry
from tests.shelf import SHELF

pytestmark = pytest.mark.one_database


@pytest.fixture(scope="module")
def shelf() -> dict[Drawing, list[Geometry]]:
    return {drawing: [drawn(flow, drawing) for flow in SHELF.values()] for drawing in Drawing}


def test_no_arrow_of_a_card_runs_over_words_or_over_a_card(shelf: dict[Drawing, list[Geometry]]) -> None:
    for drawing in (Drawing.WIDE, Drawing.TALL):
        assert [found.words_cut for found in shelf[drawing] if found.words_cut] == []
        over = [(arrow, node) for found in shelf[drawing] for arrow, node in found.nodes_cut]
        assert [(arrow, node) for arrow, node in over if node.removeprefix("step-") not in arrow] == []


def test_arrows_cross_far_less_often_than_where_ends_were_shared(shelf: dict[Drawing, list[Geometry]]) -> None:
    before = json.loads(BEFORE.read_text(encoding="utf-8"))
    assert before.keys() == SHELF.keys()
    crossed = {drawing: sum(found.crossings for found in all_of) for drawing, all_of in shelf.items()}
    assert sum(one["crossings"] for one in before.values()) == 235
    assert crossed[Drawing.WIDE] <= 35
    assert crossed[Drawing.TALL] <= 55
    assert crossed[Drawing.FLOWCHART] <= 65


def test_the_busiest_way_is_one_straight_line_across(shelf: dict[Drawing, list[Geometry]]) -> None:
    """Most of it: where a card of the way has a row far from its middle, an arrow steps down once."""
    level, all_of = 0, 0
    for found in shelf[Drawing.WIDE]:
        for arrow in found.spine:
            points = found.arrows[arrow]
            rise = max(y for _, y in points) - min(y for _, y in points)
            level += rise < 4
            all_of += 1
    assert level / all_of > 0.9


def test_what_is_measured_is_what_is_drawn() -> None:
    svg = b"""<svg xmlns="http://www.w3.org/2000/svg" width="100pt" height="100pt">
    <g id="n" class="node"><polygon points="40,40 60,40 60,60 40,60"/><text x="42" y="54" font-size="12">ab</text></g>
    <g id="a" class="edge"><path d="M0,0C33,33 66,66 100,100"/></g>
    <g id="b" class="edge"><path d="M0,100C33,66 66,33 100,0"/></g>
    <g id="c" class="edge"><path d="M0,90C33,90 66,90 100,90"/></g></svg>"""
    found = geometry(svg)
    assert found.crossings == 3
    assert {arrow for arrow, _ in found.words_cut} == {arrow for arrow, _ in found.nodes_cut} == {"a", "b"}
    assert found.letters_at_fit(50, 200) == 6.0
