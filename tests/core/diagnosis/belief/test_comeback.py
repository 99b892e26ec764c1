"""A job that came back: what is believed at first, by hand, by law and in an invented shop."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shopkb.core.diagnosis.belief.comeback import SAME_AGAIN, STILL_THERE, ComebackEvidence, after_comeback
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from tests.core.diagnosis.flows import model

PRIOR = {"a": 0.5, "b": 0.3, "other": 0.2}
TESTS = {
    "one": {"yes": {"a": 0.9, "b": 0.1, "other": 0.5}, "no": {"a": 0.1, "b": 0.9, "other": 0.5}},
    "two": {"yes": {"a": 0.5, "b": 0.8, "other": 0.2}, "no": {"a": 0.5, "b": 0.2, "other": 0.8}},
}
SHOP = model(PRIOR, TESTS)
YES = CaseResult("p", "one", "yes")
NO = CaseResult("p", "one", "no")


def test_it_is_worked_out_by_hand() -> None:
    """``a`` was put right after a yes of the first test; b and other by that result are 0.03 and 0.10 of 0.13."""
    found = after_comeback(SHOP, ComebackEvidence("a", (YES,)), []).prior
    then, new = np.array([0.0, 3 / 13, 10 / 13]), np.array([0.0, 0.6, 0.4])
    rest = (1 - SAME_AGAIN) * (STILL_THERE * then + (1 - STILL_THERE) * new)
    # A share of ``a`` goes to other where a complaint stays: the second fault.
    assert found[0] == pytest.approx(SAME_AGAIN)
    assert found[1:] == pytest.approx(rest[1:], abs=0.02)


def test_comebacks_of_the_shop_say_how_often_it_is_the_same_again() -> None:
    told = ComebackEvidence("a", (), same=9, other=7)
    assert after_comeback(SHOP, told, []).prior[0] == pytest.approx((9 + 1) / 20)


def test_a_step_measured_again_tells_nothing_from_then() -> None:
    fresh = after_comeback(SHOP, ComebackEvidence("a", ()), [])
    again = after_comeback(SHOP, ComebackEvidence("a", (YES,)), [NO])
    assert again.prior == pytest.approx(fresh.prior)


def test_a_cause_that_is_not_listed_leaves_the_results_of_then() -> None:
    found = after_comeback(SHOP, ComebackEvidence("elsewhere", (NO,)), []).prior
    assert found == pytest.approx((posterior(SHOP, [NO]) + SHOP.prior) / 2)


@given(
    st.lists(st.sampled_from([YES, NO, CaseResult("p", "two", "yes"), CaseResult("p", "gone", "x")]), max_size=4),
    st.sampled_from(["a", "b", "other", "elsewhere"]), st.integers(0, 50), st.integers(0, 50),
)  # fmt: skip
def test_it_is_a_belief_whatever_was_recorded(results: list[CaseResult], repaired: str, same: int, other: int) -> None:
    found = after_comeback(SHOP, ComebackEvidence(repaired, tuple(results), same, other), []).prior
    assert found.sum() == pytest.approx(1)
    assert (found >= 0).all()


def test_in_an_invented_shop_it_is_better_than_starting_afresh() -> None:
    """Comebacks as the model says they come: the mean log loss of the true cause is smaller, and shares are met."""
    random = np.random.default_rng(7)
    causes, gained, same = list(PRIOR), 0.0, 0
    times = 3000
    for _ in range(times):
        first = random.choice(3, p=SHOP.prior)
        again, there = random.random() < SAME_AGAIN, random.random() < STILL_THERE
        others = [cause for cause in range(3) if cause != first]
        weights = SHOP.prior[others] / SHOP.prior[others].sum()
        true = first if again else random.choice(others, p=weights)
        shown_then = true if (there and not again) else first
        results = tuple(
            CaseResult(
                "p",
                step,
                str(random.choice(["yes", "no"], p=[TESTS[step][say][causes[shown_then]] for say in ("yes", "no")])),
            )
            for step in TESTS
        )
        found = after_comeback(SHOP, ComebackEvidence(causes[first], results), []).prior
        same += again
        gained += np.log(found[true]) - np.log(SHOP.prior[true])
    assert gained / times > 0.05
    assert same / times == pytest.approx(SAME_AGAIN, abs=0.03)
