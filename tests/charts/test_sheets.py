"""A chart on paper: sheets of the standard, letters that can be read, connectors that lead where they say.

Witness: pypdf, a reader that knows nothing of how the sheets were cut, for what stands on them.
"""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pypdf import PdfReader

from shopkb.charts.cards import card_chart
from shopkb.charts.dot_text import Chart, Edge, Node
from shopkb.charts.printing import LEAST_LETTERS, MARGIN, SIZES, SMALLEST, Paper, cut_sheets, print_sheets
from shopkb.charts.sheets import Cutting, Sheet, cut, sheets
from shopkb.charts.svg import full_size
from shopkb.charts.view import ChartOptions
from shopkb.core.flow.model import Flow, Go, GoKind, Outcome, Step, TestKind
from tests.charts.sample import COMPONENTS, FAN, NOTES, TITLES
from tests.shelf import SHELF

CARDS = card_chart(FAN, ChartOptions(notes=NOTES, titles=TITLES, components=COMPONENTS), top_down=True)


@pytest.fixture(scope="module")
def fan() -> list[tuple[Sheet, bytes]]:
    return cut_sheets(FAN, CARDS, Paper.A4, "Radiator fan, revision 3")


def test_every_step_stands_on_one_sheet(fan: list[tuple[Sheet, bytes]]) -> None:
    assert sorted(key for sheet, _ in fan for key in sheet.steps) == sorted(FAN.step_by_key)
    assert len(fan) > 1


def test_the_smallest_letters_have_seven_points(fan: list[tuple[Sheet, bytes]]) -> None:
    across, down = SIZES[Paper.A4]
    for _, svg in fan:
        wide, high = full_size(svg)
        assert SMALLEST * min(1, (across - 2 * MARGIN) / wide, (down - 2 * MARGIN) / high) >= LEAST_LETTERS


def test_connectors_lead_where_they_say(fan: list[tuple[Sheet, bytes]]) -> None:
    """Whatever leaves a sheet for another comes in there, from the step it left."""
    sheet_of = {FAN.number_by_step[key]: number for number, (sheet, _) in enumerate(fan, 1) for key in sheet.steps}
    leaves, comes = set(), set()
    for number, (sheet, _) in enumerate(fan, 1):
        shown = sheet.chart.labels
        for edge in sheet.chart.edges:
            if edge.head.startswith("to-"):
                to, on = (int(re.findall(r"\d+", line)[0]) for line in shown[edge.head])
                assert sheet_of[to] == on != number
                leaves.add((FAN.number_by_step[edge.tail.removeprefix("step-")], to))
            if edge.tail.startswith("from-"):
                for line in shown[edge.tail]:
                    step, on = map(int, re.findall(r"\d+", line))
                    assert sheet_of[step] == on != number
                    comes.add((step, FAN.number_by_step[edge.head.removeprefix("step-")]))
    assert leaves == comes != set()


@pytest.mark.parametrize("paper", list(Paper))
def test_the_file_has_sheets_of_the_standard_each_titled_and_numbered(paper: Paper) -> None:
    read = PdfReader(io.BytesIO(print_sheets(FAN, CARDS, paper, "Radiator fan, revision 3")))
    across, down = {Paper.A4: (210, 297), Paper.A3: (297, 420)}[paper]
    for number, page in enumerate(read.pages, 1):
        assert [round(float(side) / 72 * 25.4) for side in page.mediabox[2:]] == [across, down]
        text = " ".join(page.extract_text().split())
        assert f"Radiator fan, revision 3: sheet {number} of {len(read.pages)}, steps" in text
    assert read.metadata is not None and read.metadata.title == "Radiator fan, revision 3"


def test_the_longest_procedure_of_the_shelf_goes_on_a3_in_few_sheets() -> None:
    flow = SHELF["overheats-fan-silent"]
    found = cut_sheets(flow, card_chart(flow, top_down=True), Paper.A3, flow.title)
    across, down = SIZES[Paper.A3]
    assert len(found) <= 8
    for sheet, svg in found:
        wide, high = full_size(svg)
        scale = min(1, (across - 2 * MARGIN) / wide, (down - 2 * MARGIN) / high)
        assert SMALLEST * scale >= LEAST_LETTERS or len(sheet.steps) == 1


def chain(count: int, skips: list[int]) -> Cutting:
    """Steps one after the other, some leading one further on, all of one size."""
    steps = []
    for at in range(count):
        ahead = [at + 1, *([at + 2] if at in skips else [])]
        ways = [Outcome(f"o{to}", "x", Go(GoKind.STEP, f"s{to}")) for to in ahead if to < count]
        steps.append(Step(f"s{at}", "x", TestKind.LOOK, (*ways, Outcome("out", "x", Go(GoKind.OUT)))))
    flow = Flow("chain", "Chain", "body", "s0", tuple(steps))
    nodes = tuple(Node(f"step-s{at}", {}) for at in range(count))
    edges = tuple(
        Edge(f"e-{step.key}-{one.key}", f"step-{step.key}", f"step-{one.go.key}", {})
        for step in steps
        for one in step.outcomes
        if one.go.key
    )
    return Cutting(flow, Chart("chain", nodes, edges), {node.name: (100.0, 80.0) for node in nodes}, (20.0, 20.0))


@given(st.integers(1, 14), st.lists(st.integers(0, 13)), st.integers(250, 900))
def test_a_cut_covers_all_steps_once_and_every_sheet_fits(count: int, skips: list[int], down: int) -> None:
    cutting, room = chain(count, skips), (400.0, float(down))
    cuts = cut(cutting, room)
    assert [at for first, last in cuts for at in range(first, last + 1)] == list(range(count))
    for first, last in cuts:
        wide, high = cutting.size_of(first, last, room)
        assert first == last or (wide <= room[0] and high <= room[1])


def test_of_equally_many_sheets_the_cut_with_the_fewest_arrows_is_taken() -> None:
    """Six steps on two sheets that each hold four; from the second and the third two arrows lead on."""
    cutting = chain(6, [1, 2])
    four = cutting.size_of(0, 3, (400.0, 9999.0))[1]
    assert cut(cutting, (400.0, four)) == [(0, 3), (4, 5)]


def test_a_draft_with_a_loop_or_nothing_in_it_is_cut_too() -> None:
    back = replace(FAN.steps[-1], outcomes=(Outcome("again", "again", Go(GoKind.STEP, FAN.start)),))
    flow = replace(FAN, steps=(*FAN.steps[:-1], back))
    assert cut_sheets(flow, card_chart(flow, top_down=True), Paper.A3, "Loop")
    empty = Flow("empty", "Empty", "body", "", ())
    chart = card_chart(empty, top_down=True)
    assert sheets(Cutting(empty, chart, {}, (1.0, 1.0)), (100.0, 100.0), "Empty") == []
