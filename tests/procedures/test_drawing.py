"""Charts on pages: remembered by what they say, the first drawn ahead, and a drawing that fails leaves the list."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from django.core.cache import cache
from django.http import QueryDict
from pytest_django import DjangoAssertNumQueries

from shopkb.charts.dot_text import Chart
from shopkb.charts.drawings import Drawing
from shopkb.charts.refusals import ChartUnavailable
from shopkb.charts.view import ChartOptions
from shopkb.core.flow import editing
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.model import Flow, Go, GoKind
from shopkb.procedures import drawing
from shopkb.procedures.drawing import chart_bytes, chart_of, draw_chart, draw_first_chart, folding_asked
from shopkb.procedures.models import Procedure
from tests.builders import HORN_TEXT


@pytest.fixture
def flow(horn: Procedure) -> Flow:
    cache.clear()
    found = read_flow(HORN_TEXT).flow
    assert found is not None
    return found


@pytest.fixture
def renders(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What was really drawn."""
    made: list[str] = []

    def render(chart: Chart, form: str, *, seconds: float) -> bytes:
        made.append(form)
        return b"<svg/>"

    monkeypatch.setattr(drawing, "render", render)
    return made


def test_the_same_chart_is_drawn_once_and_a_changed_one_anew(flow: Flow, renders: list[str]) -> None:
    for _ in range(2):
        chart_bytes(chart_of(flow, ChartOptions()), "svg")
    assert renders == ["svg"]
    chart_bytes(chart_of(editing.change_step(flow, "press", {"title": "Press once"}), ChartOptions()), "svg")
    chart_bytes(chart_of(flow, ChartOptions()), "pdf")
    assert renders == ["svg", "svg", "pdf"]


def test_names_of_components_and_of_procedures_stand_in_the_chart(
    flow: Flow, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    with django_assert_num_queries(4):
        shown = " ".join(line for lines in chart_of(flow, ChartOptions()).labels.values() for line in lines)
    assert "Horn, open circuit" in shown
    assert "Horn relay is not called" in shown
    bare = replace(editing.set_destination(flow, "press", "silent", Go(GoKind.OUT)), causes=())
    bare = replace(bare, steps=(replace(bare.steps[0], access="", cautions=()),))
    with django_assert_num_queries(0):
        chart_of(bare, ChartOptions())


def test_a_drawing_that_fails_leaves_the_list_and_says_why(flow: Flow, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: Any, **__: Any) -> bytes:
        raise ChartUnavailable("The chart took longer than 5 seconds to draw and was stopped.")

    monkeypatch.setattr(drawing, "render", fails)
    found = draw_chart(flow, ChartOptions())
    assert (str(found.svg), found.reason) == ("", "The chart took longer than 5 seconds to draw and was stopped.")
    assert found.outline


def test_where_you_are_and_the_ways_to_the_cards_are_drawn(flow: Flow) -> None:
    svg = str(draw_chart(flow, ChartOptions(now="supply", links={"supply": "/there/"})).svg)
    assert "you are here" in svg
    assert 'href="/there/"' in svg


def test_the_first_chart_after_a_start_is_drawn_ahead(
    monkeypatch: pytest.MonkeyPatch, renders: list[str], caplog: pytest.LogCaptureFixture
) -> None:
    draw_first_chart().join()
    assert renders == ["svg"]

    def missing(*_: Any, **__: Any) -> bytes:
        raise ChartUnavailable("Charts need Graphviz, and this computer has none.")

    monkeypatch.setattr(drawing, "render", missing)
    draw_first_chart().join()
    assert "Charts need Graphviz" in caplog.text


def test_an_address_folds_and_opens_what_it_names_and_keeps_the_rest(flow: Flow) -> None:
    steps = tuple(replace(step, at="body/horn/relay") for step in flow.steps)
    flow = replace(flow, steps=steps)
    asked = folding_asked("/procedures/horn/", QueryDict("fold=fold-press&fold=fold-press&fold=<b>&fold=fold-none"))
    found = draw_chart(flow, ChartOptions(), Drawing.TALL, asked)
    (link,) = found.folds
    assert (link.is_folded, link.steps, link.query) == (True, len(steps), "?drawing=cards-down")
    assert 'href="/procedures/horn/?drawing=cards-down"' in str(found.svg)
    assert found.links[0].query == "?drawing=cards&fold=fold-press"
    (closed,) = draw_chart(flow, ChartOptions(), Drawing.TALL, folding_asked("/procedures/horn/", QueryDict(""))).folds
    assert (closed.is_folded, closed.query) == (False, "?drawing=cards-down&fold=fold-press")
