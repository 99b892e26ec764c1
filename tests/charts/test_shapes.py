"""Signs: ISO 5807:1985, by the list of symbols in tests/data/published/iso5807_symbols.csv."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.charts.lettering import block_size, line_width
from shopkb.charts.shapes import SHAPES, TEXT_SIZE, Sign, sign_of, size_of, step_lines
from shopkb.core.flow.model import Go, GoKind, Outcome, Step, TestKind
from tests.examples import examples

PUBLISHED = Path(__file__).parents[1] / "data" / "published"
# The node shapes of Graphviz, graphviz.org/doc/info/shapes.html, as far as flowcharts have a use for them.
GRAPHVIZ_SHAPES = {"box", "polygon", "diamond", "record", "invtrapezium", "hexagon", "note", "circle", "parallelogram"}


def made(test: TestKind, outcomes: int) -> Step:
    return Step("s", "Do it", test, tuple(Outcome(f"o{index}", "done", Go(GoKind.OUT)) for index in range(outcomes)))


@pytest.mark.parametrize(
    ("test", "outcomes", "sign"),
    [
        (TestKind.LOOK, 2, Sign.DECISION),
        (TestKind.LISTEN, 2, Sign.DECISION),
        (TestKind.FEEL, 2, Sign.DECISION),
        (TestKind.QUESTION, 3, Sign.DECISION),
        (TestKind.MEASURE, 2, Sign.DECISION),
        (TestKind.MEASURE, 1, Sign.DECISION),
        (TestKind.COMMAND, 2, Sign.MANUAL_OPERATION),
        (TestKind.SUBSTITUTE, 2, Sign.MANUAL_OPERATION),
        (TestKind.POWER_DIRECTLY, 2, Sign.MANUAL_OPERATION),
        (TestKind.ACTION, 0, Sign.PROCESS),
        (TestKind.ACTION, 1, Sign.PROCESS),
        (TestKind.ACTION, 2, Sign.DECISION),
    ],
)
def test_sign_by_kind(test: TestKind, outcomes: int, sign: Sign) -> None:
    assert sign_of(made(test, outcomes)) is sign


def test_every_kind_of_test_has_a_sign() -> None:
    assert {sign_of(made(kind, 2)) for kind in TestKind} <= set(Sign)


def test_signs_bear_the_names_of_the_standard() -> None:
    with (PUBLISHED / "iso5807_symbols.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["iso_5807_symbol"]: row for row in csv.DictReader(file)}
    for sign in Sign:
        row = rows[sign.value.replace("-", " ")]
        drawn = SHAPES[sign]["shape"]
        # A manual operation is the trapezium drawn as a polygon of our own measure.
        assert row["graphviz_shape"] == ("invtrapezium" if drawn == "polygon" else drawn)


def test_only_shapes_graphviz_knows_and_never_the_gene_map_sign() -> None:
    shapes = {attributes["shape"] for attributes in SHAPES.values()}
    assert shapes <= GRAPHVIZ_SHAPES
    assert "terminator" not in shapes


titles = st.text(alphabet=st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=120)


@given(titles, st.integers(1, 200), st.sampled_from([(), ("you are here",)]))
@settings(max_examples=examples(60))
def test_every_corner_of_every_line_lies_inside_a_decision(title: str, number: int, remarks: tuple[str, ...]) -> None:
    lines = step_lines(Sign.DECISION, number, title, remarks)
    size = size_of(Sign.DECISION, lines)
    assert size is not None
    high = block_size(lines, TEXT_SIZE)[1] / len(lines)
    for index, line in enumerate(lines):
        for edge in (index, index + 1):
            x, y = line_width(line, TEXT_SIZE) / 2, abs(edge - len(lines) / 2) * high
            assert x / (size[0] / 2) + y / (size[1] / 2) <= 1


@given(titles, st.integers(1, 200))
@settings(max_examples=examples(60))
def test_every_line_lies_inside_a_manual_operation(title: str, number: int) -> None:
    lines = step_lines(Sign.MANUAL_OPERATION, number, title)
    size = size_of(Sign.MANUAL_OPERATION, lines)
    assert size is not None
    width, height = size
    block = block_size(lines, TEXT_SIZE)[1]
    for index, line in enumerate(lines):
        foot = (height + block) / 2 - block * (len(lines) - index - 1) / len(lines)
        assert line_width(line, TEXT_SIZE) <= width * (1 - 0.24 * foot / height)


@given(titles, st.integers(1, 200), st.sampled_from(Sign))
@settings(max_examples=examples(60))
def test_a_step_begins_with_its_number(title: str, number: int, sign: Sign) -> None:
    lines = step_lines(sign, number, title)
    assert lines[0].startswith(str(number))
    assert "".join(" ".join(lines).split()) == f"{number}" + "".join(title.split())


def test_a_decision_is_broken_short_above_and_below() -> None:
    title = "Warm up to fan-on temperature, watch the gauge"
    assert step_lines(Sign.DECISION, 1, title) == (
        "1\N{NO-BREAK SPACE}\N{NO-BREAK SPACE}Warm up to",
        "fan-on temperature, watch",
        "the gauge",
    )
