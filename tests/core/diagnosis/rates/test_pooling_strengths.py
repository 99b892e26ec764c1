"""Strengths of the levels. Oracles: R. Tarone's rat tumours (Gelman and others, BDA3, table 5.1) and B. Efron and
C. Morris 1975; the marginal likelihood is maximised here with scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from shopkb.core.diagnosis.rates.intervals import Array
from shopkb.core.diagnosis.rates.pooling import Forest, platform_tree, pool
from shopkb.core.diagnosis.rates.pooling_strengths import (
    CENTRE,
    Problem,
    correlation_by_moments,
    dirichlet_multinomial_log,
    learn_strengths,
    leave_one_out,
    strength_of,
    strengths_by_moments,
)
from tests.core.diagnosis.published import example

RATS = example("rat-tumours-empirical-bayes")
Y, N = (np.array(RATS["inputs"][key], dtype=float) for key in ("y", "n"))
BATTERS = example("batters-james-stein")


def brothers(successes: Array, jobs: Array) -> tuple[Forest, Array]:
    """One parent without jobs of its own, and these children; one branch."""
    forest = Forest(np.r_[-1, np.zeros(successes.size)].astype(np.intp))
    counts = np.stack([np.r_[0, successes], np.r_[0, jobs - successes]], axis=-1)
    return forest, counts[:, None, :]


def moments(successes: Array, jobs: Array, **settings: float) -> float | None:
    """Of one group of brothers."""
    start = np.zeros(1, dtype=np.intp)
    return correlation_by_moments(successes[:, None].astype(float), jobs[:, None].astype(float), start, **settings)


def test_rats_marginal_likelihood_peaks_where_published() -> None:
    def loss(log_ab: Array) -> float:
        a, b = np.exp(log_ab)
        return -float(dirichlet_multinomial_log(np.array([a, b]), np.stack([Y, N - Y], axis=-1)).sum())

    found = minimize(loss, np.log([1.0, 8.0]), method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10})
    expected = RATS["expected"]["published_marginal_likelihood"]
    alpha, beta = np.exp(found.x)
    assert alpha == pytest.approx(expected["alpha"], abs=RATS["tolerance"]["marginal_alpha"])
    assert beta == pytest.approx(expected["beta"], abs=RATS["tolerance"]["marginal_beta"])
    value = RATS["expected"]["marginal_likelihood"]["log_marginal_without_binomial_coefficients"]
    assert -found.fun == pytest.approx(value, abs=1e-5)


def test_rats_correlation_by_moments() -> None:
    expected = RATS["expected"]["pooled_moment_rho_section_b"]
    rho = moments(Y, N, prior_weight=0)
    assert rho == pytest.approx(expected["rho"], abs=1e-8)
    assert strength_of(rho) == pytest.approx(expected["kappa"], abs=1e-4)


def test_rats_learned_strength_is_the_published_one_to_the_width_of_the_grid() -> None:
    """alpha + beta = 16.4 at the marginal maximum; the grid has 15 and 22 about it."""
    forest, counts = brothers(Y, N)
    (kappa,) = learn_strengths(forest, [Problem(counts)])
    assert kappa in (15.0, 22.0)


def test_batters_are_shrunk_as_published_and_err_as_little() -> None:
    hits, trials = np.array(BATTERS["inputs"]["hits"], dtype=float), np.full(18, 45.0)
    forest, counts = brothers(hits, trials)
    ours = pool(forest, counts, strengths_by_moments(forest, counts)).mean[1:, 0, 0]
    later = np.array(BATTERS["inputs"]["later_average"])
    raw = BATTERS["expected"]["sum_squared_error"]["raw"]
    assert np.sum((hits / 45 - later) ** 2) == pytest.approx(raw, abs=1e-9)
    # Their estimator shrinks to 0.21 of the distance; ours, held back by the pull to 1/11, stays within 0.035 of it.
    assert ours == pytest.approx(np.array(BATTERS["expected"]["estimates"]), abs=0.035)
    assert raw / np.sum((ours - later) ** 2) > 2.5


def made(rng: np.random.Generator, kappas: tuple[float, ...], branches: int) -> tuple[Forest, Array]:
    """Branches on a 4 x 3 x 3 tree with known strengths; 1 to 12 jobs at each leaf."""
    tree = platform_tree(f"{a}/{b}/{c}" for a in "ABCD" for b in "123" for c in "xyz")
    forest = tree.forest
    theta = np.empty((len(forest), branches))
    theta[0] = rng.uniform(0.2, 0.95, branches)
    for depth, kappa in enumerate(kappas, start=1):
        level = forest.levels[depth]
        mean = np.clip(theta[forest.parent[level]], 1e-6, 1 - 1e-6)
        theta[level] = rng.beta(kappa * mean, kappa * (1 - mean))
    jobs = np.zeros_like(theta)
    jobs[forest.levels[3]] = rng.integers(1, 13, (36, branches))
    wins = rng.binomial(jobs.astype(int), theta)
    return forest, np.stack([wins, jobs - wins], axis=-1).astype(float)


def test_known_strengths_are_found_again_within_a_factor_of_two() -> None:
    forest, counts = made(np.random.default_rng(7), (12, 20, 30), 80)
    learned = learn_strengths(forest, [Problem(counts)])
    assert np.all(np.abs(np.log2(np.array(learned) / (12, 20, 30))) <= 1)
    start = strengths_by_moments(forest, counts)
    assert leave_one_out(forest, [Problem(counts)], learned) >= leave_one_out(forest, [Problem(counts)], start)


def test_strengths_of_shares_are_found_again_within_a_factor_of_two() -> None:
    """Three procedures of 4, 6 and 9 causes, whose shares scatter by 8 among makers and by 40 among models."""
    rng = np.random.default_rng(9)
    tree = platform_tree(f"{a}/{b}" for a in "ABCDEF" for b in "123")
    problems = []
    for kinds in (4, 6, 9):
        shares = np.empty((len(tree.paths), kinds))
        shares[0] = rng.dirichlet(np.full(kinds, 3.0))
        for depth, kappa in ((1, 8.0), (2, 40.0)):
            level = tree.forest.levels[depth]
            for node in range(level.start, level.stop):
                shares[node] = rng.dirichlet(kappa * shares[tree.forest.parent[node]] + 1e-3)
        counts = np.zeros(shares.shape)
        for node in range(tree.forest.levels[2].start, len(shares)):
            counts[node] = rng.multinomial(rng.integers(5, 60), shares[node])
        problems.append(Problem(counts, np.full(kinds, 0.5)))
    learned = learn_strengths(tree.forest, problems)
    assert np.all(np.abs(np.log2(np.array(learned) / (8, 40))) <= 1)


def test_groups_add_up_in_one_ratio() -> None:
    """Two groups side by side: numerators and denominators add, as in a pooled analysis of variance."""
    one, two = (np.array([8.0, 2, 5]), np.array([10.0, 9, 6])), (np.array([1.0, 7]), np.array([4.0, 8]))
    both = correlation_by_moments(
        np.r_[one[0], two[0]][:, None], np.r_[one[1], two[1]][:, None], np.array([0, 3], dtype=np.intp), 0
    )
    above = beneath = 0.0
    for s, n in (one, two):
        p, total = s.sum() / n.sum(), n.sum()
        w = n @ (s / n - p) ** 2
        above += w * (1 - 1 / total) - p * (1 - p) * (s.size - 1)
        beneath += p * (1 - p) * ((1 - n / total) @ (n - 1)) + w * (n @ (n - 1)) / total**2
    assert both == pytest.approx(above / beneath)


def test_order_of_branches_does_not_matter() -> None:
    forest, counts = made(np.random.default_rng(8), (5, 20, 60), 20)
    one, other = (learn_strengths(forest, [Problem(part)]) for part in (counts, counts[:, ::-1]))
    assert one == pytest.approx(other)


def test_silent_data_leave_the_levels_where_they_begin() -> None:
    tree = platform_tree(["A/A1", "B"])
    assert learn_strengths(tree.forest, [Problem(np.zeros((len(tree.paths), 3, 2)))]) == (CENTRE, CENTRE)
    assert learn_strengths(platform_tree([]).forest, [Problem(np.ones((1, 1, 2)))]) == ()
    assert moments(np.zeros(2), np.zeros(2), prior_weight=0) is None
    assert strength_of(None) == CENTRE


@pytest.mark.parametrize(
    ("successes", "jobs"),
    [([5, 7], [5, 7]), ([0, 0, 0], [3, 2, 9]), ([3], [5]), ([3, 0], [5, 0])],
    ids=["all success", "none", "one child", "one child with jobs"],
)
def test_groups_without_contrast_say_nothing(successes: list[float], jobs: list[float]) -> None:
    assert moments(np.array(successes), np.array(jobs)) == pytest.approx(1 / 11)
    assert moments(np.array(successes), np.array(jobs), prior_weight=0) is None


def test_strength_is_kept_in_its_bounds() -> None:
    assert strength_of(-0.3) == 400
    assert strength_of(0.0) == 400
    assert strength_of(0.9) == 1
