"""A cheaper order. Oracle: for a chain of tests that each prove one cause, enumeration of every order (and with it the
rule of probability over cost)."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, permutations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.diagnosis.appraisal import appraise
from shopkb.core.diagnosis.cause_model import CauseModel
from shopkb.core.diagnosis.counts import OTHER
from shopkb.core.diagnosis.likelihoods import model_of
from shopkb.core.diagnosis.order_bound import least_minutes
from shopkb.core.diagnosis.reordering import better_order, exchanges, last, search
from shopkb.core.flow.model import Flow, Go, GoKind, TestKind
from shopkb.core.flow.reader import read_flow
from tests.core.diagnosis.flows import horn
from tests.core.diagnosis.test_appraisal import built

FLOWS = Path(__file__).parents[3] / "flows"


def chain(
    order: list[int], weights: list[int], minutes: list[float], needs: dict[str, str] | None = None
) -> tuple[Flow, CauseModel]:
    """Test i proves cause i without error, or leads on; the last leads out."""
    causes = [f"c{i + 1}" for i in range(len(weights))]
    total = sum(weights) + 1
    prior = {**{c: w / total for c, w in zip(causes, weights, strict=True)}, OTHER: 1 / total}
    steps: dict[str, dict[str, Any]] = {}
    for place, number in enumerate(order):
        after = f"s{order[place + 1]}" if place + 1 < len(order) else "out"
        yes = {cause: float(cause == f"c{number + 1}") for cause in prior}
        steps[f"s{number}"] = {
            "minutes": minutes[number],
            "outcomes": {
                "found": {"go": f"c{number + 1}", "p": yes},
                "on": {"go": after, "p": {c: 1 - p for c, p in yes.items()}},
            },
        }
    flow, model = built(steps, prior, f"s{order[0]}", {})
    steps_needing = tuple(replace(step, needs=(needs or {}).get(step.key, ())) for step in flow.steps)
    return replace(flow, steps=steps_needing), model


def order_of(flow: Flow) -> list[str]:
    found, key = [], flow.start
    while key:
        found.append(key)
        key = flow.step_by_key[key].outcome("on").go.key
    return found


@given(
    weights=st.lists(st.integers(1, 9), min_size=3, max_size=3),
    minutes=st.lists(st.integers(1, 30).map(float), min_size=3, max_size=3),
)
@settings(deadline=None, max_examples=40)
def test_a_chain_comes_out_in_the_best_of_all_orders(weights: list[int], minutes: list[float]) -> None:
    flow, model = chain([0, 1, 2], weights, minutes)
    least = min(
        appraise(*chain(list(one), weights, minutes), what_matters=False).minutes for one in permutations(range(3))
    )
    found = better_order(flow, model)
    reached = found.after.minutes if found else appraise(flow, model).minutes
    # Orders that save less than 0.05 minutes are not proposed.
    assert reached == pytest.approx(least, abs=0.051)
    if found:
        assert found.saves == pytest.approx(sum(one.saves for one in found.exchanges))
        assert found.after.right == pytest.approx(found.before.right)


def test_cheap_and_likely_comes_first() -> None:
    found = better_order(*chain([0, 1, 2], [1, 2, 8], [30, 10, 2]))
    assert found is not None
    assert order_of(found.flow) == ["s2", "s1", "s0"]
    first = found.exchanges[0]
    assert (first.later, first.earlier, first.outcome) == ("s2", "s1", "on")
    assert better_order(*chain([2, 1, 0], [1, 2, 8], [30, 10, 2])) is None


def test_what_a_step_needs_stays_before_it() -> None:
    found = better_order(*chain([0, 1, 2], [1, 2, 8], [30, 10, 2], needs={"s2": ("s1",)}))
    assert found is not None
    order = order_of(found.flow)
    assert order.index("s1") < order.index("s2")
    assert order == ["s1", "s2", "s0"]


@pytest.mark.parametrize(
    ("changes", "other_changes", "free"),
    [
        ({}, {}, True),
        ({"cautions": ("hot-coolant",)}, {}, False),
        ({"cautions": ("hot-coolant",)}, {"cautions": ("airbag", "hot-coolant")}, True),
        ({}, {"cautions": ("airbag",)}, True),
        ({"test": TestKind.ACTION}, {}, False),
        ({}, {"test": TestKind.ACTION}, False),
        ({"isolates": ("horn connector",)}, {}, False),
        ({}, {"isolates": ("horn connector",)}, False),
    ],
)
def test_no_step_passes_an_action_or_a_caution_it_may_lean_on(
    changes: dict[str, Any], other_changes: dict[str, Any], free: bool
) -> None:
    flow, _ = chain([0, 1], [1, 8], [30, 2])
    first, second = flow.steps
    guarded = replace(flow, steps=(replace(first, **changes), replace(second, **other_changes)))
    assert bool(list(exchanges(guarded))) is free


def test_a_step_behind_one_of_two_ways_on_stays_there() -> None:
    flow, _ = chain([0, 1, 2], [1, 2, 8], [30, 10, 2])
    first, *others = flow.steps
    two_ways = replace(first, outcomes=(replace(first.outcome("found"), go=Go(GoKind.STEP, "s2")), first.outcome("on")))
    drafts = exchanges(replace(flow, steps=(two_ways, *others)))
    assert [(earlier, later) for earlier, later, _, _ in drafts] == []


def test_settled_steps_keep_their_place() -> None:
    assert better_order(*chain([0, 1], [1, 8], [30, 2]), settled=("s0",)) is None
    assert better_order(*chain([0, 1], [1, 8], [30, 2]), settled=("s1",)) is None


def test_exchanged_flows_keep_every_step_outcome_and_cause() -> None:
    flow = horn()
    drafts = list(exchanges(flow))
    assert {(earlier, later) for earlier, later, _, _ in drafts} == {("supply", "ground"), ("ground", "direct")}
    for _, _, _, draft in drafts:
        assert {(s.key, o.key) for s in draft.steps for o in s.outcomes} == {
            (s.key, o.key) for s in flow.steps for o in s.outcomes
        }
        assert draft.causes == flow.causes


def test_a_right_end_is_not_traded_for_minutes() -> None:
    """Every exchange of the horn that saves minutes costs right ends, so its writer's order stands."""
    flow = horn()
    model = model_of(flow, {}, as_of="2026-11", access_minutes={"bumper-off": 12.0})
    before = appraise(flow, model)
    tried = [appraise(draft, model) for *_, draft in exchanges(flow)]
    assert any(one.minutes < before.minutes - 0.05 for one in tried)
    assert all(one.right < before.right - 0.005 for one in tried if one.minutes < before.minutes - 0.05)
    assert better_order(flow, model) is None


def test_a_flow_of_one_step_has_no_other_order() -> None:
    flow, model = chain([0], [3], [4.0])
    assert list(exchanges(flow)) == []
    assert better_order(flow, model) is None


# How far the search came -----------------------------------------------------------------------------------------

WEIGHTS = st.lists(st.integers(1, 9), min_size=4, max_size=4)
MINUTES = st.lists(st.integers(1, 30).map(float), min_size=4, max_size=4)


def least_of_all(weights: list[int], minutes: list[float]) -> float:
    return min(
        appraise(*chain(list(one), weights, minutes), what_matters=False).minutes for one in permutations(range(4))
    )


@given(weights=WEIGHTS, minutes=MINUTES)
@settings(deadline=None, max_examples=15)
def test_a_search_that_looked_at_all_found_the_least_and_no_order_falls_below_the_floor(
    weights: list[int], minutes: list[float]
) -> None:
    end = last(search(*chain([0, 1, 2, 3], weights, minutes)))
    assert (end.complete, end.looked_at, end.gap) == (True, 24, 0.0)
    assert end.least == pytest.approx(least_of_all(weights, minutes))
    assert end.floor <= end.least


@given(weights=WEIGHTS, minutes=MINUTES)
@settings(deadline=None, max_examples=15)
def test_the_floor_is_reached_by_probability_over_cost_where_tests_are_never_wrong(
    weights: list[int], minutes: list[float]
) -> None:
    """W. E. Smith 1956: jobs in order of weight over time have the least weighted sum of finishing times."""
    flow, model = chain([0, 1, 2, 3], weights, minutes)
    sure = replace(model, prior=np.array([*(one / sum(weights) for one in weights), 0.0]))
    by_rule = sorted(range(4), key=lambda one: minutes[one] / weights[one])
    clock = [sum(minutes[one] for one in by_rule[: place + 1]) for place in range(4)]
    smith = sum(weights[one] * done for one, done in zip(by_rule, clock, strict=True)) / sum(weights)
    assert least_minutes(flow, sure, right=1.0) == pytest.approx(smith)
    assert last(search(flow, sure)).least == pytest.approx(smith)


@given(weights=WEIGHTS, minutes=MINUTES, most=st.integers(1, 23))
@settings(deadline=None, max_examples=15)
def test_a_search_may_be_stopped_anywhere_and_only_gets_better(
    weights: list[int], minutes: list[float], most: int
) -> None:
    rounds = list(search(*chain([0, 1, 2, 3], weights, minutes), most=most))
    assert not rounds[-1].complete
    assert rounds[-1].looked_at == most
    assert all(later.least <= earlier.least for earlier, later in pairwise(rounds))
    least = least_of_all(weights, minutes)
    assert rounds[-1].floor <= least <= rounds[-1].least + 1e-9
    assert rounds[-1].gap >= rounds[-1].least - least - 1e-9


@pytest.mark.parametrize("name", ["starter-does-not-turn", "blower-only-top-speed", "battery-flat-overnight"])
def test_the_floor_holds_on_the_shop_s_own_procedures(name: str) -> None:
    found = read_flow((FLOWS / f"{name}.yaml").read_bytes()).flow
    assert found is not None
    model = model_of(found, {}, as_of="2026-11", access_minutes={"bumper-off": 12.0})
    *_, end = search(found, model, most=60)
    assert end.looked_at == 60 or end.complete
    assert 0 < end.floor <= end.least
