"""Two revisions drawn as one: nothing of either is missing, and words say what became of it."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.charts.dot import flow_dot
from shopkb.core.flow import editing
from shopkb.core.flow.comparison.merged_diff import merged_diff
from shopkb.core.flow.editing import EditRefused, KeyNotFound
from shopkb.core.flow.model import Flow, Go, GoKind
from tests.core.flow.test_editing import actions, horn, two_steps
from tests.examples import examples


def test_the_same_twice_has_no_change() -> None:
    assert merged_diff(horn(), horn()).flow == horn()
    assert merged_diff(horn(), horn()).changed == ()


def test_added_removed_and_rerouted_are_said_in_words() -> None:
    old = two_steps()
    new = editing.set_destination(
        editing.add_step(old, "fuse", "Fuse whole"), "press", "click", Go(GoKind.STEP, "fuse")
    )
    new = editing.delete_step(new, "supply")
    found = merged_diff(old, new)
    assert [step.title for step in found.flow.steps] == [
        "Press the button",
        "ADDED: Fuse whole",
        "REMOVED: Voltage at the connector",
    ]
    labels = {outcome.label: outcome.go for outcome in found.flow.step_by_key["press"].outcomes}
    assert labels == {
        "REROUTED: Relay clicks": Go(GoKind.STEP, "fuse"),
        "WAS: Relay clicks": Go(GoKind.STEP, "supply"),
    }
    assert found.changed == (("press", "click"), ("press", "click-was"))


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
