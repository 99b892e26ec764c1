"""A cheaper order. Oracle: for a chain of tests that each prove one cause, enumeration of every order (and with it the
rule of probability over cost)."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.diagnosis.appraisal import appraise
from shopkb.core.diagnosis.cause_model import CauseModel
from shopkb.core.diagnosis.counts import OTHER
from shopkb.core.diagnosis.likelihoods import model_of
from shopkb.core.diagnosis.reordering import better_order, exchanges
from shopkb.core.flow.model import Flow, Go, GoKind, TestKind
from tests.core.diagnosis.flows import horn
from tests.core.diagnosis.test_appraisal import built


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
    # Exchanges that save less than 0.05 minutes are not made.
    assert reached == pytest.approx(least, abs=0.16)
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
