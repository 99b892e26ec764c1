"""Order of repairs. Oracles: enumeration of every order, the worked examples of set-ups and of imperfect actions, and
S. Ross's two-cause exercise."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import example as with_example
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.diagnosis.advice.repairs import Prices, expected_minutes, repair_costs
from shopkb.core.diagnosis.belief.cause_model import RepairAction
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from shopkb.core.diagnosis.rates.intervals import Array
from tests.core.diagnosis.flows import model
from tests.core.diagnosis.published import example
from tests.examples import examples

CLUSTER = example("setup-cost-cluster")
COMPUTER = example("repair-order-computer")
TWO = example("two-cause-check-order")

Clusters = list[tuple[list[int], float]]


def cost_of(order: tuple[int, ...], masses: Array, minutes: Array, clusters: Clusters) -> float:
    """Expected minutes of one order, set-ups paid when first needed."""
    total, left, opened = 0.0, float(masses.sum()), set[int]()
    for place in order:
        cost = minutes[place]
        for number, (members, opening) in enumerate(clusters):
            if place in members and number not in opened:
                opened.add(number)
                cost += opening
        total += cost * left
        left -= masses[place]
    return total


def test_set_up_is_paid_once_and_the_best_prefix_goes_as_one() -> None:
    actions = CLUSTER["inputs"]["actions"]
    names = list(actions)
    masses, minutes = (np.array([actions[name][key] for name in names], dtype=float) for key in ("p", "minutes"))
    members = [place for place, name in enumerate(names) if actions[name]["cluster"]]
    clusters: Clusters = [(members, CLUSTER["inputs"]["open_minutes"]["bumper off"])]
    best = tuple(names.index(name) for name in CLUSTER["expected"]["order"])
    expected = expected_minutes(masses[None, :], minutes, clusters)[0]
    assert cost_of(best, masses, minutes, clusters) == pytest.approx(expected)
    assert expected == pytest.approx(CLUSTER["expected"]["expected_minutes"], abs=CLUSTER["tolerance"])
    greedy = CLUSTER["expected"]["one_action_greedy"]
    other = tuple(names.index(name) for name in greedy["order"])
    assert cost_of(other, masses, minutes, clusters) == pytest.approx(greedy["expected_minutes"])


@pytest.mark.parametrize("case", TWO["expected"]["cases"], ids=lambda case: f"p={case['p']}")
def test_two_causes_are_checked_by_probability_over_cost(case: dict[str, float]) -> None:
    masses, minutes = np.array([case["p"], 1 - case["p"]]), np.array([case["C1"], case["C2"]], dtype=float)
    expected = expected_minutes(masses[None, :], minutes)[0]
    repairs = case["p"] * case["R1"] + (1 - case["p"]) * case["R2"]
    best = min(case["cost_first_1"], case["cost_first_2"])
    assert expected + repairs == pytest.approx(best, abs=TWO["tolerance"] * 10)
    if case["better_first"] != "tie":
        order = (0, 1) if case["better_first"] == 1 else (1, 0)
        assert cost_of(order, masses, minutes, []) == pytest.approx(expected)


def test_imperfect_actions_cost_least_in_the_order_of_probability_over_cost() -> None:
    prior, actions = COMPUTER["inputs"]["fault_prior"], COMPUTER["inputs"]["actions"]
    names = list(actions)
    cures = np.array([sum(prior[f] * p for f, p in actions[name]["p_fix_given_fault"].items()) for name in names])
    costs = np.array([float(actions[name]["cost"]) for name in names])
    assert dict(zip(names, cures / costs, strict=True)) == pytest.approx(COMPUTER["expected"]["initial_p_over_c"])
    best = tuple(names.index(name) for name in COMPUTER["expected"]["optimal_order"])
    assert cost_of(best, cures, costs, []) == pytest.approx(expected_minutes(cures[None, :], costs)[0])


@st.composite
def problems(draw: st.DrawFn) -> tuple[Array, Array, Clusters]:
    count = draw(st.integers(1, 6))
    masses = np.array([draw(st.sampled_from([0.0, 0.05, 0.1, 0.2, 0.35])) for _ in range(count)])
    minutes = np.array([float(draw(st.integers(1, 30))) for _ in range(count)])
    behind = [draw(st.integers(0, 2)) for _ in range(count)]
    clusters: Clusters = []
    for number in (1, 2):
        members = [place for place in range(count) if behind[place] == number]
        if members:
            clusters.append((members, float(draw(st.integers(1, 25)))))
    return masses, minutes, clusters


TWO_ALIKE: tuple[Array, Array, Clusters] = (
    np.array([0.1, 0.2, 0.2, 0.0, 0.2]),
    np.array([1.0, 1.0, 8.0, 1.0, 15.0]),
    [([1, 4], 16.0), ([0, 2], 15.0)],
)
"""Both set-ups are worth 0.0125 a minute: one has to be over before the other is begun."""


@given(problems())
@with_example(TWO_ALIKE)
@settings(max_examples=examples(100))
def test_no_order_is_cheaper(problem: tuple[Array, Array, Clusters]) -> None:
    masses, minutes, clusters = problem
    least = min(cost_of(one, masses, minutes, clusters) for one in permutations(range(masses.size)))
    assert expected_minutes(masses[None, :], minutes, clusters)[0] == pytest.approx(least)


@given(problems(), st.floats(0.01, 100))
@settings(max_examples=examples(50))
def test_cost_grows_with_the_weight_and_rows_do_not_touch(
    problem: tuple[Array, Array, Clusters], factor: float
) -> None:
    masses, minutes, clusters = problem
    both = expected_minutes(np.stack([masses, masses[::-1] * factor]), minutes, clusters)
    assert both[0] == pytest.approx(expected_minutes(masses[None, :], minutes, clusters)[0])
    assert both[1] == pytest.approx(expected_minutes(masses[None, ::-1], minutes, clusters)[0] * factor)


def test_minutes_hold_parts_at_the_hourly_rate_and_tried_repairs_are_none() -> None:
    one = model(
        {"A": 0.5, "B": 0.3, OTHER: 0.2},
        {},
        {},
        [RepairAction((0,), "Fit A.", 10, 30), RepairAction((1,), "Fit B.", 0, 0)],
    )
    prices = Prices(hourly_rate=90, look_further=100, check=5)
    costs = repair_costs(one, prices)
    assert costs.minutes == pytest.approx([10 + 5 + 20, 5, 100])
    assert costs.masses(one.prior) == pytest.approx([0.5, 0.3, 0.2])
    after = repair_costs(one, prices, ["A", "unheard#of"])
    assert after.masses(one.prior) == pytest.approx([0.0, 0.3, 0.7])
    assert after.expected(np.zeros((1, 3)))[0] == 0.0
