"""Short form of :mod:`tests.simulation.hand_overs`: a fresh shop, and one of 300 jobs."""

from __future__ import annotations

import numpy as np
import pytest

from shopkb.core.diagnosis.belief.posterior import posterior
from shopkb.core.flow.model import Proof
from tests.simulation.hand_overs import (
    followed,
    handed_over_jobs,
    looks_elsewhere,
    models,
    probability,
    shop,
    true_probability,
    worlds_of,
)

JOBS = list(handed_over_jobs())
WRITERS = models()


def test_a_fresh_shop_believes_what_the_second_procedure_proved() -> None:
    said = np.array([probability(WRITERS, job) for job in JOBS])
    assert len(said) > 200
    assert said.mean() >= 0.7
    assert said.min() >= 0.3


def test_closed_jobs_keep_it_believed() -> None:
    """Tests err in up to 12 of 100 jobs there, so some proofs are worth less. Five shops (4.6 to 7.9 %): one sees some
    procedures hardly ever."""
    shops = [models(shop(seed, 300)) for seed in range(1, 6)]
    said = np.array([probability(learned, job) for learned in shops for job in JOBS])
    assert said.mean() >= 0.7
    assert (said < 0.3).mean() < 0.08


def test_what_closed_jobs_make_doubtful_is_doubtful_to_whoever_knows_the_truth() -> None:
    """Pairs under 0.3, against the exact posterior under the truth that the jobs were drawn from."""
    learned, worlds = models(shop(3, 300)), worlds_of(3)
    low = [job for job in JOBS if probability(learned, job) < 0.3]
    true = np.array([true_probability(worlds, job) for job in low])
    assert len(low) > 5
    assert true.mean() < 0.3
    assert (true > 0.7).mean() < 0.1


def test_a_proof_is_not_followed_by_advice_to_look_where_nothing_is_likely() -> None:
    proven = [job for job in JOBS if job.proof not in (None, Proof.ELIMINATION)][::5]
    assert not [(job, advice) for job in proven if (advice := looks_elsewhere(WRITERS, job))]


@pytest.mark.parametrize("place", range(0, len(JOBS), 60))
def test_it_does_not_matter_which_procedure_was_opened_first(place: int) -> None:
    job, learned = JOBS[place], WRITERS
    one, other = followed(learned, job.first, job.second), followed(learned, job.second, job.first)
    assert one.causes == other.causes
    assert posterior(one, job.results) == pytest.approx(posterior(other, job.results[::-1]), abs=1e-9)
