"""Two revisions drawn as one: nothing of either is missing, and words say what became of it."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.charts.dot import flow_dot
from shopkb.charts.drawings import Drawing, chart_as
from shopkb.charts.render import render
from shopkb.charts.view import ChartOptions
from shopkb.core.flow import editing
from shopkb.core.flow.comparison.merged_diff import Change, merged_diff
from shopkb.core.flow.editing import EditRefused, KeyNotFound
from shopkb.core.flow.model import Flow, Go, GoKind
from tests.core.flow.test_editing import actions, horn, two_steps
from tests.examples import examples


def test_the_same_twice_has_no_change() -> None:
    assert merged_diff(horn(), horn()).flow == horn()
    assert merged_diff(horn(), horn()).changed == ()


def test_added_taken_out_and_moved_are_said_by_key() -> None:
    old = two_steps()
    new = editing.set_destination(
        editing.add_step(old, "fuse", "Fuse whole"), "press", "click", Go(GoKind.STEP, "fuse")
    )
    new = editing.delete_step(new, "supply")
    found = merged_diff(old, new)
    assert [step.key for step in found.flow.steps] == ["press", "fuse", "supply"]
    ways = {outcome.key: outcome.go for outcome in found.flow.step_by_key["press"].outcomes}
    assert ways == {"click": Go(GoKind.STEP, "fuse"), "click-was": Go(GoKind.STEP, "supply")}
    assert found.changed == (("press", "click"), ("press", "click-was"))
    assert found.changes == {
        ("fuse", ""): Change.ADDED,
        ("supply", ""): Change.TAKEN_OUT,
        ("press", "click"): Change.MOVED,
        ("press", "click-was"): Change.TAKEN_OUT,
    }


@pytest.mark.parametrize("drawing", list(Drawing))
def test_every_drawing_says_by_sign_and_word_what_became_of_a_part(drawing: Drawing) -> None:
    old = two_steps()
    new = editing.change_step(editing.add_step(old, "fuse", "Fuse whole"), "press", {"title": "Press the button twice"})
    found = merged_diff(old, editing.delete_step(new, "supply"))
    chart = chart_as(found.flow, drawing, ChartOptions(path=found.changed, changes=found.changes))
    assert "+ added" in chart.labels["step-fuse"]
    assert "− taken out" in chart.labels["step-supply"]
    assert "~ changed" in chart.labels["step-press"]
    assert render(chart, "svg")


@settings(max_examples=examples(60))
@given(st.lists(actions(), max_size=8))
def test_every_step_and_way_of_both_is_in_it(sequence: list[object]) -> None:
    old = new = horn()
    for act in sequence:
        try:
            new = act(new)  # type: ignore[operator]
        except (EditRefused, KeyNotFound):
            continue
    found = merged_diff(old, new).flow
    assert set(found.step_by_key) == set(old.step_by_key) | set(new.step_by_key)
    assert _ways(new) <= _ways(found)
    assert _ways(old) <= _ways(found) | {way for way in _ways(old) if way[1].kind is GoKind.CAUSE}
    assert [step.key for step in found.steps][: len(new.steps)] == [step.key for step in new.steps]
    assert flow_dot(found).source.startswith("digraph")


def _ways(flow: Flow) -> set[tuple[str, Go]]:
    return {(step.key, outcome.go) for step in flow.steps for outcome in step.outcomes}
