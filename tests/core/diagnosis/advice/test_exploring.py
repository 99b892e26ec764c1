"""A test among near equals that chance decides for: how often, and which are never among them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shopkb.core.diagnosis.advice.exploring import chosen_by_chance, near_equals
from shopkb.core.diagnosis.advice.next_action import advise
from shopkb.core.diagnosis.advice.repairs import Prices
from shopkb.core.diagnosis.belief.cause_model import CauseModel, RepairAction
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from shopkb.core.flow.checks.step_hazards import step_hazards, steps_as_safe
from shopkb.core.flow.model import Proof
from tests.core.diagnosis.flows import model, two_outcomes
from tests.shelf import CATALOG, SHELF

PRICES = Prices(prove_first=True)
TELLS = {"A": 0.9, "B": 0.1, OTHER: 0.5}
WRITTEN = ("p", "one")


def twins(**changes: float) -> CauseModel:
    """Two tests that tell the same from the same few jobs, and a dear one."""
    minutes = {"one": 5.0, "two": 5.0, "three": 500.0, **changes}
    repairs = [RepairAction((0,), "Fit A.", 60), RepairAction((1,), "Fit B.", 60)]
    found = model({"A": 0.5, "B": 0.46, OTHER: 0.04}, dict.fromkeys(minutes, two_outcomes(TELLS)), minutes, repairs)
    return replace(found, prior_weights=found.prior * 20, table_weights=found.table * 8)


def test_of_equals_each_is_chosen_as_often_as_it_is_likely_to_be_best() -> None:
    found = twins()
    equals = near_equals(advise(found, prices=PRICES), WRITTEN, {"two", "three"})
    assert equals is not None
    assert [option.step for option in equals[1]] == ["two"]
    chosen = [
        chosen_by_chance(found, (), (), equals, np.random.default_rng(seed), prices=PRICES) for seed in range(300)
    ]
    assert 110 < sum(one is not None for one in chosen) < 190


def test_chance_gives_the_same_answer_for_the_same_draw() -> None:
    found = twins()
    equals = near_equals(advise(found, prices=PRICES), WRITTEN, {"two"})
    assert equals is not None
    one, other = (chosen_by_chance(found, (), (), equals, np.random.default_rng(4), prices=PRICES) for _ in range(2))
    assert one == other


def test_what_is_dearer_more_dangerous_or_needs_a_set_up_is_no_equal() -> None:
    assert near_equals(advise(twins(two=40.0), prices=PRICES), WRITTEN, {"two", "three"}) is None
    assert near_equals(advise(twins(), prices=PRICES), WRITTEN, set()) is None
    high = twins()
    one, two, three = high.tests
    high = replace(high, tests=(one, replace(two, access="lifted"), three), access_minutes={"lifted": 0.5})
    assert near_equals(advise(high, prices=PRICES), WRITTEN, {"two", "three"}) is None
    allowed = {WRITTEN, ("p", "three")}
    assert near_equals(advise(twins(), prices=PRICES, allowed=allowed), WRITTEN, {"two", "three"}) is None


def test_once_a_cause_is_proven_nothing_is_left_to_chance() -> None:
    found = twins()
    named = tuple(
        branch._replace(names="A", proof=Proof.MEASURED) if branch[1:3] == ("three", "yes") else branch
        for branch in found.branches
    )
    advice = advise(replace(found, branches=named), [CaseResult("p", "three", "yes")], prices=PRICES)
    assert any(repair.proven for repair in advice.repairs)
    assert near_equals(advice, WRITTEN, {"two"}) is None


@pytest.mark.parametrize("procedure", SHELF)
def test_no_step_that_is_as_safe_brings_a_hazard_or_a_danger_of_its_own(procedure: str) -> None:
    flow = SHELF[procedure]
    dangers = {key for key, caution in CATALOG.cautions.items() if caution.signal == "DANGER"}
    for step in flow.steps:
        for key in steps_as_safe(flow, CATALOG, step):
            other = flow.step_by_key[key]
            assert step_hazards(other, CATALOG) <= step_hazards(step, CATALOG)
            assert dangers.intersection(other.cautions) <= set(step.cautions)
