"""Pooling many branches over a platform tree, beside bare numpy and a marginal-likelihood fit.

Run ``python -m tests.benchmarks.bench_diagnosis_pooling``.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.optimize import minimize

from shopkb.core.diagnosis.rates.intervals import Array, beta_intervals
from shopkb.core.diagnosis.rates.pooling import Forest, pool
from shopkb.core.diagnosis.rates.pooling_strengths import (
    Problem,
    dirichlet_multinomial_log,
    learn_strengths,
    strengths_by_moments,
)
from tests.benchmarks.rows import Row, median, table

BRANCHES = 20_000


def made(rng: np.random.Generator, branches: int, kappas: tuple[float, ...]) -> tuple[Forest, Array, Array]:
    """One tree a branch: 1 root, 2 makers, 2 models each, 2 engines each, with jobs at the engines only.

    Returns the forest, the counts (nodes x 2) and the true rates.
    """
    parents, theta = [np.full(branches, -1, dtype=np.intp)], [rng.beta(4, 1.5, branches)]
    first = 0
    for kappa in kappas:
        above = theta[-1]
        parents.append(np.repeat(np.arange(first, first + above.size), 2))
        first += above.size
        mean = np.clip(np.repeat(above, 2), 1e-6, 1 - 1e-6)
        theta.append(rng.beta(kappa * mean, kappa * (1 - mean)))
    true = np.concatenate(theta)
    jobs = np.zeros(true.size)
    jobs[-theta[-1].size :] = rng.geometric(0.18, theta[-1].size)
    wins = rng.binomial(jobs.astype(int), true)
    return Forest(np.concatenate(parents)), np.stack([wins, jobs - wins], axis=-1).astype(float), true


def bare(forest: Forest, counts: Array, kappas: tuple[float, ...]) -> Array:
    """The same two passes on two flat arrays: no checks, no names."""
    wins, jobs = counts[:, 0].copy(), counts.sum(axis=1)
    told_wins, told_jobs = np.empty_like(wins), np.empty_like(jobs)
    for depth in range(len(forest.levels) - 1, 0, -1):
        level, (starts, parents), kappa = forest.levels[depth], forest.families[depth], kappas[depth - 1]
        factor = np.minimum(1.0, (kappa + 1) / (jobs[level] + kappa))
        told_wins[level], told_jobs[level] = wins[level] * factor, jobs[level] * factor
        wins[parents] += np.add.reduceat(told_wins[level], starts)
        jobs[parents] += np.add.reduceat(told_jobs[level], starts)
    a, total = np.full(wins.size, 0.5), np.full(wins.size, 1.0)
    for depth in range(1, len(forest.levels)):
        level, kappa = forest.levels[depth], kappas[depth - 1]
        parents = forest.parent[level]
        others = a[parents] + wins[parents] - told_wins[level]
        all_others = total[parents] + jobs[parents] - told_jobs[level]
        scale = kappa / (all_others + kappa + 1)
        a[level], total[level] = others * scale, all_others * scale
    return (a + wins) / (total + jobs)


def marginal(forest: Forest, counts: Array) -> tuple[float, Array]:
    """One shared strength by marginal likelihood against each root's own rate: what a user would fit with scipy."""
    leaves = forest.levels[-1]
    groups = forest.parent[leaves]
    for _ in range(len(forest.levels) - 2):
        groups = forest.parent[groups]
    wins, rest = counts[leaves].T
    totals = np.stack([np.bincount(groups, wins), np.bincount(groups, wins + rest)])
    p = (totals[0] + 0.5) / (totals[1] + 1)

    def loss(log_kappa: Array) -> float:
        kappa = float(np.exp(log_kappa[0]))
        weights = kappa * np.stack([p[groups], 1 - p[groups]], axis=-1)
        return -float(dirichlet_multinomial_log(weights, np.stack([wins, rest], axis=-1)).sum())

    kappa = float(np.exp(minimize(loss, [2.0], method="Nelder-Mead").x[0]))
    return kappa, (wins + kappa * p[groups]) / (wins + rest + kappa)


def rows() -> Iterator[Row]:
    """Passes, intervals, strengths; and mean absolute errors, in points, beside what else would be told."""
    rng = np.random.default_rng(1)
    kappas = (12.0, 20.0, 30.0)
    forest, counts, true = made(rng, BRANCHES, kappas)
    leaves, size = forest.levels[-1], f"{BRANCHES:,} branches"
    wins, jobs = counts[leaves, 0], counts[leaves].sum(axis=1)
    assert np.abs(bare(forest, counts, kappas) - pool(forest, counts, kappas).mean[:, 0]).max() < 1e-12
    plain = median(lambda: bare(forest, counts, kappas)) / 1e3
    ours = median(lambda: pool(forest, counts, kappas)) / 1e3
    yield Row("pooling over the platform tree", size, "ms", ours, "bare numpy", plain, 1 / 3)
    chosen = pool(forest, counts, kappas).posterior[leaves][:BRANCHES]
    ends = median(lambda: beta_intervals(chosen[:, 0].copy(), chosen[:, 1].copy(), 0.8)) / 1e3
    yield Row("pooling with intervals", size, "ms", ours + ends, "a fifth of a second", 200.0, 1)
    shaped = counts[:, None, :]
    one = median(lambda: strengths_by_moments(forest, shaped), 0.1, least=1) / 1e3
    other = median(lambda: marginal(forest, counts), 0.1, least=1) / 1e3
    slow = median(lambda: learn_strengths(forest, [Problem(shaped)]), 0.1, least=1) / 1e3
    yield Row("strengths, by moments", size, "ms", one, "marginal likelihood, scipy", other)
    yield Row("strengths, finished", size, "ms", slow, "marginal likelihood, scipy", other)

    def error(told: Array) -> float:
        return float(np.abs(told - true[leaves]).mean()) * 100

    _, fitted = marginal(forest, counts)
    moments = error(pool(forest, counts, strengths_by_moments(forest, shaped)).mean[leaves, 0])
    finished = error(pool(forest, counts, learn_strengths(forest, [Problem(shaped)])).mean[leaves, 0])
    yield Row("mean error, moments", size, "points", moments, "marginal likelihood, scipy", error(fitted), 0.98)
    yield Row("mean error, finished", size, "points", finished, "marginal likelihood, scipy", error(fitted), 0.98)
    yield Row("mean error, finished", size, "points", finished, "add one", error((wins + 1) / (jobs + 2)), 1 / 0.7)
    yield Row("mean error, finished", size, "points", finished, "each platform alone", error(wins / jobs))


if __name__ == "__main__":
    print(table(rows()))
