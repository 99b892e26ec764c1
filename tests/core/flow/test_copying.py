"""Steps copied from another procedure: what comes along, what is not copied twice, and that it can always be stored."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.flow import editing
from shopkb.core.flow.copying import copy_steps, steps_behind
from shopkb.core.flow.editing import KeyNotFound
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.file.writer import write_flow
from shopkb.core.flow.model import AskedValue, Flow, Go, GoKind
from shopkb.core.flow.paths import loops
from tests.builders import CONTROL_TEXT, HORN_TEXT, flow_from
from tests.conftest import FLOWS
from tests.examples import examples

HORN = flow_from(HORN_TEXT)


def draft() -> Flow:
    flow = editing.add_step(editing.new_flow("lamp-dark", "Lamp dark", "body/horn"), "press", "Press")
    return editing.add_outcome(flow, "press", "click", "It clicks")


def test_a_step_alone_brings_its_causes_and_values_and_its_other_ways_lead_nowhere() -> None:
    flow, key = copy_steps(draft(), HORN, "supply", behind=False, after=("press", "click"))
    assert key == "supply"
    assert flow.step_by_key["press"].outcome("click").go == Go(GoKind.STEP, "supply")
    supply = flow.step_by_key["supply"]
    assert [outcome.go.kind for outcome in supply.outcomes] == [GoKind.NOWHERE, GoKind.CAUSE, GoKind.CAUSE]
    assert supply.outcomes[1].proof == HORN.step_by_key["supply"].outcomes[1].proof
    assert flow.causes == (HORN.cause_by_key["relay-contacts"],)
    assert flow.values == HORN.values
    assert supply.needs == ()
    assert supply.instruction == HORN.step_by_key["supply"].instruction


def test_a_branch_comes_whole_and_in_its_order() -> None:
    flow, _key = copy_steps(draft(), HORN, "supply", behind=True)
    assert [step.key for step in flow.steps] == ["press", "supply", "ground", "direct"]
    assert flow.step_by_key["ground"].needs == ("supply",)
    assert {cause.key for cause in flow.causes} == {"horn-open", "horn-ground", "relay-contacts"}


def test_a_whole_method_into_a_procedure_that_has_such_steps_already_gets_keys_of_its_own() -> None:
    flow, key = copy_steps(HORN, HORN, "press", behind=True, after=("direct", "sounds"))
    assert key == "press-2"
    assert len(flow.steps) == 2 * len(HORN.steps)
    assert flow.causes == HORN.causes
    assert flow.values == HORN.values
    assert not loops(flow)


def test_a_value_of_another_meaning_gets_another_name_and_the_bands_follow() -> None:
    other = replace(draft(), values=(AskedValue("battery", "Bulb power", "W"),))
    flow, _key = copy_steps(other, HORN, "supply", behind=False)
    assert [value.key for value in flow.values] == ["battery", "battery_2", "feed_drop"]
    band = flow.step_by_key["supply"].outcomes[0].band
    assert band is not None
    assert band.text() == ">= battery_2 - feed_drop * 1.3"


def test_a_way_to_the_draft_itself_is_left_open() -> None:
    control = editing.new_flow("horn-control", "Control", "body/horn")
    flow, _key = copy_steps(control, HORN, "press", behind=False)
    assert flow.steps[0].outcome("silent").go.kind is GoKind.NOWHERE
    assert flow.start == "press"


def test_what_is_not_there_is_refused() -> None:
    with pytest.raises(KeyNotFound):
        copy_steps(draft(), HORN, "gone", behind=True)
    with pytest.raises(KeyNotFound):
        copy_steps(draft(), HORN, "press", behind=True, after=("press", "gone"))


SHELF = sorted(FLOWS.glob("*.yaml"))


@settings(max_examples=examples(8), deadline=None)
@given(file=st.sampled_from(SHELF), place=st.integers(0, 200), behind=st.booleans())
def test_whatever_is_copied_can_be_stored_and_read_back(file: object, place: int, behind: bool) -> None:
    source = read_flow(file.read_bytes()).flow  # type: ignore[attr-defined]
    assert source is not None
    step = source.steps[place % len(source.steps)].key
    flow, key = copy_steps(flow_from(CONTROL_TEXT), source, step, behind=behind)
    assert read_flow(write_flow(flow)).flow == flow
    assert len(steps_behind(flow, key)) == (len(steps_behind(source, step)) if behind else 1)
