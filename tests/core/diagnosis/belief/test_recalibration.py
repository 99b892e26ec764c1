"""Correction of probabilities by how earlier ones turned out. Witness: scipy's optimiser; belief by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.optimize import minimize_scalar

from shopkb.core.diagnosis.belief.cause_model import CauseModel
from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.diagnosis.belief.recalibration import (
    NO_RECALIBRATION,
    SHARPNESSES,
    STRAYS,
    Recalibration,
    chosen,
    log_losses,
    no_losses,
    recalibrated,
)
from shopkb.core.diagnosis.counting.closed_case import CaseResult
from tests.core.diagnosis.flows import model, two_outcomes

RESULTS = (CaseResult("p", "one", "yes"), CaseResult("p", "two", "no"))


def two_tests() -> CauseModel:
    tests = {"one": {"A": 0.9, "B": 0.2, "other": 0.5}, "two": {"A": 0.3, "B": 0.6, "other": 0.5}}
    return model({"A": 0.5, "B": 0.4, "other": 0.1}, {key: two_outcomes(yes) for key, yes in tests.items()})


def test_belief_of_a_job_is_corrected_as_forecasts_are() -> None:
    plain, by = two_tests(), Recalibration(1.3, 0.03)
    found = posterior(replace(plain, recalibration=by), RESULTS)
    likelihood = np.array([0.9 * 0.7, 0.2 * 0.4, 0.5 * 0.5]) ** 1.3
    sharper = plain.prior * likelihood / (plain.prior @ likelihood)
    assert found == pytest.approx(0.97 * sharper + 0.03 * plain.prior)
    assert found == pytest.approx(recalibrated(posterior(plain, RESULTS), plain.prior, by))


def test_without_results_nothing_is_corrected() -> None:
    plain = two_tests()
    assert posterior(replace(plain, recalibration=Recalibration(1.8, 0.09)), ()) == pytest.approx(plain.prior)


def test_a_repair_without_a_cure_weighs_on_what_was_corrected() -> None:
    plain, by = two_tests(), Recalibration(1.3, 0.03)
    found = posterior(replace(plain, recalibration=by), RESULTS, ["A"])
    assert found.sum() == pytest.approx(1)
    assert found[0] <= 0.05 + 1e-9


@given(
    arrays(float, 4, elements=st.floats(0.001, 1)), arrays(float, 4, elements=st.floats(0.001, 1)),
    st.sampled_from(SHARPNESSES), st.sampled_from(STRAYS), st.integers(0, 3),
)  # fmt: skip
def test_losses_are_those_of_what_is_corrected(
    belief: np.ndarray, first: np.ndarray, sharpness: float, stray: float, truth: int
) -> None:
    belief, first = belief / belief.sum(), first / first.sum()
    found = recalibrated(belief, first, Recalibration(sharpness, stray))
    assert found.sum() == pytest.approx(1)
    losses = log_losses(belief, first, truth)
    assert losses[SHARPNESSES.index(sharpness), STRAYS.index(stray)] == pytest.approx(-np.log(found[truth]))
    assert recalibrated(belief, first, NO_RECALIBRATION) == pytest.approx(belief)


def told(true_power: float, jobs: int, seed: int = 1) -> list[tuple[np.ndarray, np.ndarray, int]]:
    """Forecasts that are too timid or too bold: truth falls by the likelihoods raised to ``true_power``."""
    rng, first = np.random.default_rng(seed), np.array([0.4, 0.3, 0.2, 0.1])
    found = []
    for _ in range(jobs):
        likelihood = np.exp(rng.normal(0, 1.5, 4))
        said, true = first * likelihood, first * likelihood**true_power
        found.append((said / said.sum(), first, int(rng.choice(4, p=true / true.sum()))))
    return found


@pytest.mark.parametrize("power", [0.7, 1.0, 1.45])
def test_the_right_sharpness_is_found(power: float) -> None:
    forecasts = told(power, 3000)
    losses = sum((log_losses(*one) for one in forecasts), no_losses())
    found = chosen(losses)

    def loss(sharpness: float) -> float:
        by = Recalibration(sharpness, 0.0)
        return -sum(float(np.log(recalibrated(said, first, by)[truth])) for said, first, truth in forecasts)

    best = minimize_scalar(loss, bounds=(0.5, 2.0), method="bounded")
    assert found.sharpness == pytest.approx(best.x, abs=0.2)
    assert losses[SHARPNESSES.index(found.sharpness), STRAYS.index(found.stray)] <= best.fun + 2


def test_few_forecasts_change_little() -> None:
    assert chosen(no_losses()) == NO_RECALIBRATION
    few = chosen(sum((log_losses(*one) for one in told(1.8, 5)), no_losses()))
    assert 0.9 <= few.sharpness <= 1.3
