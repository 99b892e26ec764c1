"""What is proposed in place of the written step: the chance that it saves, against draws made here by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import beta, dirichlet

from shopkb.core.diagnosis.advice.next_action import Advice, RepairOption, TestOption, advise
from shopkb.core.diagnosis.advice.proposal import SURE, ActionProposal, kept_to_proof, propose
from shopkb.core.diagnosis.advice.repairs import USUAL_PRICES, Prices
from shopkb.core.diagnosis.belief.cause_model import CauseModel, RepairAction
from shopkb.core.diagnosis.belief.likelihoods import FLOOR
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from shopkb.core.diagnosis.counting.flow_counts import OTHER
from shopkb.core.flow.model import Proof
from tests.core.diagnosis.flows import model, two_outcomes

DEAR, CHEAP = 300.0, 200.0


def shop(jobs: float, good: float = 0.9, minutes: float = 8.0) -> CauseModel:
    """Two causes, repairs of 300 and 200 minutes; the test ``good`` tells them apart, the one ``written`` hardly does.
    ``jobs`` stand behind everything: the more, the surer."""
    found = model(
        {"A": 0.55, "B": 0.43, OTHER: 0.02},
        {
            "written": two_outcomes({"A": 0.55, "B": 0.45, OTHER: 0.5}),
            "good": two_outcomes({"A": good, "B": 1 - good, OTHER: 0.5}),
        },
        {"written": 8.0, "good": minutes},
        [RepairAction((0,), "Fit A.", DEAR), RepairAction((1,), "Fit B.", CHEAP)],
    )
    return replace(
        found, prior_weights=found.prior * jobs, table_weights=found.table * jobs,
        tests=tuple(replace(test, timed=jobs, variance=0.0) for test in found.tests),
    )  # fmt: skip


def proposal(one: CauseModel, *results: CaseResult, prices: Prices = USUAL_PRICES) -> ActionProposal | None:
    advice = advise(one, results, prices=prices)
    return propose(one, results, (), advice, ("p", "written"), prices=prices)


def by_hand(one: CauseModel, draws: int = 3000) -> np.ndarray:
    """What the good test saves over the written one, by draw: repairs by chance over cost, before or after the other
    test, whose outcomes are taken at their means."""
    rng = np.random.default_rng(5)
    priors = dirichlet.rvs(np.asarray(one.prior_weights), draws, random_state=rng)

    def drawn(rows: slice) -> np.ndarray:
        weights = np.asarray(one.table_weights)[rows]
        yes = np.stack([beta.rvs(*weights[:, cause], size=draws, random_state=rng) for cause in range(3)], axis=1)
        return np.clip(yes, FLOOR, 1 - FLOOR)

    def repairs(weights: np.ndarray) -> np.ndarray:
        a, b, other = weights.T
        rest = other * (DEAR + CHEAP + 120.0)
        return rest + np.minimum(a * DEAR + b * (DEAR + CHEAP), a * (DEAR + CHEAP) + b * CHEAP)

    def cost(test: int, other: int) -> np.ndarray:
        total = np.full(draws, one.tests[test].minutes)
        chances = drawn(slice(2 * test, 2 * test + 2))
        for chance in (chances, 1 - chances):
            weights = priors * chance
            further = one.tests[other].minutes * weights.sum(axis=1)
            further += sum(repairs(weights * row) for row in one.table[2 * other : 2 * other + 2])
            total += np.minimum(repairs(weights), further)
        return total

    return cost(0, 1) - cost(1, 0)


def test_what_is_surely_quicker_is_proposed_and_what_may_be_is_not() -> None:
    sure = proposal(shop(3000))
    assert sure is not None
    assert isinstance(sure.action, TestOption) and sure.action.step == "good"
    assert sure.chance > 0.97
    assert sure.saves == pytest.approx(expected_saving(shop(3000)), rel=0.1)
    close = shop(30)
    assert expected_saving(close) >= 1  # quicker on average
    assert proposal(close) is None  # and not surely so


def expected_saving(one: CauseModel) -> float:
    expected = {option.step: option.expected for option in advise(one).tests}
    return expected["written"] - min(expected.values())


def test_a_certain_model_is_judged_by_its_means() -> None:
    certain = replace(shop(12), prior_weights=None, table_weights=None)
    found = proposal(certain)
    assert found is not None
    assert found.chance == 1
    assert found.saves == pytest.approx(expected_saving(certain), abs=0.5)


def test_the_same_job_is_told_the_same() -> None:
    assert proposal(shop(600)) == proposal(shop(600))


@pytest.mark.parametrize(("jobs", "good"), [(8, 0.9), (30, 0.75), (200, 0.6), (200, 0.9), (1000, 0.65)])
def test_the_chance_is_that_of_draws_made_by_hand(jobs: int, good: float) -> None:
    one = shop(jobs, good)
    saved, found = by_hand(one), proposal(one)
    chance = float(np.mean(saved > 0))
    if found is None:
        assert chance < SURE + 0.06 or saved.mean() < 1.5
    else:
        assert found.chance == pytest.approx(chance, abs=0.08)
        assert found.saves == pytest.approx(saved.mean(), rel=0.4)


def proving(jobs: float) -> CauseModel:
    """As :func:`shop`; each outcome of the good test proves a cause by measuring."""
    one = shop(jobs)
    named = [branch._replace(names=cause, proof=Proof.MEASURED) if branch.step == "good" else branch
             for branch, cause in zip(one.branches, ("", "", "A", "B"), strict=True)]  # fmt: skip
    return replace(one, branches=tuple(named))


def test_nothing_unproven_is_fitted_while_something_is_written_to_be_tested() -> None:
    free = replace(shop(3000), repairs=(RepairAction((0,), "Fit A.", 0.5), RepairAction((1,), "Fit B.", 0.5)))
    fitted = proposal(free)
    assert fitted is not None and isinstance(fitted.action, RepairOption)
    assert proposal(free, prices=Prices(prove_first=True)) is None


def test_a_proof_at_the_end_of_the_written_way_is_not_doubted_unless_that_surely_pays() -> None:
    rule, one = Prices(prove_first=True), proving(12)
    results = [CaseResult("p", "good", "yes")]
    advice = advise(one, results, prices=rule)

    def told(proven: str, doubt: Advice = advice) -> Advice:
        return kept_to_proof(one, results, (), doubt, frozenset({proven}), prices=rule)

    repair = next(option for option in advice.repairs if "A" in option.causes)
    doubting = replace(advice, test=next(option for option in advice.tests if option.step == "written"), repair=None)
    kept = told("A", doubting)
    assert kept.repair == repair and kept.test is None
    assert kept.words.startswith("Fit A. It cures with a probability of ")
    assert told("B", doubting) == doubting  # nothing has proven B
    assert told("A", replace(advice, test=None, repair=repair)).repair == repair
