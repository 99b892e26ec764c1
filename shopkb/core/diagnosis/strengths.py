"""How alike related platforms are: the strength kappa of each level of the tree, learned from all branches together.

One branch has too few platforms to learn its own. A start by moments (a pooled analysis of variance, kin to
J. Kleinman, Proportions with extraneous variance, JASA 68, 1973) is finished by a leave-one-out score: how well every
node's own jobs are foretold by everything the node knows except those jobs.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from scipy.special import betaln

from shopkb.core.diagnosis.pooling import Forest, pool
from shopkb.core.diagnosis.rates import Array

GRID: Final = (2.0, 3.0, 4.5, 7.0, 10.0, 15.0, 22.0, 33.0, 50.0, 75.0, 110.0)
CENTRE: Final = 12.0
"""Strength that a level drifts to when its data are silent; the pull is normal in ln kappa with variance 1."""

PRIOR_WEIGHT: Final = 20.0
PRIOR_CORRELATION: Final = 1 / 11
LOWEST, HIGHEST = 1.0, 200.0


def correlation_by_moments(groups: Sequence[tuple[Array, Array]], prior_weight: float = PRIOR_WEIGHT) -> float | None:
    """Correlation rho = 1/(kappa+1) of jobs that share a node, from groups of brothers (successes, jobs).

    Groups with fewer than two members that have jobs, or without any contrast, add nothing. ``None`` when no group
    says anything and ``prior_weight`` is 0.
    """
    above, beneath = prior_weight * PRIOR_CORRELATION, prior_weight
    for successes, jobs in groups:
        has = jobs > 0
        s, n = successes[has], jobs[has]
        if s.size < 2 or s.sum() <= 0 or s.sum() >= n.sum():
            continue
        total = n.sum()
        p = s.sum() / total
        q, w = p * (1 - p), float(n @ (s / n - p) ** 2)
        d0, d1 = s.size - 1, float(np.sum((1 - n / total) * (n - 1)))
        v0, v1 = 1 / total, float(np.sum(n * (n - 1))) / total**2
        above += w * (1 - v0) - q * d0
        beneath += q * d1 + w * v1
    return float(above / beneath) if beneath > 0 else None


def strength_of(correlation: float | None) -> float:
    """kappa for a correlation, kept in [1, 200]; correlations of 0 and less give 200."""
    if correlation is None:
        return CENTRE
    if correlation <= 1 / (HIGHEST + 1):
        return HIGHEST
    return max(LOWEST, float(1 / correlation - 1))


def strengths_by_moments(forest: Forest, counts: Array) -> tuple[float, ...]:
    """One kappa a level below the roots, bottom level first, each level discounted before the next looks at it.

    ``counts`` is nodes x branches x 2, successes and the rest, recorded directly at each node.
    """
    below = counts.astype(np.float64, copy=True)
    found: list[float] = []
    for depth in range(len(forest.levels) - 1, 0, -1):
        level, (starts, parents) = forest.levels[depth], forest.families[depth]
        kappa = strength_of(correlation_by_moments(_brothers(below[level], starts)))
        jobs = below[level].sum(axis=-1, keepdims=True)
        told = below[level] * np.minimum(1.0, (kappa + 1) / (jobs + kappa))
        below[parents] += np.add.reduceat(told, starts, axis=0)
        found.append(kappa)
    return tuple(reversed(found))


def _brothers(counts: Array, starts: np.typing.NDArray[np.intp]) -> list[tuple[Array, Array]]:
    groups = np.split(counts, starts[1:])
    return [
        (group[:, branch, 0], group[:, branch].sum(axis=-1)) for group in groups for branch in range(counts.shape[1])
    ]


def leave_one_out(forest: Forest, counts: Array, strengths: Sequence[float]) -> float:
    """Log score of every node's own jobs given all else, less the pull of every level towards the centre.

    ``counts`` is nodes x branches x 2. Constants that do not depend on the strengths are left out.
    """
    pooled = pool(forest, counts, strengths)
    own = counts.sum(axis=-1) > 0
    others, mine = (pooled.posterior - counts)[own], counts[own]
    others = np.maximum(others, 1e-9)
    score = np.sum(beta_binomial_log(others[:, 0], others[:, 1], mine[:, 0], mine[:, 1]))
    return float(score - np.sum(np.log(np.asarray(strengths) / CENTRE) ** 2) / 2)


def beta_binomial_log(a: Array | float, b: Array | float, successes: Array, failures: Array) -> Array:
    """Log probability of one order of ``successes`` and ``failures`` under Beta(a, b): no binomial coefficient."""
    return np.asarray(betaln(a + successes, b + failures) - betaln(a, b))


def learn_strengths(forest: Forest, counts: Array, sweeps: int = 3) -> tuple[float, ...]:
    """The kappa of each level below the roots, for all branches together. O(sweeps x levels x grid x nodes x branches).

    ``counts`` is nodes x branches x 2. A tree with one node has no level and gives no strength; without jobs every
    level gets :data:`CENTRE`.
    """
    if not np.any(counts):
        return (CENTRE,) * (len(forest.levels) - 1)
    strengths = list(strengths_by_moments(forest, counts))
    if not strengths:
        return ()
    best = leave_one_out(forest, counts, strengths)
    for _ in range(sweeps):
        before = tuple(strengths)
        for place in range(len(strengths)):
            for kappa in GRID:
                trial = [*strengths[:place], kappa, *strengths[place + 1 :]]
                score = leave_one_out(forest, counts, trial)
                if score > best:
                    best, strengths = score, trial
        if tuple(strengths) == before:
            break
    return tuple(strengths)
