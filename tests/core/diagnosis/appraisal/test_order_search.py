"""A cheaper order. Oracles: every order of small flows built and appraised one by one, of chains and of nested
rows, and for tests that are never wrong the rule of probability over cost (W. E. Smith 1956)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise, permutations, product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shopkb.core.diagnosis.appraisal.expected_cost import appraise
from shopkb.core.diagnosis.appraisal.order_search import MOST_LOST, MOST_STEPS, better_order, last, search, widened
from shopkb.core.diagnosis.appraisal.row_search import Arranger, orders_of
from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.likelihoods import learn
from shopkb.core.diagnosis.counting.flow_counts import OTHER, count
from shopkb.core.flow.file.reader import read_flow
from shopkb.core.flow.model import Flow, Go, GoKind, TestKind
from shopkb.core.flow.paths import always_passed, loops, reachable
from shopkb.core.flow.rows import reordered
from shopkb.demo.truth import read_truth
from tests.core.diagnosis.appraisal.test_expected_cost import built
from tests.core.diagnosis.flows import horn
from tests.core.diagnosis.learning import model_of
from tests.demo.proving import fare
from tests.examples import examples

FLOWS = Path(__file__).parents[4] / "flows"


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
@settings(max_examples=examples(40))
def test_a_chain_comes_out_in_the_best_of_all_orders(weights: list[int], minutes: list[float]) -> None:
    flow, model = chain([0, 1, 2], weights, minutes)
    least = min(
        appraise(*chain(list(one), weights, minutes), with_sensitivities=False).minutes
        for one in permutations(range(3))
    )
    found = better_order(flow, model)
    reached = found.after.minutes if found else appraise(flow, model).minutes
    # Orders that save less than 0.05 minutes are not proposed.
    assert reached == pytest.approx(least, abs=0.051)
    if found:
        assert found.moves[-1].flow == found.flow
        assert found.after.right == pytest.approx(found.before.right)


def test_cheap_and_likely_comes_first() -> None:
    found = better_order(*chain([0, 1, 2], [1, 2, 8], [30, 10, 2]))
    assert found is not None
    assert order_of(found.flow) == ["s2", "s1", "s0"]
    assert [(one.later, one.passed) for one in found.moves] == [("s2", ("s0", "s1")), ("s1", ("s0",))]
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
    flow, model = chain([0, 1], [1, 8], [30, 2])
    first, second = flow.steps
    guarded = replace(flow, steps=(replace(first, **changes), replace(second, **other_changes)))
    assert last(search(guarded, model)).free is free


def test_with_the_catalog_a_step_waits_only_for_cautions_that_it_leans_on() -> None:
    flow, model = chain([0, 1], [1, 8], [30, 2])
    first, second = flow.steps
    guarded = replace(flow, steps=(replace(first, cautions=("hot-coolant",)), second))
    assert better_order(guarded, model) is None
    assert better_order(guarded, model, leans={"s1": frozenset({"s0"})}) is None
    assert better_order(guarded, model, leans={}) is not None


def test_settled_steps_keep_their_place() -> None:
    assert better_order(*chain([0, 1], [1, 8], [30, 2]), settled=("s0",)) is None
    assert better_order(*chain([0, 1], [1, 8], [30, 2]), settled=("s1",)) is None


def test_orders_keep_every_step_outcome_and_cause() -> None:
    flow = horn()
    model = model_of(flow, {}, as_of="2026-11", access_minutes={"bumper-off": 12.0})
    found = last(search(flow, model))
    assert found.free
    moved = {(one.later, passed) for order in found.proposals for one in order.moves for passed in one.passed}
    assert moved >= {("ground", "supply"), ("direct", "ground")}
    assert ("supply", "press") not in moved  # it needs it
    for order in found.proposals:
        keys = {(s.key, o.key) for s in order.flow.steps for o in s.outcomes}
        assert keys == {(s.key, o.key) for s in flow.steps for o in s.outcomes}
        assert order.flow.causes == flow.causes


def test_a_right_end_is_not_traded_for_minutes_unasked() -> None:
    """Where a test says nothing as long as what it tests is sound, every order of the horn that saves minutes costs
    right ends: it is shown with its price, the writer's stands."""
    flow = horn()
    model = model_of(flow, {}, as_of="2026-11", access_minutes={"bumper-off": 12.0})
    third = 1 / 3
    table = np.array([  # by horn, earth, relay, other; rows in the order of the flow's branches
        [0.025, 0.025, 0.025, third], [0.95, 0.95, 0.95, third], [0.025, 0.025, 0.025, third],
        [0.95, 0.95, 0.05, third], [0.025, 0.025, 0.475, third], [0.025, 0.025, 0.475, third],
        [0.95, 0.05, 0.5, 0.5], [0.05, 0.95, 0.5, 0.5], [0.05, 0.5, 0.5, 0.5], [0.95, 0.5, 0.5, 0.5],
    ])  # fmt: skip
    found = last(search(flow, replace(model, table=table)))
    assert found.best is None
    assert all(one.saves > 0.05 and one.points < -0.5 for one in found.proposals)


def test_a_last_test_that_ends_the_search_either_way_is_said_to_be_held() -> None:
    """The cheapest of all orders has the second test first, which only a change of the procedure could give."""
    flow, model = chain([0, 1], [1, 8], [30, 2])
    assert last(search(flow, model)).held == ()
    first, second = flow.steps
    end = Go(GoKind.CAUSE, "c0")
    outcomes = (replace(one, go=end) if one.go.kind is GoKind.OUT else one for one in second.outcomes)
    closed = replace(second, outcomes=tuple(outcomes))
    found = last(search(replace(flow, steps=(first, closed)), model))
    assert found.best is None and not found.free
    assert found.held == (second.key,)


def test_a_flow_of_one_step_has_no_other_order() -> None:
    flow, model = chain([0], [3], [4.0])
    assert better_order(flow, model) is None
    assert not last(search(flow, model)).free


def test_a_very_long_procedure_says_how_long_is_too_long() -> None:
    flow, model = chain(list(range(MOST_STEPS + 1)), [1] * (MOST_STEPS + 1), [1.0] * (MOST_STEPS + 1))
    with pytest.raises(ValueError, match="Orders are compared up to 80 steps; P has 81"):
        last(search(flow, model))


# How far the search came -----------------------------------------------------------------------------------------

WEIGHTS = st.lists(st.integers(1, 9), min_size=4, max_size=4)
MINUTES = st.lists(st.integers(1, 30).map(float), min_size=4, max_size=4)


def least_of_all(weights: list[int], minutes: list[float]) -> float:
    return min(
        appraise(*chain(list(one), weights, minutes), with_sensitivities=False).minutes
        for one in permutations(range(4))
    )


@given(weights=WEIGHTS, minutes=MINUTES)
@settings(max_examples=examples(15))
def test_tests_that_are_never_wrong_come_out_by_probability_over_cost(weights: list[int], minutes: list[float]) -> None:
    """W. E. Smith 1956: jobs in order of weight over time have the least weighted sum of finishing times."""
    flow, model = chain([0, 1, 2, 3], weights, minutes)
    sure = replace(model, prior=np.array([*(one / sum(weights) for one in weights), 0.0]))
    by_rule = sorted(range(4), key=lambda one: minutes[one] / weights[one])
    clock = [sum(minutes[one] for one in by_rule[: place + 1]) for place in range(4)]
    smith = sum(weights[one] * done for one, done in zip(by_rule, clock, strict=True)) / sum(weights)
    assert last(search(flow, sure)).least == pytest.approx(smith, abs=0.051)


@given(weights=WEIGHTS, minutes=MINUTES, width=st.integers(1, 3), most=st.integers(1, 8))
@settings(max_examples=examples(15))
def test_a_search_with_little_room_says_how_far_off_it_may_be_and_only_gets_better(
    weights: list[int], minutes: list[float], width: int, most: int
) -> None:
    rounds = list(search(*chain([0, 1, 2, 3], weights, minutes), rooms=((1, most), (width, 100), (16, 1000))))
    least = least_of_all(weights, minutes)
    assert all(later.least <= earlier.least + 0.051 for earlier, later in pairwise(rounds))
    for one in rounds:
        assert one.floor - 0.051 <= least <= one.least + 1e-9
        assert one.gap >= one.least - least - 0.051
    assert (rounds[-1].complete, rounds[-1].gap) == (True, 0.0)


# Rows inside rows ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Bit:
    """A test that proves cause ``number`` or leads on; ``detour``, a row of its own, lies on a third way on."""

    number: int
    minutes: int
    access: str = ""
    detour: tuple[Bit, ...] = ()


def bits(number: int, deep: int) -> st.SearchStrategy[tuple[Bit, ...]]:
    """Rows whose tests are numbered anew afterwards (:func:`numbered`)."""
    inner = bits(number, deep - 1) if deep else st.just(())
    one = st.builds(Bit, st.just(0), st.integers(1, 30), st.sampled_from(["", "bumper-off"]), st.just(()) | inner)
    return st.lists(one, min_size=1, max_size=number).map(tuple)


def numbered(row: tuple[Bit, ...], count: Iterator[int]) -> tuple[Bit, ...]:
    return tuple(replace(bit, number=next(count), detour=numbered(bit.detour, count)) for bit in row)


def every_order(row: tuple[Bit, ...]) -> Iterator[tuple[Bit, ...]]:
    inside = product(*(list(every_order(bit.detour)) for bit in row))
    for detours in inside:
        bits_now = [replace(bit, detour=detour) for bit, detour in zip(row, detours, strict=True)]
        yield from permutations(bits_now)


def laid_out(row: tuple[Bit, ...], chances: np.ndarray, prior: dict[str, float]) -> tuple[Flow, CauseModel]:
    """The flow of nested rows, built without a thought of exchanging; its last step stays where it is."""
    steps: dict[str, dict[str, Any]] = {}

    def lay(bits_now: tuple[Bit, ...], tail: str) -> str:
        for bit in reversed(bits_now):
            p = dict(zip(("found", "on", "aside"), chances[bit.number], strict=True))
            aside = lay(bit.detour, tail)
            ways = {"found": f"c{bit.number}", "on": tail, "aside": aside}
            steps[f"s{bit.number}"] = {
                "minutes": float(bit.minutes),
                "access": bit.access,
                "outcomes": {k: {"go": to, "p": dict(zip(prior, p[k], strict=True))} for k, to in ways.items()},
            }
            tail = f"s{bit.number}"
        return tail

    steps["last"] = {"minutes": 1.0, "outcomes": {"end": {"go": "out", "p": dict.fromkeys(prior, 1.0)}}}
    return built(steps, prior, lay(row, "last"), {"bumper-off": 12.0})


def size(row: tuple[Bit, ...]) -> int:
    return sum(1 + size(bit.detour) for bit in row)


@given(row=bits(3, 1), luck=st.integers(0, 10**6))
@settings(max_examples=examples(15))
def test_nested_rows_come_out_as_the_best_of_every_order_built_one_by_one(row: tuple[Bit, ...], luck: int) -> None:
    """Minutes, right ends, set-up states once each; all orders that no other beats are found, and no other."""
    row = numbered(row, iter(range(99)))
    orders = [one for place, one in enumerate(every_order(row)) if place < 400]
    generator = np.random.default_rng(luck)
    weights = generator.dirichlet(np.ones(size(row) + 1))
    prior = {**{f"c{n}": float(weights[n]) for n in range(size(row))}, OTHER: float(weights[-1])}
    chances = generator.dirichlet([0.4, 0.6, 0.5], size=(size(row), len(prior))).transpose(0, 2, 1)
    flow, model = laid_out(row, chances, prior)
    found = last(search(flow, model, settled=("last",), rooms=((4096, 10**6),)))
    told = [(one.minutes, one.right) for one in (appraise(*laid_out(o, chances, prior)) for o in orders)]
    own = appraise(flow, model)
    least = min(minutes for minutes, right in told if right >= own.right - MOST_LOST)
    if len(orders) < 400:
        assert found.complete
        assert found.least == pytest.approx(least, abs=0.051)
    else:
        assert found.least <= least + 0.051
    for order in found.proposals:
        minutes, right = order.after.minutes, order.after.right
        assert len(orders) == 400 or any(np.allclose((minutes, right), one) for one in told)
        assert not any(m < minutes - 1e-6 and r > right + 1e-6 for m, r in told)
        assert order.saves > 0.05


@given(data=st.data())
@settings(max_examples=examples(40))
def test_whatever_the_flow_an_order_costs_what_the_search_says(data: st.DataObject) -> None:
    """Any flow without loops, merging ways and several ends: each order found is built and appraised on its own."""
    many = data.draw(st.integers(2, 7))
    ends = [f"c{n}" for n in range(3)] + ["out", "hand-over other"]
    prior = {"c0": 0.4, "c1": 0.3, "c2": 0.2, OTHER: 0.1}
    generator = np.random.default_rng(data.draw(st.integers(0, 10**6)))
    steps = {}
    for number in range(many):
        later = [f"s{n}" for n in range(number + 1, many)]
        ways = [*later[:1], *data.draw(st.lists(st.sampled_from(ends + later), min_size=1, max_size=2))]
        p = generator.dirichlet(np.ones(len(ways)), size=len(prior)).T
        outcomes = {f"o{n}": {"go": to, "p": dict(zip(prior, p[n], strict=True))} for n, to in enumerate(ways)}
        steps[f"s{number}"] = {"minutes": float(generator.integers(1, 30)), "outcomes": outcomes}
    flow, model = built(steps, prior, "s0", {})
    arranged = Arranger(flow, model, lambda first, second: False, 4096, 10**6).whole()
    for one in arranged.front:
        now = reordered(flow, orders_of(one))
        told = appraise(now, model, with_sensitivities=False)
        assert (told.minutes, told.right) == pytest.approx((one.minutes, one.right))
        assert reachable(now) == reachable(flow)
        assert named(now) == named(flow)
    assert arranged.floor == pytest.approx(min(one.minutes for one in arranged.front))


# The shop's own procedures ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("place", sorted(FLOWS.glob("*.yaml")), ids=lambda place: place.stem)
def test_orders_of_the_shop_s_procedures_keep_what_must_hold(place: Path) -> None:
    """Nothing is lost, nothing loops, what is needed comes first, actions and what unplugs stay where they are."""
    flow = read_flow(place.read_bytes()).flow
    assert flow is not None
    model = model_of(flow, {}, as_of="2026-11", access_minutes={"bumper-off": 12.0})
    found = last(search(flow, model, leans={}))
    assert found.complete
    fixed = [step.key for step in flow.steps if step.test is TestKind.ACTION or step.isolates]
    for order in found.proposals:
        now = order.flow
        assert not loops(now)
        assert reachable(now) == reachable(flow)
        assert all(set(now.step_by_key[key].needs) <= always_passed(now, key) for key in reachable(now))
        assert named(now) == named(flow)
        assert all(always_passed(now, key) >= always_passed(flow, key) & {*fixed} for key in reachable(flow))


def named(flow: Flow) -> set[tuple[str, str, str]]:
    return {(s.key, o.key, o.go.key) for s in flow.steps for o in s.outcomes if o.go.kind is GoKind.CAUSE}


def test_the_order_that_wastes_minutes_in_the_demo_is_found_with_the_gain_that_is_hidden_in_it() -> None:
    """The bulb, most often at fault, is tried last. Expected gain by the truth that the demo's jobs are made from."""
    place = FLOWS.parent / "fixtures" / "demo" / "editions" / "brake-lamps-off.yaml"
    flow = read_flow(place.read_bytes()).flow
    assert flow is not None
    counts = widened(count(flow, {}, as_of="2026-11"), leans={})
    best = better_order(flow, learn(counts), leans={})
    assert best is not None
    assert ("bulb", ("lamp-volts", "earth-drop", "holder-drop")) in [(one.later, one.passed) for one in best.moves]
    assert best.points > -0.5
    truth = read_truth(FLOWS.parent / "fixtures" / "demo" / "truth.yaml")
    before, after = (fare(truth, one, {}) for one in (flow, best.flow))
    assert before.minutes - after.minutes > 2
    assert after.right > before.right
